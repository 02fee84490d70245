"""Durable rows per second: the journal against a bare sqlite3 loop. ``python -m tests.benchmarks.journal_rows [DIR]``.

Both write the same reading columns, six rows a transaction, WAL and synchronous=FULL, in the same folder.
"""

import sqlite3
import sys
import tempfile
import time
from pathlib import Path

from controller.control import model as m
from controller.records.journal import Journal
from controller.settings import example_path, read_settings

ROWS = 30_000
BATCH = 6


def reading(number):
    at = m.Moment(1_772_438_400_000 + number * 10_000, number * 10_000, 1, True)
    return m.ReadingRecord(at, 21.0, 60.0, 1740, 2000, 2000, 1000, 0.6, "good", "good", "good", number * 10_000)


def journal_rows_per_s(folder):
    settings = read_settings(example_path("skerry-light.plan.toml"), example_path("skerry-light.chamber.toml"))
    journal = Journal.create(folder / "journal.sqlite", "benchmark", settings, "0", simulated=True)
    journal.readings_per_batch = BATCH
    rows = [reading(number) for number in range(ROWS)]
    began = time.perf_counter()
    for row in rows:
        journal.append(row)
    journal.flush()
    took = time.perf_counter() - began
    journal.close()
    return ROWS / took


def bare_rows_per_s(folder):
    connection = sqlite3.connect(folder / "bare.sqlite", isolation_level=None)
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute(f"CREATE TABLE readings ({', '.join(f'c{n}' for n in range(15))})")
    insert = f"INSERT INTO readings VALUES ({', '.join('?' * 15)})"
    row = reading(1)
    values = (*row.at, 21.0, 60.0, 1740, 2000, 2000, 1000, 0.6, "good", "good", "good", 10_000)
    began = time.perf_counter()
    for _ in range(ROWS // BATCH):
        connection.execute("BEGIN IMMEDIATE")
        connection.executemany(insert, [values] * BATCH)
        connection.execute("COMMIT")
    took = time.perf_counter() - began
    connection.close()
    return ROWS / took


def main():
    parent = sys.argv[1] if len(sys.argv) > 1 else None
    with tempfile.TemporaryDirectory(dir=parent) as name:
        folder = Path(name)
        pairs = []
        for turn in range(3):
            inner = folder / str(turn)
            inner.mkdir()
            pairs.append((journal_rows_per_s(inner), bare_rows_per_s(inner)))
    for ours, bare in pairs:
        print(f"journal {ours:,.0f} rows/s, bare sqlite3 loop {bare:,.0f} rows/s, ratio {ours / bare:.2f}")


if __name__ == "__main__":
    main()
