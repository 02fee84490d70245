"""A table over many chambers: checked against plain arithmetic, and against another engine."""

import csv
import io
import math

import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner

from controller.cli import main
from controller.errors import ParcelError
from controller.parcels.questions import climate, duckdb_readings
from controller.parcels.stores import FolderStore, add_parcel
from tests.journals import DAY_MS, HOUR_MS, START_MS
from tests.parcels import sealed_run
from tests.stores import make_store

# Ibis asks DuckDB 2 for its answers by a name that DuckDB is about to retire
pytestmark = pytest.mark.filterwarnings("ignore:fetch_.*:DeprecationWarning")


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    folder = tmp_path_factory.mktemp("store")
    make_store(folder, chambers=3, days=2, every_ms=600_000)
    return folder


def by_hand(folder, span_ms):
    """The same answer by exact arithmetic over the files."""
    found = {}
    for path in sorted(folder.rglob("readings.parquet")):
        chamber = path.parts[-4].removeprefix("chamber=")
        for row in pq.read_table(path, partitioning=None).to_pylist():
            held = found.setdefault((chamber, row["utc_ms"] // span_ms * span_ms), [0, []])
            held[0] += 1
            if row["air_quality"] == "good":
                held[1].append(math.floor(row["air_temperature_c"] * 1000 + 0.5))
    return found


@pytest.mark.parametrize("span", ["day", "hour"])
def test_the_table_agrees_with_arithmetic_by_hand(store, span):
    rows = climate(duckdb_readings(store), span).to_pyarrow().to_pylist()
    expected = by_hand(store, {"day": DAY_MS, "hour": HOUR_MS}[span])

    assert len(rows) == len(expected)
    for row in rows:
        count, values = expected[row["chamber"], row["from_utc_ms"]]
        assert row["readings"] == count
        assert row["air_temperature_min_c"] == min(values) / 1000
        assert row["air_temperature_max_c"] == max(values) / 1000
        assert row["air_temperature_mean_c"] == sum(values) / len(values) / 1000


def test_only_the_plan_that_was_asked_for_counts(store):
    assert climate(duckdb_readings(store), "day", "5c5c" * 16).count().to_pyarrow().as_py() == 6
    assert climate(duckdb_readings(store), "day", "aa").count().to_pyarrow().as_py() == 0


def test_the_command_reads_what_a_stick_holds(tmp_path):
    folder, manifests = sealed_run(tmp_path / "run")
    for manifest in manifests:
        add_parcel(
            FolderStore(tmp_path / "stick"), manifest, lambda n, m=manifest: (folder / m.day_utc / n).read_bytes()
        )
    result = CliRunner().invoke(main, ["table", str(tmp_path / "stick")], catch_exceptions=False)
    rows = list(csv.DictReader(io.StringIO(result.output)))

    assert [row["from_utc"] for row in rows] == ["2026-03-02T00:00Z", "2026-03-03T00:00Z", "2026-03-04T00:00Z"]
    named = CliRunner().invoke(main, ["table", str(tmp_path / "stick"), "--out", str(tmp_path / "days.csv")])
    assert (tmp_path / "days.csv").read_text().split() == result.output.split()
    assert named.output.replace("\n", "") == str(tmp_path / "days.csv")
    assert {(r["chamber"], r["readings"], r["air_temperature_mean_c"]) for r in rows} == {
        ("skerry-light", "24", "20.000")
    }


def test_every_reading_can_be_had_as_one_file(store, tmp_path):
    result = CliRunner().invoke(main, ["table", str(store), "--by", "reading", "--out", str(tmp_path / "all.csv")])
    assert result.exit_code == 0, result.output
    assert result.output.replace("\n", "") == str(tmp_path / "all.csv")
    with (tmp_path / "all.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))

    held = [
        row
        for path in sorted(store.rglob("readings.parquet"))
        for row in pq.read_table(path, partitioning=None).to_pylist()
    ]
    assert [row["air_temperature_c"] for row in rows] == [
        "" if (v := r["air_temperature_c"]) is None else str(v) for r in held
    ]
    assert rows[1]["at_utc"].startswith("2026-03-02 00:10:00")
    assert CliRunner().invoke(main, ["table", str(store), "--by", "reading"]).exit_code == 3


def test_a_folder_without_parcels_is_one_sentence(tmp_path):
    with pytest.raises(ParcelError, match="no parcels here"):
        duckdb_readings(tmp_path)
    assert START_MS % DAY_MS == 0


@pytest.mark.campaign  # 490 MB of PySpark and a Java machine, and a minute: more than every run should carry
@pytest.mark.filterwarnings("ignore")
def test_a_distributed_engine_gives_identical_rows(store):
    """A cluster of two workers, each a process of its own, on this machine."""
    pyspark = pytest.importorskip(
        "pyspark.sql", reason="PySpark, the distributed engine of this test, is not installed"
    )
    import ibis

    cluster = pyspark.SparkSession.builder.master("local-cluster[2,1,1024]").config("spark.ui.enabled", "false")
    cluster = cluster.config("spark.sql.shuffle.partitions", "4").config("spark.executor.memory", "1g")
    session = cluster.config("spark.driver.host", "127.0.0.1").getOrCreate()
    session.sparkContext.setLogLevel("ERROR")
    try:
        session.conf.set("spark.sql.session.timeZone", "UTC")
        pattern = "plan=*/chamber=*/run=*/day=*/readings.parquet"
        session.read.option("basePath", str(store)).parquet(f"{store}/{pattern}").createOrReplaceTempView("readings")
        engine = ibis.pyspark.connect(session)
        for span in ("day", "hour"):
            there = climate(engine.table("readings"), span).to_pyarrow().to_pylist()
            assert there == climate(duckdb_readings(store), span).to_pyarrow().to_pylist()
        assert session.sparkContext._jsc.sc().getExecutorMemoryStatus().size() == 3  # the driver and its workers
    finally:
        session.stop()
