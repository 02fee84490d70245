"""How long the whole report takes: four twins, sixty days at ten seconds, page and tables.

python -m tests.benchmarks.comparison_speed
"""

import tempfile
import time
from pathlib import Path

from controller.records.journal import Journal
from controller.settings import settings_from_text
from controller.twins.comparing import compare
from controller.twins.numbers import write_numbers
from controller.twins.plans import refuse_unlike
from controller.twins.report import write_report
from controller.twins.sources import gather_all
from tests import made_runs

TWINS, DAYS, EVERY_S = 4, 60, 10


def filled(folder: Path, site: int, seed: int) -> None:
    """A made run whose readings are multiplied up to one every ten seconds."""
    chamber_text = made_runs.settings_of(site, True).chamber_text
    text = made_runs.plan_text(True, DAYS).replace("sample_every_s = 600 ", f"sample_every_s = {EVERY_S} ")
    settings = settings_from_text(text, chamber_text)
    journal: Journal = made_runs.make_run(folder, settings, seed)
    columns = [row[1] for row in journal.connection.execute("PRAGMA table_info(readings)")][1:]
    moved = {"at_utc_ms", "monotonic_ms", "run_ms"}
    values = ", ".join(f"{name} + step * {EVERY_S * 1000}" if name in moved else name for name in columns)
    journal.connection.execute(
        f"CREATE TEMP TABLE dense AS WITH RECURSIVE steps(step) AS (SELECT 0 UNION ALL SELECT step + 1 FROM steps "
        f"WHERE step < {made_runs.STEP_S // EVERY_S - 1}) SELECT {values} "
        "FROM readings, steps ORDER BY readings.row_id, step"
    )
    journal.connection.execute("DROP TRIGGER readings_no_delete")
    journal.connection.execute("DELETE FROM readings")
    names = ", ".join(columns)
    journal.connection.execute(f"INSERT INTO readings ({names}) SELECT * FROM dense")
    journal.close()


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for number in range(TWINS):
            filled(folder / str(number), number % 2, 100 + number)
        began_s = time.perf_counter()
        twins = gather_all([folder / str(number) for number in range(TWINS)])
        gathered_s = time.perf_counter()
        comparison = compare(twins, refuse_unlike(twins, unlike_wanted=False))
        compared_s = time.perf_counter()
        write_numbers(comparison, folder / "out")
        write_report(comparison, folder / "out" / "report.html")
        ended_s = time.perf_counter()
        readings = sum(twin.survey.readings for twin in twins)
        size_mb = (folder / "out" / "report.html").stat().st_size / 1e6
        print(f"{TWINS} twins, {DAYS} days, {readings:,} readings, page {size_mb:.1f} MB")
        print(f"gather {gathered_s - began_s:.1f} s, compare {compared_s - gathered_s:.1f} s, "
              f"write {ended_s - compared_s:.1f} s, together {ended_s - began_s:.1f} s")  # fmt: skip


if __name__ == "__main__":
    main()
