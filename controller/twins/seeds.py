"""Emergence at each position of a twin, and the indices of its batches."""

from collections.abc import Iterable
from dataclasses import dataclass

from controller.science import germination as g
from controller.science.emergence import Survival, survival_intervals
from controller.science.proportions import Interval, exact_interval, wilson_interval
from controller.twins.gathering import Twin


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
    return [_batch(twin, species, [seed for seed in seeds if seed.species == species]) for species in species_of(seeds)]


def species_of(seeds: Iterable[Seed]) -> list[str]:
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
