"""Green cover of the beds over the days, as a growth curve of each bed, and whether two beds' curves differ."""

from contextlib import suppress
from dataclasses import dataclass
from itertools import combinations

from controller.science.budget import student_quantile
from controller.science.growth import CurvesTest, GrowthCurve, curves_test, fit_growth
from controller.twins.pictures import Shot


@dataclass(frozen=True, eq=False)
class Cover:
    """The pictures of one twin in the order of days; ``curve`` needs five of them and some growth."""

    twin: str
    days: list[float]
    cover_fraction: list[float]
    curve: GrowthCurve | None


@dataclass(frozen=True)
class CoverTest:
    """Two beds. ``share_first`` and ``share_second`` are the cover that each curve tends to, as fractions.

    The interval (95 %) counts pictures whose errors follow each other as fewer, as the test does.
    """

    first: str
    second: str
    share_first_fraction: float
    share_second_fraction: float
    difference_fraction: float
    difference_low_fraction: float
    difference_high_fraction: float
    test: CurvesTest


def covers_of(shots: list[Shot]) -> list[Cover]:
    """One for each twin that has pictures."""
    found = []
    for name in dict.fromkeys(shot.twin for shot in shots):
        mine = [shot for shot in shots if shot.twin == name]
        days, shares = [float(shot.day) for shot in mine], [shot.cover_fraction for shot in mine]
        curve = None
        with suppress(ValueError):  # fewer than five days, or nothing grew: there is no curve
            curve = fit_growth(days, shares)
        found.append(Cover(name, days, shares, curve))
    return found


def cover_tests(covers: list[Cover]) -> list[CoverTest]:
    """Every pair of twins whose beds both have a curve."""
    found = []
    for a, b in combinations(covers, 2):
        if a.curve is None or b.curve is None:
            continue
        with suppress(ValueError):  # no one curve can be laid through both
            test = curves_test(a.days, a.cover_fraction, b.days, b.cover_fraction)
            se = ((a.curve.final_se**2 + b.curve.final_se**2) / test.looks_share_fraction) ** 0.5
            half, moved = student_quantile(0.975, test.df_looks) * se, b.curve.final - a.curve.final
            interval = moved, moved - half, moved + half
            found.append(CoverTest(a.twin, b.twin, a.curve.final, b.curve.final, *interval, test))
    return found
