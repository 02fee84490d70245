"""Do two instruments, or two twins, agree? Limits of agreement, Welch's test and tests of equivalence."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri, stdtr, stdtrit

from controller.science.ranges import FloatArray, same_length, series, within

NORMAL_95_PCT: Final = 1.96
MOST_FOLLOWING: Final = 2.0 / 3.0


@dataclass(frozen=True)
class LimitsOfAgreement:
    """Mean difference a - b, its standard deviation, and the limits between which most differences lie."""

    bias: float
    sd: float
    low: float
    high: float


def limits_of_agreement(a: ArrayLike, b: ArrayLike, multiplier: float = NORMAL_95_PCT) -> LimitsOfAgreement:
    """Bias and limits of agreement of paired readings, in their unit: bias -+ multiplier x sd of a - b.

    Source: Bland and Altman (1986), Lancet i:307-310, who round 1.96 to 2: give ``multiplier=2`` for their
    figures. At least two pairs; ``multiplier`` above 0. Errors: ValueError otherwise.
    """
    differences = _paired(a, b)
    times = float(within("multiplier", multiplier, 0.0, low_excluded=True))
    bias, sd = float(np.mean(differences)), float(np.std(differences, ddof=1))
    return LimitsOfAgreement(bias, sd, bias - times * sd, bias + times * sd)


@dataclass(frozen=True)
class Welch:
    """Student's t for unequal variances, its degrees of freedom and the two-sided probability."""

    t: float
    df: float
    p: float


def welch(a: ArrayLike, b: ArrayLike) -> Welch:
    """Test of equal means of two independent groups whose variances may differ; t has the sign of a - b.

    Source: Welch (1947), Biometrika 34:28-35, with Satterthwaite's degrees of freedom. At least two values in
    each group, and some spread in one of them. Errors: ValueError otherwise.
    """
    difference, se, df = _independent(a, b, equal_variances=False)
    t = difference / se
    return Welch(t, df, 2.0 * float(stdtr(df, -abs(t))))


@dataclass(frozen=True)
class Mean:
    """A mean and an interval for it, with the standard error and the degrees of freedom behind them."""

    mean: float
    se: float
    df: float
    low: float
    high: float


@dataclass(frozen=True)
class Spread:
    """How days scatter: their standard deviation, their resemblance to the day before, and how many series told it."""

    sd: float
    follow: float
    series_count: float = 1.0


def spread_of_series(every: list[FloatArray], independent: int = 1, least_sd: float = 0.0) -> Spread:
    """The scatter that several series of days share, for intervals of each: mean variance and mean resemblance.

    ``independent`` is how many of the series are independent of each other: of all differences between k chambers,
    k - 1. ``least_sd`` is a resolution below which days are not taken to agree. Each series at least two values.
    """
    parts = [_spread(series("values", values, at_least=2), least_sd) for values in every]
    sd = math.sqrt(float(np.mean([part.sd**2 for part in parts])))
    return Spread(sd, float(np.mean([part.follow for part in parts])), float(max(1, independent)))


def _spread(days: FloatArray, least_sd: float) -> Spread:
    moved = days - float(np.mean(days))
    square = float(np.sum(moved**2))
    follow = max(0.0, float(np.sum(moved[1:] * moved[:-1])) / square) if square > 0.0 else 0.0
    return Spread(max(float(np.std(days, ddof=1)), least_sd), min(follow, MOST_FOLLOWING))


def mean_of_series(
    values: ArrayLike,
    confidence_fraction: float = 0.95,
    systematic_se: float = 0.0,
    least_sd: float = 0.0,
    spread: Spread | None = None,
) -> Mean:
    """Mean of days that follow each other, with an interval that allows for days resembling the day before.

    The number of days is lowered by (1 - r) / (1 + r), r being the correlation of each day with the one before
    (Zwiers and von Storch 1995, J. Climate 8:336-351); a negative r counts as none, and one above 2/3 as 2/3,
    because a few weeks estimate it too poorly to throw more than four days of five away (a choice, no source).
    ``systematic_se`` is what all days share, such as a sensor's own error, and is added in quadrature;
    ``least_sd`` is a resolution below which days are not taken to agree. ``spread`` is the scatter where more
    series than this one tell it (``spread_of_series``). At least two values. Errors: ValueError otherwise.
    """
    days = series("values", values, at_least=2)
    confidence = float(within("confidence_fraction", confidence_fraction, 0.0, 0.9999))
    shared = float(within("systematic_se", systematic_se, 0.0))
    known = spread or _spread(days, least_sd)
    mean = float(np.mean(days))
    count = max(2.0, days.size * (1.0 - known.follow) / (1.0 + known.follow))
    df = known.series_count * (count - 1.0)
    se = math.sqrt(known.sd**2 / count + shared**2)
    half = float(stdtrit(df, 0.5 + confidence / 2.0)) * known.sd / math.sqrt(count)
    half = math.sqrt(half**2 + (float(ndtri(0.5 + confidence / 2.0)) * shared) ** 2)
    return Mean(mean, se, df, mean - half, mean + half)


