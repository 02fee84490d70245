"""What the plants did differently: emergence, heights and leaves, with the tests that suit a handful of seeds."""

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from controller.science import germination as g
from controller.science.agreement import welch
from controller.science.emergence import (
    Rearranged,
    Shift,
    Survival,
    detectable_difference,
    holm,
    logrank_rearranged,
    means_rearranged,
    survival_intervals,
    time_shift,
)
from controller.science.germination import logrank
from controller.science.growth import GrowthCurve, fit_growth
from controller.science.proportions import Interval, exact_interval, fisher_p, fisher_power, wilson_interval
from controller.twins.environment import DIFFERENT, Environment
from controller.twins.gathering import Look, Twin

FALSE_ALARM_FRACTION = 0.05


@dataclass(frozen=True)
class Seed:
    """One position. ``before_h`` is the last look without a seedling, ``by_h`` the first look with it."""

    position: int
    species: str
    before_h: float
    by_h: float | None
    watched_h: float
    before_degree_days: float
    by_degree_days: float | None
    watched_degree_days: float

    @property
    def emerged(self) -> bool:
        return self.by_h is not None

    @property
    def day(self) -> float:
        """Day of the first look with it, or of the last look."""
        return (self.watched_h if self.by_h is None else self.by_h) / 24.0

    @property
    def degree_days(self) -> float:
        return self.watched_degree_days if self.by_degree_days is None else self.by_degree_days


@dataclass(frozen=True, eq=False)
class Batch:
    """The seeds of one species at one twin, and their indices; None where too few emerged."""

    twin: str
    species: str
    sown: int
    emerged: int
    wilson: Interval
    exact: Interval
    curve_days: Survival
    curve_degree_days: Survival
    t50_coolbear_days: float | None
    t50_farooq_days: float | None
    mean_time_days: float | None
    variance_day2: float | None
    cv_fraction: float | None
    synchrony: float | None
    uncertainty_bit: float | None
    index_days: float | None


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
class GrowthTest:
    """Final heights of the plants of one species at two twins, compared plant by plant; ``p`` is Welch's."""

    species: str
    count_first: int
    count_second: int
    mean_first_mm: float
    mean_second_mm: float
    p: float
    detectable_mm: float


@dataclass(frozen=True, eq=False)
class PlantComparison:
    """Two twins' plants. ``p_raised`` are probabilities raised for the number of questions asked (Holm)."""

    first: str
    second: str
    emerged_first: int
    emerged_second: int
    sown_first: int
    sown_second: int
    logrank_days: Rearranged
    logrank_degree_days: Rearranged
    logrank_days_usual_p: float | None
    shift_days: Shift | None
    shift_degree_days: Shift | None
    count_p: float
    p_raised: dict[str, float]
    growth: list[GrowthTest]
    height: Rearranged | None
    height_ratio: float | None
    count_power_fraction: float
    detectable_ratio: float | None
    warmth_ratio: float | None
    cause: str
    notes: list[str] = field(default_factory=list)


NO_CAUSE, WARMTH, SEED = "none", "temperature", "seed"


def seeds_of(twin: Twin) -> list[Seed]:
    """Emergence of every position from the looks at it."""
    base_c = twin.settings.plan.climate.degree_day_base_c
    found = []
    for position in twin.settings.plan.positions:
        looks = [look for look in twin.looks if look.position == position.number and look.emerged is not None]
        seen = [look.hour_h for look in looks if look.emerged]
        by_h = min(seen) if seen else None
        without = [look.hour_h for look in looks if not look.emerged and (by_h is None or look.hour_h < by_h)]
        before_h = max(without, default=0.0)
        watched_h = by_h if by_h is not None else before_h

        def degree_days(hour_h: float) -> float:
            return twin.hours.degree_days_at(hour_h, base_c)

        found.append(
            Seed(
                position.number,
                position.species,
                before_h,
                by_h,
                watched_h,
                degree_days(before_h),
                None if by_h is None else degree_days(by_h),
                degree_days(watched_h),
            )
        )
    return found


def batches_of(twin: Twin, seeds: list[Seed]) -> list[Batch]:
    """The indices of each species."""
    return [_batch(twin, species, [seed for seed in seeds if seed.species == species]) for species in _species(seeds)]


def _species(seeds: Iterable[Seed]) -> list[str]:
    return list(dict.fromkeys(seed.species for seed in seeds))


