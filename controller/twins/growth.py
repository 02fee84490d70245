"""Growth of the plants: a curve for each, and whether two twins' plants ended alike, plant by plant.

Looks at one plant are not independent of each other, so between twins whole plants are compared, never single looks.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from controller.science.agreement import welch
from controller.science.emergence import detectable_difference
from controller.science.growth import GrowthCurve, fit_growth
from controller.science.ranges import FloatArray
from controller.science.rearranged import Largest, largest_rearranged
from controller.twins.gathering import Look, Twin
from controller.twins.seeds import Seed

LEAST_PLANTS = 6  # of two twins together; fewer can show nothing by rearrangement
MEASURES = ("height", "leaves")


@dataclass(frozen=True)
class PlantGrowth:
    """The curve of one plant, or why there is none."""

    twin: str
    position: int
    species: str
    what: str
    curve: GrowthCurve | None
    why_not: str


@dataclass(frozen=True)
class Grown:
    """What a plant came to: its final height by its curve, its leaves at one age of all plants, and a look later."""

    twin: str
    position: int
    species: str
    height_mm: float | None
    leaf_number: float | None
    leaf_number_later: float | None

    def logs(self) -> list[float]:
        """Logarithm of each of MEASURES, NaN where it is not known: differences are told in proportion."""
        return [math.log(v) if v is not None and v > 0.0 else math.nan for v in (self.height_mm, self.leaf_number)]


@dataclass(frozen=True)
class GrowthTest:
    """One measure of the plants of one species at two twins; ``p`` is Welch's, of this question alone."""

    species: str
    measure: str
    count_first: int
    count_second: int
    mean_first: float
    mean_second: float
    p: float
    detectable: float


@dataclass(frozen=True, eq=False)
class GrowthComparison:
    """``together`` judges the measures that both twins know, in the order of ``measures``; ratios: second to first."""

    tests: list[GrowthTest]
    measures: list[str]
    together: Largest | None
    ratios: dict[str, float]


def curves_of(twin: Twin) -> list[PlantGrowth]:
    """Logistic curves of height and leaf number, plant by plant (Gompertz where it fits better)."""
    found = []
    for position in twin.settings.plan.positions:
        looks = _looks_at(twin, position.number)
        for what, values in (("height_mm", _heights(looks)), ("leaves", _leaves(looks))):
            curve, why_not = None, ""
            try:
                curve = _better_curve([hour_h / 24.0 for hour_h, _ in values], [value for _, value in values])
            except ValueError as error:
                why_not = "too few looks, or no growth" if len(values) < 5 else str(error)
            found.append(PlantGrowth(twin.name, position.number, position.species, what, curve, why_not))
    return found


def _heights(looks: list[Look]) -> list[tuple[float, float]]:
    return [(look.hour_h, float(look.height_mm)) for look in looks if look.height_mm is not None]


def _leaves(looks: list[Look]) -> list[tuple[float, float]]:
    return [(look.hour_h, float(look.leaves)) for look in looks if look.leaves is not None]


def _better_curve(days: list[float], values: list[float]) -> GrowthCurve:
    curve = fit_growth(days, values, "logistic")
    try:
        other = fit_growth(days, values, "gompertz")
    except ValueError:
        return curve
    return other if other.aic < curve.aic - 2.0 else curve


def grown_of(twins: list[Twin], curves: list[PlantGrowth], seeds: dict[str, list[Seed]]) -> list[Grown]:
    """What each plant came to, the leaves counted at one age of all plants, from half way between the looks around its
    emergence on: on a common day, late seed would be told a second time as few leaves.
    """
    ages = {
        (name, seed.position): _last_day(twin, seed.position) - (seed.before_h + seed.by_h) / 48.0
        for twin in twins
        for name in [twin.name]
        for seed in seeds[name]
        if seed.by_h is not None
    }
    known = [[age for (name, _), age in ages.items() if name == twin.name] for twin in twins]
    age_days = min(float(np.median(each)) for each in known) - 1.0 if all(known) else 0.0
    by = {(each.twin, each.position, each.what): each.curve for each in curves}
    found = []
    for twin in twins:
        for position in twin.settings.plan.positions:
            here = twin.name, position.number
            height = by.get((*here, "height_mm"))
            leaf_number = later = None
            if 0.0 < age_days <= ages.get(here, 0.0):
                day = _last_day(twin, position.number) - ages[here] + age_days
                counts = _leaves(_looks_at(twin, position.number))
                so_far = sum(hour_h <= day * 24.0 for hour_h, _ in counts)
                if so_far:
                    leaf_number, later = counts[so_far - 1][1], counts[min(so_far, len(counts) - 1)][1]
            final = None if height is None else height.final
            found.append(Grown(twin.name, position.number, position.species, final, leaf_number, later))
    return found


