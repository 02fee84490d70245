"""Bytes a day that a run's journal sends to the disk: ``python -m tests.benchmarks.flash_wear [DIR]``.

A day of readings at 10 s in batches of a minute as ``wardian run`` writes them, and a dose each three hours with its
two records. Counted by the kernel (``write_bytes`` in /proc/self/io) with a sync at the end, DIR on a real disk.
"""

import os
import sys
import tempfile
from pathlib import Path

from controller.control import model as m
from controller.records.journal import Journal
from controller.run import READINGS_WAIT_S
from controller.settings import example_path, read_settings
from tests.benchmarks.journal_rows import reading

SAMPLE_EVERY_S = 10
READINGS = 86_400 // SAMPLE_EVERY_S
READINGS_BETWEEN_DOSES = 3 * 3600 // SAMPLE_EVERY_S


def written_bytes():
    os.sync()
    line = next(line for line in Path("/proc/self/io").read_text().splitlines() if line.startswith("write_bytes"))
    return int(line.split()[1])


def dose_records(at, dose_id):
    intended = m.DoseIntended(at, dose_id, "watering", 12.0, 2400, 200, 0.005, 0.00004, at.monotonic_ms)
    closed = m.DoseClosed(at, dose_id, 2400, 2400, "complete", 12.0, 0.1, 12.0, at.monotonic_ms)
    return intended, closed


def main():
    settings = read_settings(example_path("skerry-light.plan.toml"), example_path("skerry-light.chamber.toml"))
    with tempfile.TemporaryDirectory(dir=sys.argv[1] if len(sys.argv) > 1 else None) as name:
        journal = Journal.create(Path(name) / "journal.sqlite", "benchmark", settings, "0", simulated=True)
        journal.readings_per_batch = round(READINGS_WAIT_S / SAMPLE_EVERY_S)
        began_bytes = written_bytes()
        for number in range(READINGS):
            row = reading(number)
            journal.append(row)
            if number % READINGS_BETWEEN_DOSES == 0:
                for record in dose_records(row.at, number + 1):
                    journal.append(record)
        journal.flush()
        journal.close()
        size = (Path(name) / "journal.sqlite").stat().st_size
        print(f"written to the disk in a day: {(written_bytes() - began_bytes) / 1e6:.1f} MB")
        print(f"the journal grew to {size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
