"""What the plants of two twins did differently, with the tests that suit a handful of seeds, and what they blame.

Two questions are asked of each pair: did the seeds differ (in how many came up, in how late by warmth received, or in
both), and did the plants grow differently? The answers of all pairs are raised together for the number of questions.
"""

import math
from dataclasses import dataclass, field, replace

import numpy as np

from controller.science.between_looks import Shift, logrank_scores, time_shift, vigour_power, vigour_rearranged
from controller.science.emergence import detectable_difference
from controller.science.proportions import fisher_p, fisher_power
from controller.science.ranges import FloatArray
from controller.science.rearranged import Largest, Rearranged, holm, scores_rearranged
from controller.twins.environment import DIFFERENT, Environment
from controller.twins.gathering import Twin
from controller.twins.growth import Grown, GrowthComparison, compare_growth
from controller.twins.seeds import Seed, species_of

# Of the 5 false alarms in 100 comparisons of twins that are alike, the places may have 2 and the plants 3 (a choice).
FALSE_ALARM_FRACTION = 0.03
# How the false alarms that are allowed are shared out: these runs are made to tell place from seed (a choice).
WEIGHTS = {"seed": 0.75, "growth": 0.25}
NO_CAUSE, WARMTH, SEED = "none", "temperature", "seed"
# what the power is told of: seed of which so many emerge where 95 % should, those so much later
GOOD_SHARE_FRACTION, BAD_SHARE_FRACTION, BAD_TIME_RATIO = 0.95, 0.6, 1.25
# Seeds of one lot scatter by a tenth of their time at least: what a few of them show is too small (an assumption).
LEAST_SPREAD_FRACTION = 0.1


@dataclass(frozen=True, eq=False)
class PlantComparison:
    """Two twins' plants. ``p_raised`` are probabilities raised for the number of questions asked (Holm).

    Its keys are "seed" with its parts "count" (how many), "degree_days" (how late by warmth) and "both", and "growth"
    with its parts "height" and "leaves"; a part is never surer than its question.
    """

    first: str
    second: str
    emerged_first: int
    emerged_second: int
    sown_first: int
    sown_second: int
    logrank_days: Rearranged
    logrank_degree_days: Rearranged
    vigour: Largest
    shift_days: Shift | None
    shift_degree_days: Shift | None
    count_p: float
    growth: GrowthComparison
    count_power_fraction: float
    vigour_power_fraction: float | None
    detectable_ratio: float | None
    warmth_ratio: float | None
    p_raised: dict[str, float] = field(default_factory=dict)
    cause: str = NO_CAUSE
    notes: list[str] = field(default_factory=list)

    def differs(self, key: str) -> bool:
        return self.p_raised.get(key, 1.0) < FALSE_ALARM_FRACTION


def spans_of(seeds: list[Seed], unit: str) -> tuple[FloatArray, FloatArray]:
    """Last look without and first look with each seedling, in "days" or "degree_days"; never seen: infinite."""
    if unit == "days":
        pairs = [(seed.before_h / 24.0, math.inf if seed.by_h is None else seed.by_h / 24.0) for seed in seeds]
    else:
        pairs = [(s.before_degree_days, math.inf if s.by_degree_days is None else s.by_degree_days) for s in seeds]
    table = np.array(pairs, dtype=np.float64).reshape(-1, 2)
    return table[:, 0], table[:, 1]


def compare_plants(
    first: Twin, second: Twin, seeds_first: list[Seed], seeds_second: list[Seed], grown: list[Grown], pairs: int
) -> PlantComparison:
    """The plants of two twins of so many ``pairs``. Only positions whose species stand at both are compared."""
    shared = set(species_of(seeds_first)) & set(species_of(seeds_second))
    here = [seed for seed in seeds_first if seed.species in shared]
    there = [seed for seed in seeds_second if seed.species in shared]
    seeds = [*here, *there]
    if not seeds:
        raise ValueError(f"{first.name} and {second.name} have no species in common")
    in_second = [False] * len(here) + [True] * len(there)
    kinds = [seed.species for seed in seeds]
    up_here, up_there = (sum(seed.emerged for seed in group) for group in (here, there))
    notes: list[str] = []
    shifts = {unit: _shift(seeds, in_second, unit, notes) for unit in ("days", "degree_days")}
    kept = _usable(seeds)
    marks, species = [in_second[i] for i in kept], [kinds[i] for i in kept]
    spans = {unit: spans_of([seeds[i] for i in kept], unit) for unit in ("days", "degree_days")}
    curves = {
        unit: scores_rearranged(logrank_scores(low, high, species), marks, species)
        for unit, (low, high) in spans.items()
    }
    spread = _spread_fraction(shifts["days"], seeds)
    alpha_fraction = FALSE_ALARM_FRACTION * WEIGHTS["seed"] / pairs
    return PlantComparison(
        first=first.name,
        second=second.name,
        emerged_first=up_here,
        emerged_second=up_there,
        sown_first=len(here),
        sown_second=len(there),
        logrank_days=curves["days"],
        logrank_degree_days=curves["degree_days"],
        vigour=vigour_rearranged(spans["degree_days"][0], spans["degree_days"][1], marks, species),
        shift_days=shifts["days"],
        shift_degree_days=shifts["degree_days"],
        count_p=fisher_p(up_here, len(here), up_there, len(there)),
        growth=compare_growth(first.name, second.name, grown),
        count_power_fraction=fisher_power(GOOD_SHARE_FRACTION, len(here), BAD_SHARE_FRACTION, len(there)),
        vigour_power_fraction=None
        if spread is None
        else vigour_power(
            GOOD_SHARE_FRACTION, len(here), BAD_SHARE_FRACTION, len(there), BAD_TIME_RATIO, spread, alpha_fraction
        ),
        detectable_ratio=None
        if spread is None or not up_here or not up_there
        else math.exp(detectable_difference(spread, up_here, up_there, alpha_fraction)),
        warmth_ratio=_warmth_ratio(first, second, here),
        notes=list(dict.fromkeys(notes)),  # once, though days and degree-days may stumble alike
    )