def _batch(twin: Twin, species: str, seeds: list[Seed]) -> Batch:
    emerged = [seed.day for seed in seeds if seed.emerged]
    looks = sorted({round(look.hour_h / 24.0, 3) for look in twin.looks if look.hour_h > 0.0})
    days = sorted({*(round(day, 3) for day in emerged), *looks})
    counts = [sum(abs(day - each) < 5e-4 for each in emerged) for day in days]
    some, more = len(emerged) >= 1, len(emerged) >= 2
    marks = [seed.emerged for seed in seeds]
    return Batch(
        twin.name,
        species,
        len(seeds),
        len(emerged),
        wilson_interval(len(emerged), len(seeds)),
        exact_interval(len(emerged), len(seeds)),
        survival_intervals([seed.day for seed in seeds], marks),
        survival_intervals([seed.degree_days for seed in seeds], marks),
        g.t50_coolbear(counts, days) if some else None,
        g.t50_farooq(counts, days) if some else None,
        g.mean_germination_time(counts, days) if some else None,
        g.germination_variance(counts, days) if more else None,
        g.germination_cv(counts, days) if more else None,
        g.synchrony_z(counts, days) if more else None,
        g.uncertainty_bit(counts, days) if some else None,
        g.germination_index(counts, days, len(seeds)) if days else None,
    )


def growth_of(twin: Twin) -> list[PlantGrowth]:
    """Logistic curves of height and leaf number, plant by plant (Gompertz where it fits better)."""
    found = []
    for position in twin.settings.plan.positions:
        looks = [look for look in twin.looks if look.position == position.number]
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


def compare_plants(
    first: Twin,
    second: Twin,
    environment: Environment,
    seeds_first: list[Seed],
    seeds_second: list[Seed],
    growth: list[PlantGrowth],
) -> PlantComparison:
    """The plants of two twins. Only positions whose species stand at both are compared."""
    shared = set(_species(seeds_first)) & set(_species(seeds_second))
    here = [seed for seed in seeds_first if seed.species in shared]
    there = [seed for seed in seeds_second if seed.species in shared]
    seeds = [*here, *there]
    notes: list[str] = []
    if not seeds:
        raise ValueError(f"{first.name} and {second.name} have no species in common")
    in_second = [False] * len(here) + [True] * len(there)
    kinds = [seed.species for seed in seeds]
    marks = [seed.emerged for seed in seeds]
    up_here, up_there = (sum(seed.emerged for seed in group) for group in (here, there))
    shifts = {unit: _shift(seeds, in_second, unit, notes) for unit in ("days", "degree_days")}
    count_p = fisher_p(up_here, len(here), up_there, len(there))
    height, height_ratio = _height(first, second, growth)
    asked = {"count": count_p}
    asked |= {unit: shift.p for unit, shift in shifts.items() if shift is not None}
    asked |= {} if height is None else {"height": height.p}
    raised = dict(zip(asked, holm(list(asked.values())).tolist(), strict=True))
    return PlantComparison(
        first=first.name,
        second=second.name,
        emerged_first=up_here,
        emerged_second=up_there,
        sown_first=len(here),
        sown_second=len(there),
        logrank_days=logrank_rearranged([seed.day for seed in seeds], marks, in_second, kinds),
        logrank_degree_days=logrank_rearranged(_middle_degree_days(seeds), marks, in_second, kinds),
        logrank_days_usual_p=_usual(here, there),
        shift_days=shifts["days"],
        shift_degree_days=shifts["degree_days"],
        count_p=count_p,
        p_raised=raised,
        growth=_growth_tests(first, second, growth),
        height=height,
        height_ratio=height_ratio,
        count_power_fraction=fisher_power(0.95, len(here), 0.6, len(there)),
        detectable_ratio=_detectable_ratio(shifts["days"], seeds, up_here, up_there),
        warmth_ratio=_warmth_ratio(first, second, here),
        cause=_cause(raised, environment),
        notes=list(dict.fromkeys(notes)),  # once, though days and degree-days may stumble alike
    )


def _middle_degree_days(seeds: list[Seed]) -> list[float]:
    """Degree-days half way between the two looks, so that the grid of looks weighs less."""
    return [
        seed.watched_degree_days
        if seed.by_degree_days is None
        else (seed.before_degree_days + seed.by_degree_days) / 2.0
        for seed in seeds
    ]


