"""Questions over the parcels of many chambers, asked once and answered by any engine that Ibis speaks to.

Values are summed as whole thousandths (int64), so that the order of adding, which differs from engine to engine and
from machine to machine, cannot change an answer: DuckDB on a laptop and a cluster give the same rows.
"""

from pathlib import Path
from typing import Any

import ibis
from ibis import _

from controller.errors import ParcelError

MEMORY = "512MB"
CHANNELS = (
    ("air_temperature_c", "air_quality"),
    ("relative_humidity_pct", "humidity_quality"),
)
SPANS_MS = {"day": 86_400_000, "hour": 3_600_000}
PATTERN = "plan=*/chamber=*/run=*/day=*/readings.parquet"


def duckdb_readings(store: Path) -> Any:
    """The readings of all parcels in a folder, through DuckDB with bounded memory."""
    if next(store.glob(PATTERN), None) is None:
        raise ParcelError(f"{store}: there are no parcels here as a stick or a collector lays them out.")
    engine = ibis.duckdb.connect()
    engine.raw_sql(f"SET memory_limit = '{MEMORY}'")
    return engine.read_parquet(str(store / PATTERN), hive_partitioning=True, hive_types_autocast=False)


def every_reading(readings: Any, plan_sha256: str | None = None) -> Any:
    """Each reading as it was sealed, with its chamber and its moment in UTC, in the order of the files."""
    if plan_sha256:
        readings = readings.filter(_.plan.startswith(plan_sha256[:16]))
    values = [name for name in readings.columns if name.endswith(("_c", "_pct", "_counts", "_fraction", "_quality"))]
    moment = _.utc_ms.as_timestamp("ms").name("at_utc")
    return readings.select("plan", "chamber", "run", moment, "utc_known", *values)


def climate(readings: Any, span: str, plan_sha256: str | None = None) -> Any:
    """Count, mean, lowest and highest good value of each chamber and UTC day or hour.

    Only readings whose time is known count. ``plan_sha256`` may be the beginning of a digest.
    """
    known = readings.filter(_.utc_known)
    if plan_sha256:
        known = known.filter(_.plan.cast("string").startswith(plan_sha256[:16]))
    known = known.mutate(
        plan=_.plan.cast("string"),
        chamber=_.chamber.cast("string"),
        span=(_.utc_ms / SPANS_MS[span]).floor().cast("int64"),
    )
    gathered = {"readings": _.count()}
    for name, quality in CHANNELS:
        good = ibis.cases((_[quality] == "good", thousandths(_[name])), else_=None)
        gathered |= {f"{name}_good": good.count(), f"{name}_sum": good.sum()}
        gathered |= {f"{name}_min": good.min(), f"{name}_max": good.max()}
    grouped = known.group_by("plan", "chamber", "span").aggregate(**gathered)
    columns = {"plan": _.plan, "chamber": _.chamber, "from_utc_ms": _.span * SPANS_MS[span], "readings": _.readings}
    for name, _quality in CHANNELS:
        plain, unit = name.rsplit("_", 1)
        columns |= {
            f"{plain}_min_{unit}": _[f"{name}_min"] / 1000,
            f"{plain}_mean_{unit}": _[f"{name}_sum"] / _[f"{name}_good"] / 1000,
            f"{plain}_max_{unit}": _[f"{name}_max"] / 1000,
        }
    return grouped.select(**columns).order_by("plan", "chamber", "from_utc_ms")


def thousandths(value: Any) -> Any:
    """A number as whole thousandths, rounded half up by steps that every engine does alike."""
    return (value * 1000.0 + 0.5).floor().cast("int64")
