"""Sealing, a year to CSV, bytes a reading, and a question over many chambers, with ratios in one run.

``python -m tests.benchmarks.parcels_scale [DAYS CHAMBERS]``: one chamber for DAYS (365) at 10 s, CHAMBERS (200) for 30
days at 60 s. Each measurement runs in a process of its own, whose largest memory is told.
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
    begin_s = time.perf_counter()
    answer = work(*arguments)
    spent_s = time.perf_counter() - begin_s
    return spent_s, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, answer


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


def told(what, spent_s, memory_mib, more=""):
    print(f"{what:44} {spent_s:8.2f} s {memory_mib:7.0f} MiB  {more}", flush=True)


def main(days, chambers):
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        filled(folder / "run", days).close()
        journal = folder / "run/journal.sqlite"
        readings = days * DAY_MS // EVERY_MS
        print(f"one chamber, {days} days at 10 s: {readings} readings")
        seconds, memory, (parcel_bytes, sealed) = measured(seal_all, journal)
        told("sealing every day", seconds, memory, f"{seconds / sealed:.3f} s a day")
        told("verifying the chain", *measured(verify_all, folder / "run/parcels")[:2])
        duck = measured(duckdb_copy, folder / "run/parcels", folder / "duck.csv")
        told("DuckDB COPY of the parcels to CSV", *duck[:2])
        line = duck
        if shutil.which("sqlite3"):
            line = measured(sqlite_csv, journal, folder / "line.csv")
            told("sqlite3 command line to CSV", line[0], 0.0)
        ours = measured(export_all, journal, folder / "tables")
        told("wardian export, every reading", *ours[:2], f"{ours[0] / min(duck[0], line[0]):.2f} x the faster of both")
        place = folder / "laid/plan=5c/chamber=skerry-light/run=a"
        place.mkdir(parents=True)
        for each in (folder / "run/parcels").glob("[0-9]*"):
            each.rename(place / f"day={each.name}")
        table = measured(table_csv, folder / "laid", folder / "table.csv")
        told("wardian table --by reading", *table[:2], f"{table[0] / min(duck[0], line[0]):.2f} x the faster of both")
        sizes = (journal.stat().st_size, parcel_bytes, line[2])
        for what, size in zip(("journal", "parcels", "plain CSV"), sizes, strict=True):
            print(f"bytes a reading, {what:12} {size / readings:8.1f}   {size / line[2]:.2f} x plain CSV")
        shutil.rmtree(folder / "run")
        readings = make_store(folder / "store", chambers, 30, 60_000)
        seconds, memory, rows = measured(ask, folder / "store")
        print(f"{chambers} chambers, 30 days at 60 s: {readings} readings")
        told("each chamber's days, one question", seconds, memory, f"{rows} rows")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:3]) if len(sys.argv) > 2 else (365, 200))
