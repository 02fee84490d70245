"""Sealing, a year to CSV, bytes a reading, and a question over many chambers, with ratios in one run.

``python -m tests.benchmarks.parcels_scale [DAYS CHAMBERS]``: one chamber for DAYS (365) at 10 s, CHAMBERS (200) for 30
days at 60 s. Each measurement runs in a process of its own, whose largest memory is told. Seconds are those of the
clock, then those of the processors: DuckDB uses all cores, the others one. ``wardian export`` derives eleven of its
sixteen columns, so it is set against engines that write the same ones; ``wardian table --by reading`` writes the
columns as they lie, and is set against engines that do so.
"""

import multiprocessing
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import duckdb

from controller.control import model as m
from controller.parcels.chain import verify
from controller.parcels.questions import climate, duckdb_readings, every_reading
from controller.parcels.sealing import seal
from controller.records.export import export
from tests.benchmarks.same_columns import duckdb_same_columns, lines_that_differ, sqlite_same_columns
from tests.journals import DAY_MS, SETTINGS, START_MS, at, hydrate, new_journal
from tests.stores import make_store

EVERY_MS = 10_000
FILL = f"""
WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n WHERE i + 1 < ?)
INSERT INTO readings SELECT i + 1, {START_MS} + i * {EVERY_MS}, i * {EVERY_MS}, 1, 1,
    20 + (i % 8640) / 3000.0 + (abs(random()) % 20) / 100.0, 60 + (abs(random()) % 100) / 10.0,
    1700 + abs(random()) % 20, 2000, 2000, 1000, CASE WHEN i % 8640 < 5760 THEN 0.6 ELSE 0.0 END,
    'good', 'good', 'good', i * {EVERY_MS} FROM n
"""


def filled(folder, days):
    """A journal of so many days at 10 s and the first reading of the next."""
    journal = new_journal(folder)
    journal.append(m.BootRecord(at(0), "0.1.0"))
    hydrate(journal)
    journal.connection.execute(FILL, (days * DAY_MS // EVERY_MS + 1,))
    journal.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return journal


def measured(work, *arguments):
    """(seconds, largest resident MiB, answer) of a function in a fresh process."""
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        return pool.apply(_measure, (work, arguments))


def _measure(work, arguments):
    begin_s, begin_cpu_s = time.perf_counter(), processor_s()
    answer = work(*arguments)
    spent_s = (time.perf_counter() - begin_s, processor_s() - begin_cpu_s)
    return spent_s, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, answer


def processor_s():
    """Seconds that this process and those it waited for have kept the processors busy."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(each.ru_utime + each.ru_stime for each in used)


def seal_all(path):
    from controller.records.journal import Journal

    files = [file for manifest in seal(Journal.open(path), SETTINGS) for file in manifest.files]
    return sum(f.size_bytes for f in files if f.name == "readings.parquet"), len(files) // 5


def export_all(path, folder):
    from controller.records.journal import Journal

    export(Journal.open(path), SETTINGS, folder)
    return (folder / "climate.csv").stat().st_size


def duckdb_copy(parcels, path):
    engine = duckdb.connect()
    engine.execute("SET enable_progress_bar = false")
    engine.execute(f"COPY (SELECT * FROM read_parquet('{parcels}/*/readings.parquet')) TO '{path}' (HEADER)")
    return path.stat().st_size


def table_csv(store, path):
    every_reading(duckdb_readings(store)).to_csv(path)
    return path.stat().st_size


def sqlite_csv(journal, path):
    with path.open("wb") as file:
        subprocess.run(["sqlite3", "-csv", "-header", str(journal), "SELECT * FROM readings"], stdout=file, check=True)
    return path.stat().st_size


def ask(store):
    return climate(duckdb_readings(store), "day").to_pyarrow().num_rows


def verify_all(folder):
    return [chain.fault for chain in verify(folder)]


def told(what, spent_s, memory_mib=None, more=""):
    memory = " " * 11 if memory_mib is None else f"{memory_mib:7.0f} MiB"
    print(f"{what:44} {spent_s[0]:8.2f} s {spent_s[1]:8.2f} s {memory}  {more}", flush=True)


def told_against(what, ours, *theirs):
    """Tell a measurement with its ratios to the fastest of others, by the clock and by the processors."""
    by_clock, by_processor = (ours[0][n] / min(each[0][n] for each in theirs) for n in (0, 1))
    told(what, *ours[:2], f"{by_clock:.2f} x the fastest by the clock, {by_processor:.2f} x by the processors")


def to_csv(folder):
    """A journal and its parcels to CSV in every way; answers the size of a plain CSV file."""
    journal, parcels, line = folder / "run/journal.sqlite", folder / "run/parcels", bool(shutil.which("sqlite3"))
    plain, same = [measured(duckdb_copy, parcels, folder / "duck.csv")], []
    told("DuckDB COPY, columns as they lie", *plain[0][:2])
    if line:
        plain.append(measured(sqlite_csv, journal, folder / "line.csv"))
        told("sqlite3 command line, columns as they lie", plain[1][0])
    same.append(measured(duckdb_same_columns, parcels, folder / "duck_same.csv"))
    told("DuckDB COPY, the columns of the export", *same[0][:2])
    if line:
        same.append(measured(sqlite_same_columns, journal, folder / "line_same.csv"))
        told("sqlite3 command line, the same columns", same[1][0])
    ours = measured(export_all, journal, folder / "tables")
    told_against("wardian export, every reading", ours, *same)
    told_against("  against the columns as they lie", ours, *plain)
    differ = lines_that_differ(folder / "tables/climate.csv", folder / "duck_same.csv")
    print(f"lines of climate.csv that DuckDB writes otherwise: {differ}")
    place = folder / "laid/plan=5c/chamber=skerry-light/run=a"
    place.mkdir(parents=True)
    for each in parcels.glob("[0-9]*"):
        each.rename(place / f"day={each.name}")
    table = measured(table_csv, folder / "laid", folder / "table.csv")
    told_against("wardian table --by reading", table, *plain)
    return plain[-1][2]


def main(days, chambers):
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        filled(folder / "run", days).close()
        journal = folder / "run/journal.sqlite"
        readings = days * DAY_MS // EVERY_MS
        print(f"one chamber, {days} days at 10 s: {readings} readings")
        spent_s, memory, (parcel_bytes, sealed) = measured(seal_all, journal)
        told("sealing every day", spent_s, memory, f"{spent_s[0] / sealed:.3f} s a day")
        told("verifying the chain", *measured(verify_all, folder / "run/parcels")[:2])
        sizes = (journal.stat().st_size, parcel_bytes, to_csv(folder))
        for what, size in zip(("journal", "parcels", "plain CSV"), sizes, strict=True):
            print(f"bytes a reading, {what:12} {size / readings:8.1f}   {size / sizes[2]:.2f} x plain CSV")
        shutil.rmtree(folder / "run")
        readings = make_store(folder / "store", chambers, 30, 60_000)
        spent_s, memory, rows = measured(ask, folder / "store")
        print(f"{chambers} chambers, 30 days at 60 s: {readings} readings")
        told("each chamber's days, one question", spent_s, memory, f"{rows} rows")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:3]) if len(sys.argv) > 2 else (365, 200))
