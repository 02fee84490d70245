"""A wall clock that steps by seconds to years, on ordinary days, leap days and the days on which clocks change.

Each case is a whole rehearsal of four fixed waterings a day, disturbed by steps of an untrusted clock that network
time then sets right, or by a week without network time. It is held against the same days undisturbed.
"""

import heapq
import itertools
import random
import tempfile
from dataclasses import replace
from datetime import UTC, datetime, time
from pathlib import Path
from typing import NamedTuple

from controller import plan as p
from controller.control import model as m
from controller.plan import Settings
from controller.records.journal import Journal
from controller.records.timeline import Timeline
from controller.rehearse import Rehearsal
from tests import examples
from tests.campaigns.rows import Row

S, H, DAY = 1_000, 3_600_000, 86_400_000
SIZES_MS = (2 * S, 90 * S, H, 25 * H, 40 * DAY, 366 * DAY, 20 * 366 * DAY)
TIMES = [time(1, 30), time(10), time(15), time(20)]
CHAMBER = replace(examples.CHAMBER, site=replace(examples.CHAMBER.site, time_zone="Europe/London"))
# The days on which London's clocks changed or will change, and a leap day (IANA time zone database).
STARTS = {
    "an ordinary day": datetime(2026, 3, 2, 8, tzinfo=UTC),
    "clocks go forward": datetime(2026, 3, 28, 8, tzinfo=UTC),
    "clocks go back": datetime(2026, 10, 24, 8, tzinfo=UTC),
    "a leap day": datetime(2028, 2, 28, 8, tzinfo=UTC),
    "the turn of a year": datetime(2026, 12, 30, 8, tzinfo=UTC),
}
Step = tuple[int, int, bool]  # (when on the monotonic clock, by how much, whether network time stands behind it then)


class Ran(NamedTuple):
    """What a run did, on the run clock and on true time."""

    slots: list[int | None]
    doses_h: list[float]  # true hours since the start
    light_h: float
    marked_wrongly: int
    placed_off_ms: int


def settings(clock: str) -> Settings:
    plan = replace(
        examples.DRY_HANDS,
        sample_every_s=60.0,
        first_wetting=replace(
            examples.PLAN.first_wetting, total_ml=10.0, aliquot_ml=10.0, pause_s=10, soak_s=10, drain=False
        ),
        watering=p.Watering(
            dose_ml=3.0, rest_h=1, daily_cap_ml=50.0, total_cap_ml=500.0, moisture=None, fallback=None,
            fixed=p.FixedTimes(times=TIMES, clock=clock),
        ),
        photoperiod=replace(examples.PLAN.photoperiod, ramp_min=0, clock=clock),
    )  # fmt: skip
    return p.Settings(plan=plan, chamber=CHAMBER, plan_sha256="0" * 64)


def ran(clock: str, start: datetime, days: float, steps: list[Step]) -> Ran:
    chosen = settings(clock)
    with tempfile.TemporaryDirectory() as folder:
        rehearsal = Rehearsal(chosen, Path(folder), 1, [], start)
        chamber = rehearsal.chamber
        for order, (at_ms, by_ms, trusted) in enumerate(steps):
            change = (at_ms, order, lambda by_ms=by_ms, trusted=trusted: chamber.step_wall_clock(by_ms, trusted))
            heapq.heappush(rehearsal._later, change)
        rehearsal.run(days)
        journal = Journal.open(Path(folder) / "journal.sqlite")
        doses = [each for each in journal.records(m.DoseIntended) if each.purpose != m.FIRST_WETTING]
        readings = list(journal.records(m.ReadingRecord))
        timeline = Timeline(journal)
        start_ms = round(start.timestamp() * 1000)
        off_ms = [abs(timeline.place(r.at).utc_ms - start_ms - r.at.monotonic_ms) for r in readings]
        journal.close()
    wrong = sum(r.at.utc_trusted and r.at.utc_ms - start_ms != r.at.monotonic_ms for r in readings)
    lit = sum(reading.lamp_duty_fraction > 0 for reading in readings)
    return Ran([d.slot for d in doses], [d.at.monotonic_ms / H for d in doses], lit / 60, wrong, max(off_ms))


def difference(disturbed: Ran, quiet: Ran) -> str:
    """In what a disturbed run differs from a quiet one, or nothing."""
    if disturbed.slots != quiet.slots:
        return f"doses of slots {disturbed.slots}, not {quiet.slots}"
    apart_h = max((abs(a - b) for a, b in zip(disturbed.doses_h, quiet.doses_h, strict=True)), default=0.0)
    if apart_h > 2 / 60:
        return f"a dose {apart_h:.2f} h away"
    if abs(disturbed.light_h - quiet.light_h) > 0.1:
        return f"{disturbed.light_h:.1f} h of light, not {quiet.light_h:.1f}"
    if disturbed.marked_wrongly:
        return f"{disturbed.marked_wrongly} rows trusted a wrong time"
    return f"rows placed {disturbed.placed_off_ms} ms off" if disturbed.placed_off_ms > 1500 else ""


def stepped(size_ms: int, sign: int, chance: random.Random) -> list[Step]:
    """Wrong for some hours, then set right by network time."""
    at_ms = chance.randrange(2 * H, 40 * H)
    return [(at_ms, sign * size_ms, False), (at_ms + chance.randrange(H, 20 * H), -sign * size_ms, True)]


def campaign(scale: float = 1.0) -> list[Row]:
    chance = random.Random(4)
    cases = list(itertools.product(STARTS, ("utc", "local"), SIZES_MS, (-1, 1)))
    cases = cases if scale >= 1.0 else chance.sample(cases, max(2, round(len(cases) * scale)))
    quiet = {(start, clock): ran(clock, STARTS[start], 3.0, []) for start, clock, _, _ in cases}
    found = []
    for start, clock, size_ms, sign in cases:
        steps = stepped(size_ms, sign, chance)
        wrong = difference(ran(clock, STARTS[start], 3.0, steps), quiet[start, clock])
        found += [f"{start}, {clock}, {sign * size_ms} ms at {steps[0][0]}: {wrong}"] if wrong else []
    rows = [Row("steps of the wall clock, seconds to 20 years", len(cases), len(cases) - len(found),
                "; ".join(found[:2]) or "no dose repeated, skipped or moved; no light lost")]  # fmt: skip
    if scale < 1.0:
        return rows
    found = []
    for name, start in STARTS.items():
        whole = ran("utc", start, 9.0, [])
        wrong = difference(ran("utc", start, 9.0, [(5 * H, -3 * DAY, False), (173 * H, 3 * DAY, True)]), whole)
        found += [f"{name}: {wrong}"] if wrong else []
    rows.append(Row("a week without network time, three days wrong", len(STARTS), len(STARTS) - len(found),
                    "; ".join(found[:2]) or "every row is placed afterwards"))  # fmt: skip
    return rows