def _last_day(twin: Twin, position: int) -> float:
    return max((look.hour_h for look in _looks_at(twin, position)), default=0.0) / 24.0


def _looks_at(twin: Twin, position: int) -> list[Look]:
    return [look for look in twin.looks if look.position == position]


def compare_growth(first: str, second: str, grown: list[Grown]) -> GrowthComparison:
    """Final heights and leaf numbers of two twins, over all species that stand at both."""
    stand = [{each.species for each in grown if each.twin == name} for name in (first, second)]
    kinds = [kind for kind in dict.fromkeys(each.species for each in grown) if all(kind in here for here in stand)]
    mine = [each for each in grown if each.twin in (first, second) and each.species in kinds]
    logs = np.array([each.logs() for each in mine]).reshape(len(mine), len(MEASURES)).T
    marks = np.array([each.twin == second for each in mine], dtype=np.bool_)
    species = np.array([each.species for each in mine])
    tests, ratios, wanted = [], {}, []
    for place, measure in enumerate(MEASURES):
        known = ~np.isnan(logs[place]) if len(mine) else np.zeros(0, dtype=np.bool_)
        means = []
        for kind in kinds:
            here, there = (logs[place][known & (species == kind) & (marks == mark)] for mark in (False, True))
            if len(here) and len(there):
                means.append(float(np.mean(there) - np.mean(here)))
            tests += _test(kind, measure, np.exp(here), np.exp(there))
        if means and known.sum() >= LEAST_PLANTS:
            ratios[measure] = math.exp(float(np.mean(means)))
            wanted.append(place)
    scores = logs.copy()
    if len(mine):
        scores[MEASURES.index("leaves")] = _beyond_looks(mine, marks, species)
    together = largest_rearranged(scores[wanted], marks, species) if wanted else None
    return GrowthComparison(tests, [MEASURES[place] for place in wanted], together, ratios)


def _beyond_looks(mine: list[Grown], marks: NDArray[np.bool_], species: NDArray[Any]) -> FloatArray:
    """Leaf numbers for the test: where a species has fewer in one twin, these are counted one look later.

    Emergence is known only to a look, so the plants of one twin may all be so much younger than they seem; what is left
    of a difference then is no matter of the looks' hours. NaN where nothing is left.
    """
    numbers, later = (
        np.array([math.nan if (v := getattr(each, name)) is None else v for each in mine], dtype=np.float64)
        for name in ("leaf_number", "leaf_number_later")
    )
    for kind in np.unique(species):
        here, there = ((species == kind) & (marks == mark) & ~np.isnan(numbers) for mark in (False, True))
        if not here.any() or not there.any():
            continue
        fewer, more = (there, here) if numbers[there].mean() < numbers[here].mean() else (here, there)
        numbers[fewer] = later[fewer]
        if numbers[fewer].mean() >= numbers[more].mean():
            numbers[fewer | more] = math.nan
    return numbers


def _test(kind: str, measure: str, a: FloatArray, b: FloatArray) -> list[GrowthTest]:
    if min(len(a), len(b)) < 3 or np.ptp(a) + np.ptp(b) == 0.0:
        return []
    sd = math.sqrt((np.var(a, ddof=1) + np.var(b, ddof=1)) / 2.0)
    least = detectable_difference(sd, len(a), len(b))
    return [GrowthTest(kind, measure, len(a), len(b), float(np.mean(a)), float(np.mean(b)), welch(b, a).p, least)]