def _shift(seeds: list[Seed], in_second: list[bool], unit: str, notes: list[str]) -> Shift | None:
    up = [(seed, mark) for seed, mark in zip(seeds, in_second, strict=True) if seed.emerged]
    if unit == "days":
        spans = [(seed.before_h / 24.0, (seed.by_h or 0.0) / 24.0) for seed, _ in up]
    else:
        spans = [(seed.before_degree_days, seed.by_degree_days or 0.0) for seed, _ in up]
    if any(not math.isfinite(low + high) or high <= low for low, high in spans):
        notes.append("Some seedlings were seen at the very first look, or without a known temperature.")
        return None
    try:
        return time_shift(
            [low for low, _ in spans],
            [high for _, high in spans],
            [mark for _, mark in up],
            [seed.species for seed, _ in up],
        )
    except ValueError:
        notes.append("Fewer than three seedlings emerged at one of the twins.")
        return None


def _usual(here: list[Seed], there: list[Seed]) -> float | None:
    try:
        return logrank(
            [seed.day for seed in here],
            [seed.emerged for seed in here],
            [seed.day for seed in there],
            [seed.emerged for seed in there],
        ).p
    except ValueError:
        return None


def _finals(growth: list[PlantGrowth], twin: Twin, species: str) -> list[float]:
    return [
        each.curve.final
        for each in growth
        if each.twin == twin.name and each.species == species and each.what == "height_mm" and each.curve is not None
    ]


def _height(first: Twin, second: Twin, growth: list[PlantGrowth]) -> tuple[Rearranged | None, float | None]:
    """One test over all species, of final heights in proportion, and the mean proportion second to first."""
    values: list[float] = []
    marks: list[bool] = []
    kinds: list[str] = []
    ratios: list[float] = []
    for kind in dict.fromkeys(each.species for each in growth):
        groups = [_finals(growth, twin, kind) for twin in (first, second)]
        if min(len(group) for group in groups) == 0:
            continue
        ratios.append(float(np.mean(np.log(groups[1])) - np.mean(np.log(groups[0]))))
        for group, mark in zip(groups, (False, True), strict=True):
            values += np.log(group).tolist()
            marks += [mark] * len(group)
            kinds += [kind] * len(group)
    if len(values) < 6:
        return None, None
    return means_rearranged(values, marks, kinds), math.exp(float(np.mean(ratios)))


def _growth_tests(first: Twin, second: Twin, growth: list[PlantGrowth]) -> list[GrowthTest]:
    found = []
    for kind in dict.fromkeys(each.species for each in growth):
        a, b = _finals(growth, first, kind), _finals(growth, second, kind)
        if min(len(a), len(b)) < 3 or np.ptp(a) + np.ptp(b) == 0.0:
            continue
        sd = math.sqrt((np.var(a, ddof=1) + np.var(b, ddof=1)) / 2.0)
        found.append(
            GrowthTest(
                kind,
                len(a),
                len(b),
                float(np.mean(a)),
                float(np.mean(b)),
                welch(b, a).p,
                detectable_difference(sd, len(a), len(b)),
            )
        )
    return found


def _detectable_ratio(shift: Shift | None, seeds: list[Seed], count_a: int, count_b: int) -> float | None:
    """Seeds scatter, and looks are some hours apart: both blur the moment of emergence."""
    up = [(seed.before_h, seed.by_h) for seed in seeds if seed.by_h is not None]
    if shift is None or not count_a or not count_b:
        return None
    apart = float(np.mean([(by - before) / ((by + before) / 2.0) for before, by in up])) / math.sqrt(12.0)
    return math.exp(detectable_difference(math.hypot(shift.spread_fraction, apart), count_a, count_b))


def _warmth_ratio(first: Twin, second: Twin, seeds: list[Seed]) -> float | None:
    """How much longer the second twin's air needs for the degree-days in which half of the first's seeds emerged."""
    needs = sorted(
        (seed.before_degree_days + seed.by_degree_days) / 2.0 for seed in seeds if seed.by_degree_days is not None
    )
    if not needs:
        return None
    base_c = first.settings.plan.climate.degree_day_base_c
    need = float(np.median(needs))
    hours = np.arange(0.0, min(first.length_h, second.length_h) + 1.0)
    times = []
    for twin in (first, second):
        warmth = np.array([twin.hours.degree_days_at(float(hour_h), base_c) for hour_h in hours])
        if not np.isfinite(warmth).all() or warmth[-1] < need:
            return None
        times.append(float(np.interp(need, warmth, hours)))
    return times[1] / times[0] if times[0] > 0.0 else None


def _cause(raised: dict[str, float], environment: Environment) -> str:
    """What the records put a difference of emergence down to."""
    if raised["count"] < FALSE_ALARM_FRACTION or raised.get("degree_days", 1.0) < FALSE_ALARM_FRACTION:
        return SEED
    temperature = environment.of("air_temperature_c")
    return WARMTH if temperature is not None and temperature.verdict == DIFFERENT else NO_CAUSE