def judged(plants: list[PlantComparison], environments: list[Environment]) -> list[PlantComparison]:
    """The same pairs, their probabilities raised together, and what a difference of emergence is put down to."""
    asked: dict[tuple[int, str], float] = {}
    for place, each in enumerate(plants):
        asked[place, "seed"] = each.vigour.p
        if each.growth.together is not None:
            asked[place, "growth"] = each.growth.together.p
    weights = [WEIGHTS[question] for _, question in asked]
    raised = dict(zip(asked, holm(list(asked.values()), weights).tolist(), strict=True))
    found = []
    for place, (each, environment) in enumerate(zip(plants, environments, strict=True)):
        told = _parts("seed", raised[place, "seed"], each.vigour, ["count", "degree_days", "both"])
        if each.growth.together is not None:
            told |= _parts("growth", raised[place, "growth"], each.growth.together, each.growth.measures)
        found.append(replace(each, p_raised=told, cause=_cause(told, environment)))
    return found


def _parts(question: str, raised: float, largest: Largest, names: list[str]) -> dict[str, float]:
    times = raised / largest.p
    return {question: raised} | {name: min(1.0, p * times) for name, p in zip(names, largest.p_each, strict=True)}


def _usable(seeds: list[Seed]) -> list[int]:
    """Places of the seeds whose moment can be told in warmth, and that were not up at the very first look."""
    low, high = spans_of(seeds, "degree_days")
    return np.flatnonzero(np.isfinite(low) & (high > low)).tolist()


def _shift(seeds: list[Seed], in_second: list[bool], unit: str, notes: list[str]) -> Shift | None:
    up = [place for place, seed in enumerate(seeds) if seed.emerged]
    low, high = (each[up] for each in spans_of(seeds, unit))
    if not (np.isfinite(low + high) & (high > low)).all():
        notes.append("Some seedlings were seen at the very first look, or without a known temperature.")
        return None
    try:
        return time_shift(low, high, [in_second[i] for i in up], [seeds[i].species for i in up])
    except ValueError:
        notes.append("Fewer than three seedlings emerged at one of the twins.")
        return None


def _spread_fraction(shift: Shift | None, seeds: list[Seed]) -> float | None:
    """Seeds scatter, and looks are some hours apart: both blur the moment of emergence."""
    up = [(seed.before_h, seed.by_h) for seed in seeds if seed.by_h is not None]
    if shift is None or not up:
        return None
    apart = float(np.mean([(by - before) / ((by + before) / 2.0) for before, by in up])) / math.sqrt(12.0)
    return math.hypot(max(shift.spread_fraction, LEAST_SPREAD_FRACTION), apart)


def _warmth_ratio(first: Twin, second: Twin, seeds: list[Seed]) -> float | None:
    """How much longer the second twin's air needs for the degree-days in which half of the first's seeds emerged."""
    needs = sorted(
        (seed.before_degree_days + seed.by_degree_days) / 2.0 for seed in seeds if seed.by_degree_days is not None
    )
    if not needs:
        return None
    base_c = first.settings.plan.climate.degree_day_base_c
    here_h, there_h = (twin.hours.reached_at_h(float(np.median(needs)), base_c) for twin in (first, second))
    return there_h / here_h if here_h > 0.0 and math.isfinite(there_h) else None


def _cause(raised: dict[str, float], environment: Environment) -> str:
    """What the records put a difference of emergence down to."""
    if raised["seed"] < FALSE_ALARM_FRACTION:
        return SEED
    temperature = environment.of("air_temperature_c")
    return WARMTH if temperature is not None and temperature.verdict == DIFFERENT else NO_CAUSE