@dataclass(frozen=True)
class Equivalence:
    """Probabilities of two one-sided tests; the means are equivalent within the bounds if ``p`` is small.

    ``p_low`` speaks against a difference at or below the lower bound, ``p_high`` against one at or above the
    upper bound; ``p`` is the larger of the two.
    """

    p_low: float
    p_high: float
    p: float


def tost_paired(a: ArrayLike, b: ArrayLike, low: float, high: float) -> Equivalence:
    """Two one-sided tests that the mean of the paired differences a - b lies between ``low`` and ``high``.

    Source: Schuirmann (1987), J. Pharmacokinet. Biopharm. 15:657-680; Lakens (2017), Soc. Psychol. Personal.
    Sci. 8:355-362. At least two pairs whose differences are not all the same; low below high, in the unit of
    the readings. Errors: ValueError otherwise.
    """
    differences = _paired(a, b)
    se = float(np.std(differences, ddof=1)) / math.sqrt(differences.size)
    if se == 0.0:
        raise ValueError(f"a - b must vary from pair to pair, found {float(differences[0])!r} throughout")
    return _one_sided(float(np.mean(differences)), se, differences.size - 1.0, low, high)


def tost_independent(a: ArrayLike, b: ArrayLike, low: float, high: float, equal_variances: bool = False) -> Equivalence:
    """Two one-sided tests that the mean of a less the mean of b lies between ``low`` and ``high``.

    With ``equal_variances`` the variances are pooled, otherwise as in ``welch``. Sources as for
    ``tost_paired``. At least two values in each group, and some spread in one of them; low below high.
    Errors: ValueError otherwise.
    """
    difference, se, df = _independent(a, b, equal_variances=equal_variances)
    return _one_sided(difference, se, df, low, high)


def tost_summary(difference: float, se: float, df: float, low: float, high: float) -> Equivalence:
    """Two one-sided tests from a difference, its standard error and its degrees of freedom.

    Sources as for ``tost_paired``. ``se`` and ``df`` above 0. Errors: ValueError otherwise.
    """
    spread = float(within("se", se, 0.0, low_excluded=True))
    return _one_sided(
        float(within("difference", difference)), spread, float(within("df", df, 0.0, low_excluded=True)), low, high
    )


def _paired(a: ArrayLike, b: ArrayLike) -> FloatArray:
    first, second = series("a", a, at_least=2), series("b", b, at_least=2)
    same_length("a", first, "b", second)
    return first - second


def _independent(a: ArrayLike, b: ArrayLike, *, equal_variances: bool) -> tuple[float, float, float]:
    """Difference of the means, its standard error and degrees of freedom."""
    first, second = series("a", a, at_least=2), series("b", b, at_least=2)
    n_a, n_b = first.size, second.size
    var_a, var_b = float(np.var(first, ddof=1)), float(np.var(second, ddof=1))
    if var_a == 0.0 and var_b == 0.0:
        raise ValueError("a and b must not both be constant, found no spread in either")
    if equal_variances:
        df = float(n_a + n_b - 2)
        pooled = ((n_a - 1) * var_a + (n_b - 1) * var_b) / df
        square = pooled * (1.0 / n_a + 1.0 / n_b)
    else:
        part_a, part_b = var_a / n_a, var_b / n_b
        square = part_a + part_b
        df = square**2 / (part_a**2 / (n_a - 1) + part_b**2 / (n_b - 1))
    return float(np.mean(first) - np.mean(second)), math.sqrt(square), df


def _one_sided(difference: float, se: float, df: float, low: float, high: float) -> Equivalence:
    lower, upper = float(within("low", low)), float(within("high", high))
    if lower >= upper:
        raise ValueError(f"low must lie below high ({upper!r}), found {lower!r}")
    p_low = float(stdtr(df, -(difference - lower) / se))
    p_high = float(stdtr(df, (difference - upper) / se))
    return Equivalence(p_low, p_high, max(p_low, p_high))
