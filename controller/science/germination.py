"""Germination and emergence: indices of one batch from its counts, and curves of times that may be cut short.

``counts`` are the seeds newly germinated at each observation (not cumulative) and ``days`` the days of the
observations since hydration, above 0 and rising. Nothing has germinated at day 0.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc

from controller.science.ranges import FloatArray, same_length, series, within


def t50_coolbear(counts: ArrayLike, days: ArrayLike) -> float:
    """Day of the (N + 1) / 2-th of N germinated seeds, by interpolation between observations.

    Source: Coolbear, Francis and Grierson (1984), J. Exp. Bot. 35:1609-1617. The cumulative count is taken as
    a straight line from one observation to the next, and from 0 on day 0 to the first; when it equals the
    half exactly at an observation, that day is the answer. At least one seed must have germinated. Errors:
    ValueError for negative or broken counts, days that do not rise, or no germinated seed.
    """
    numbers, moments = _batch(counts, days)
    return _day_of(numbers, moments, (float(np.sum(numbers)) + 1.0) / 2.0)


def t50_farooq(counts: ArrayLike, days: ArrayLike) -> float:
    """Day of the N / 2-th of N germinated seeds, by interpolation between observations.

    Source: Farooq, Basra, Ahmad and Hafeez (2005), J. Integr. Plant Biol. 47:187-193; otherwise as
    ``t50_coolbear``.
    """
    numbers, moments = _batch(counts, days)
    return _day_of(numbers, moments, float(np.sum(numbers)) / 2.0)


def mean_germination_time(counts: ArrayLike, days: ArrayLike) -> float:
    """Mean day of germination, weighted by the counts. At least one germinated seed, or ValueError."""
    numbers, moments = _batch(counts, days)
    return float(np.sum(numbers * moments) / np.sum(numbers))


def germination_variance(counts: ArrayLike, days: ArrayLike) -> float:
    """Variance of the day of germination, in day2, with the divisor N - 1.

    Source: Ranal and Santana (2006), Rev. Bras. Bot. 29:1-11. At least two germinated seeds, or ValueError.
    """
    numbers, moments = _batch(counts, days, at_least=2)
    total = np.sum(numbers)
    mean = np.sum(numbers * moments) / total
    return float(np.sum(numbers * (moments - mean) ** 2) / (total - 1.0))


def germination_cv(counts: ArrayLike, days: ArrayLike) -> float:
    """Coefficient of variation of the day of germination, a fraction. At least two seeds, or ValueError."""
    return math.sqrt(germination_variance(counts, days)) / mean_germination_time(counts, days)


def synchrony_z(counts: ArrayLike, days: ArrayLike) -> float:
    """Share of all pairs of germinated seeds that germinated at the same observation, 0 to 1.

    Source: Primack (1980), as in Ranal and Santana (2006). At least two germinated seeds, or ValueError.
    """
    numbers, _ = _batch(counts, days, at_least=2)
    total = np.sum(numbers)
    return float(np.sum(numbers * (numbers - 1.0)) / (total * (total - 1.0)))


def uncertainty_bit(counts: ArrayLike, days: ArrayLike) -> float:
    """Entropy of the distribution of germination over the observations, in bit; 0 if all fell on one day.

    Source: Labouriau and Valadares (1976), as in Ranal and Santana (2006). At least one seed, or ValueError.
    """
    numbers, _ = _batch(counts, days)
    shares = numbers[numbers > 0.0] / np.sum(numbers)
    return float(np.sum(shares * np.log2(1.0 / shares)))


def germination_index(counts: ArrayLike, days: ArrayLike, seeds_sown: int) -> float:
    """Germination weighted by earliness, per seed sown: the sum of (T - t) x count / seeds, in day.

    T is the last day observed. This is the weighting T - t of the germinationmetrics package after Melville
    et al. (1980); textbooks that weight by T + 1 - t give a value larger by the germinated
    fraction. Indices compare only for the same T. ``seeds_sown`` at least the number germinated, which may be
    0. Errors: ValueError otherwise.
    """
    numbers, moments = _batch(counts, days, at_least=0)
    sown = float(within("seeds_sown", seeds_sown, 0.0, low_excluded=True))
    if sown < np.sum(numbers):
        germinated = int(np.sum(numbers))
        raise ValueError(f"seeds_sown must be at least the {germinated} germinated, found {seeds_sown!r}")
    return float(np.sum((moments[-1] - moments) * numbers) / sown)


@dataclass(frozen=True, eq=False)
class SurvivalCurve:
    """Share still without the event after each time at which events were observed; 1 before the first."""

    times: FloatArray
    survival: FloatArray


def kaplan_meier(times: ArrayLike, observed: ArrayLike) -> SurvivalCurve:
    """Product-limit estimate of the share not yet germinated, from times that may be cut short.

    ``times`` in any one unit, 0 or more; ``observed`` True where the event was seen at that time and False
    where the watch ended without it (a seed still dormant at harvest). Source: Kaplan and Meier (1958), J.
    Am. Stat. Assoc. 53:457-481. Without any observed event the curve is empty. Errors: ValueError for empty,
    unequal or negative input, or for marks other than True and False.
    """
    moments, seen = _watched("times", times, "observed", observed)
    events = np.unique(moments[seen])
    at_risk = np.array([np.sum(moments >= moment) for moment in events], dtype=np.float64)
    deaths = np.array([np.sum(moments[seen] == moment) for moment in events], dtype=np.float64)
    return SurvivalCurve(events, np.asarray(np.cumprod(1.0 - deaths / at_risk), dtype=np.float64))


@dataclass(frozen=True)
class LogRank:
    """Chi-square statistic with one degree of freedom, and its probability if both groups were alike."""

    statistic: float
    p: float


def logrank(times_a: ArrayLike, observed_a: ArrayLike, times_b: ArrayLike, observed_b: ArrayLike) -> LogRank:
    """Log-rank test of two groups of times that may be cut short, without continuity correction.

    Source: Mantel (1966), Cancer Chemother. Rep. 50:163-170, with the hypergeometric variance. Errors:
    ValueError as for ``kaplan_meier``, and when no event falls while both groups are still watched.
    """
    first, first_seen = _watched("times_a", times_a, "observed_a", observed_a)
    second, second_seen = _watched("times_b", times_b, "observed_b", observed_b)
    excess = variance = 0.0
    for moment in np.unique(np.concatenate([first[first_seen], second[second_seen]])):
        at_risk_a, at_risk_b = float(np.sum(first >= moment)), float(np.sum(second >= moment))
        events_a = float(np.sum(first[first_seen] == moment))
        events = events_a + float(np.sum(second[second_seen] == moment))
        at_risk = at_risk_a + at_risk_b
        excess += events_a - events * at_risk_a / at_risk
        if at_risk > 1.0:
            share = at_risk_a * at_risk_b / at_risk**2
            variance += events * share * (at_risk - events) / (at_risk - 1.0)
    if variance == 0.0:
        raise ValueError("times_a and times_b must share a time at which both groups are watched and one acts")
    statistic = excess**2 / variance
    return LogRank(statistic, float(chdtrc(1.0, statistic)))


def _batch(counts: ArrayLike, days: ArrayLike, *, at_least: int = 1) -> tuple[FloatArray, FloatArray]:
    numbers, moments = series("counts", counts, 0.0), series("days", days, 0.0)
    same_length("counts", numbers, "days", moments)
    if (broken := numbers != np.floor(numbers)).any():
        raise ValueError(f"counts must be whole numbers, found {float(numbers[broken][0])!r}")
    if moments[0] <= 0.0 or not (np.diff(moments) > 0.0).all():
        raise ValueError(f"days must start above 0 and rise, found {moments.tolist()}")
    if np.sum(numbers) < at_least:
        raise ValueError(f"counts must hold {at_least} germinated or more, found {int(np.sum(numbers))}")
    return numbers, moments


def _day_of(numbers: FloatArray, moments: FloatArray, target: float) -> float:
    """The day on which the cumulative count first reaches the target."""
    cumulative = np.cumsum(numbers)
    after = int(np.searchsorted(cumulative, target))
    before_count, before_day = (cumulative[after - 1], moments[after - 1]) if after else (0.0, 0.0)
    share = (target - before_count) / (cumulative[after] - before_count)
    return float(before_day + share * (moments[after] - before_day))


def _watched(
    times_name: str, times: ArrayLike, observed_name: str, observed: ArrayLike
) -> tuple[FloatArray, NDArray[np.bool_]]:
    moments, marks = series(times_name, times, 0.0), series(observed_name, observed)
    same_length(times_name, moments, observed_name, marks)
    if (neither := ~np.isin(marks, (0.0, 1.0))).any():
        raise ValueError(f"{observed_name} must be True or False, found {float(marks[neither][0])!r}")
    return moments, marks == 1.0
