"""Simulated truth: is the report's verdict on pairs of twins right as often as it says?

python -m tests.campaigns.twins [scale]
"""

import math
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from itertools import repeat
from pathlib import Path

from controller.twins.comparing import Comparison, compare
from controller.twins.environment import DIFFERENT
from controller.twins.gathering import Twin, twin_of
from controller.twins.plants import FALSE_ALARM_FRACTION, SEED, WARMTH
from tests.campaigns.rows import Row
from tests.made_runs import HOUR_MS, START_MS, Truth, make_run, settings_of

PAIRS = 500
WORKERS = 2
LATER_MS = 53 * HOUR_MS  # the second twin begins two days and some hours later
COOLER = "a twin 2 C cooler"
SLOW_SEEDS = "its slow emergence put down to temperature"
BY_MOISTURE = "alike, watered by moisture"
SCENARIOS = {
    "twins that are alike": Truth(),
    COOLER: Truth(cooler_c=2.0),
    "a twin given 10 % less water": Truth(water_share=0.9),
    "a twin with a dark week": Truth(dark_days=(7, 14)),
    "a twin with bad seed": Truth(viable_share=0.6, slower=1.25),
    # each chamber's probe is a little off, so the medium is truly held wetter in one: that must be told as water
    BY_MOISTURE: Truth(),
}


@dataclass(frozen=True)
class Verdict:
    """What the report claims of one pair."""

    unlike: frozenset[str]  # channels, "water", "count", "degree_days", "height ..." called different
    dark_span: bool
    cause: str


def verdict_on(comparison: Comparison) -> Verdict:
    (environment,), (plants,) = comparison.environments, comparison.plants
    unlike = {each.channel.key for each in environment.channels if each.verdict == DIFFERENT}
    if environment.water.verdict == DIFFERENT:
        unlike.add("water")
    unlike |= {f"plants: {key}" for key, p in plants.p_raised.items() if p < FALSE_ALARM_FRACTION}
    dark = any(
        each.what == "light_h" and each.twin == environment.second and "too short" in each.words
        and abs(each.from_h - 168.0) <= 24.0 and abs(each.to_h - 336.0) <= 24.0
        for each in comparison.deviations
    )  # fmt: skip
    return Verdict(frozenset(unlike), dark, plants.cause)


def made_twin(folder: Path, site: int, seed: int, truth: Truth, *, fixed: bool = False, later_ms: int = 0) -> Twin:
    settings = settings_of(site, fixed)
    journal = make_run(folder, settings, seed, truth, START_MS + later_ms)
    try:
        return twin_of(journal, settings, folder)
    finally:
        journal.close()


def pair(kind: str, number: int) -> Verdict:
    """The verdict on the pair of this number; the number is all its chance."""
    truth = SCENARIOS[kind]
    fixed = kind != BY_MOISTURE  # water by moisture would make up for what is missing
    with tempfile.TemporaryDirectory() as folder:
        first = made_twin(Path(folder) / "a", 0, 2 * number + 1, Truth(), fixed=fixed)
        second = made_twin(Path(folder) / "b", 1, 2 * number + 2, truth, fixed=fixed, later_ms=LATER_MS)
        return verdict_on(compare([first, second], []))


EXPECTED = {
    "twins that are alike": frozenset[str](),
    COOLER: frozenset({"air_temperature_c", "degree_days", "vapour_pressure_deficit_kpa"}),
    BY_MOISTURE: frozenset({"water", "water_content_fraction", "relative_humidity_pct"}),
    # a drier bed gives less vapour to the air, and a dark lamp leaves the air moister: true consequences
    "a twin given 10 % less water": frozenset(
        {"water", "water_content_fraction", "relative_humidity_pct", "vapour_pressure_deficit_kpa"}
    ),
    "a twin with a dark week": frozenset(
        {
            "light_h",
            "daily_light_integral_mol_m2",
            "air_temperature_c",
            "degree_days",
            "relative_humidity_pct",
            "vapour_pressure_deficit_kpa",
        }
    ),
    "a twin with bad seed": frozenset({"plants: seed", "plants: count", "plants: degree_days", "plants: both"}),
}


def is_found(kind: str, verdict: Verdict) -> bool:
    """Whether the truth of this kind was told; of alike twins, that nothing was."""
    return {
        "twins that are alike": not verdict.unlike and verdict.cause != SEED,
        COOLER: "air_temperature_c" in verdict.unlike,
        "a twin given 10 % less water": "water" in verdict.unlike,
        "a twin with a dark week": verdict.dark_span,
        "a twin with bad seed": verdict.cause == SEED,
        BY_MOISTURE: verdict.unlike <= EXPECTED[BY_MOISTURE] and verdict.cause != SEED,
    }[kind]


@dataclass
class Tally:
    """The verdicts on all pairs of one kind."""

    tried: int = 0
    found: int = 0
    false_alarms: int = 0
    claims: Counter[str] = field(default_factory=Counter)
    causes: Counter[str] = field(default_factory=Counter)
    missed: list[int] = field(default_factory=list)

    def take(self, kind: str, number: int, verdict: Verdict) -> None:
        self.tried += 1
        found = is_found(kind, verdict)
        self.found += found
        wrong = verdict.unlike - EXPECTED[kind]
        blamed = verdict.cause == SEED and "seed" not in kind
        self.false_alarms += bool(wrong) or blamed
        self.claims.update(verdict.unlike)
        self.causes[verdict.cause] += 1
        if not found or wrong or blamed:
            self.missed.append(number)


def tally(kind: str, pairs: int, start: int = 0) -> Tally:
    answer = Tally()
    for number in range(start, start + pairs):
        answer.take(kind, number, pair(kind, number))
    return answer


def campaign(scale: float = 1.0) -> list[Row]:
    """One row for each kind of truth: how many pairs were judged rightly, and what was claimed of them."""
    pairs = max(1, math.ceil(PAIRS * scale))
    rows = []
    for kind in SCENARIOS:
        seen = Tally()
        with ProcessPoolExecutor(max_workers=WORKERS) as pool:
            for number, verdict in enumerate(pool.map(pair, repeat(kind), range(pairs), chunksize=10)):
                seen.take(kind, number, verdict)
        others = ", ".join(f"{name} {count}" for name, count in sorted(seen.claims.items()))
        words = f"wrong claims in {seen.false_alarms}; claimed: {others or 'nothing'}; causes: {dict(seen.causes)}"
        if seen.missed:
            words += f"; first pair to look at: {seen.missed[0]}"
        rows.append(Row(kind, seen.tried, seen.found, words))
        if kind == COOLER:
            blamed = f"put down to the seed: {seen.causes[SEED]} of {seen.tried}"
            rows.append(Row(SLOW_SEEDS, seen.found, seen.causes[WARMTH], blamed))
    return rows


def main() -> None:
    began = time.perf_counter()
    for row in campaign(float(sys.argv[1]) if len(sys.argv) > 1 else 1.0):
        right = f"right {row.survived:>4} of {row.tried:<4} ({row.survived / row.tried:.1%})"
        print(f"{row.kind:<42} {right}  {row.worst_case}")
    print(f"{time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()
