"""Times to emergence of a few seeds: curves with intervals, exact tests, and times known only between two looks."""

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize
from scipy.special import chdtrc, log_ndtr, ndtri

from controller.science.germination import kaplan_meier
from controller.science.ranges import FloatArray, same_length, series, within

EXACT_UP_TO: Final = 20_000  # rearrangements that are all tried; beyond, so many are drawn
# Of a logarithm: seeds of a lot never emerge closer together than this (a choice, no source). Without it a few
# seeds that came up between the same two looks would pass for seeds that came up at one moment.
_LEAST_SPREAD: Final = 0.04


@dataclass(frozen=True, eq=False)
class Survival:
    """Share still to emerge after each event, its standard error and an interval; NaN where none can be given."""

    times: FloatArray
    survival: FloatArray
    survival_se: FloatArray
    low: FloatArray
    high: FloatArray

    @property
    def median(self) -> float | None:
        """The first time at which half or fewer are still to come; None if that is never reached."""
        reached = np.flatnonzero(self.survival <= 0.5 + 1e-12)
        return float(self.times[reached[0]]) if reached.size else None


def survival_intervals(times: ArrayLike, observed: ArrayLike, confidence_fraction: float = 0.95) -> Survival:
    """The Kaplan-Meier curve with Greenwood's standard error and an interval on the log-log scale.

    Sources: Greenwood (1926), Rep. Public Health Med. Subj. 33; Kalbfleisch and Prentice (1980), The
    Statistical Analysis of Failure Time Data, section 1.3, for the interval, which never leaves 0 to 1.
    Arguments and errors as for ``germination.kaplan_meier``.
    """
    curve = kaplan_meier(times, observed)
    moments, marks = np.asarray(times, dtype=np.float64), np.asarray(observed, dtype=np.float64) == 1.0
    at_risk = np.array([np.sum(moments >= t) for t in curve.times], dtype=np.float64)
    events = np.array([np.sum(moments[marks] == t) for t in curve.times], dtype=np.float64)
    z = float(ndtri(0.5 + float(within("confidence_fraction", confidence_fraction, 0.0, 0.9999)) / 2.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        summed = np.cumsum(events / (at_risk * (at_risk - events)))
        se = curve.survival * np.sqrt(summed)
        half = z * np.sqrt(summed) / np.abs(np.log(curve.survival))
        low, high = curve.survival ** np.exp(half), curve.survival ** np.exp(-half)
    unknown = curve.survival <= 0.0
    return Survival(curve.times, curve.survival, *(np.where(unknown, np.nan, each) for each in (se, low, high)))


@dataclass(frozen=True)
class Rearranged:
    """A test by rearranging which twin each seed stood in.

    ``statistic`` is the chi-square of the log-rank test, ``p`` its probability over the rearrangements;
    ``exact`` says whether all of them were tried.
    """

    statistic: float
    p: float
    exact: bool


def logrank_rearranged(
    times: ArrayLike, observed: ArrayLike, in_second: ArrayLike, strata: ArrayLike, draws: int = EXACT_UP_TO
) -> Rearranged:
    """Log-rank test within strata (species), its probability by rearrangement: valid for a handful of seeds.

    Each seed has the score of Peto and Peto (1972), J. R. Stat. Soc. A 135:185-207: seen or not, less the
    hazard summed up to its time; the statistic is the square of the scores' sum in the second group over its
    variance under rearrangement. ``in_second`` marks the group, ``strata`` what is never rearranged across.
    All rearrangements are tried when there are at most ``draws``, otherwise that many are drawn from a fixed
    seed. Without any difference in scores p is 1. Errors: ValueError for unequal lengths.
    """
    moments, seen = series("times", times, 0.0), np.asarray(observed, dtype=np.float64) == 1.0
    second, kinds = np.asarray(in_second, dtype=np.bool_), np.asarray(strata)
    if not moments.shape == seen.shape == second.shape == kinds.shape:
        raise ValueError("times, observed, in_second and strata must be of one length")
    return _rearranged(lambda here: _scores(moments[here], seen[here]), second, kinds, draws)


def means_rearranged(
    values: ArrayLike, in_second: ArrayLike, strata: ArrayLike, draws: int = EXACT_UP_TO
) -> Rearranged:
    """Whether the means of two groups differ within strata, by rearranging which group each value stood in.

    The test of Fisher (1935), The Design of Experiments, section 21, and of Pitman (1937), Suppl. J. R. Stat.
    Soc. 4:119-130: no shape of distribution is assumed. Arguments otherwise as for ``logrank_rearranged``.
    """
    numbers = series("values", values)
    second, kinds = np.asarray(in_second, dtype=np.bool_), np.asarray(strata)
    if not numbers.shape == second.shape == kinds.shape:
        raise ValueError("values, in_second and strata must be of one length")
    return _rearranged(lambda here: numbers[here] - numbers[here].mean(), second, kinds, draws)


def _rearranged(
    scores_of: Callable[[NDArray[np.bool_]], FloatArray], second: NDArray[np.bool_], kinds: NDArray[Any], draws: int
) -> Rearranged:
    parts = []
    for kind in np.unique(kinds):
        here = kinds == kind
        if 0 < int(second[here].sum()) < int(here.sum()):
            parts.append((scores_of(here), second[here]))
    variance = sum(_sum_variance(scores, int(marks.sum())) for scores, marks in parts)
    if variance <= 1e-12:
        return Rearranged(0.0, 1.0, True)
    sum_seen = sum(float(scores[marks].sum()) for scores, marks in parts)
    ways = math.prod(math.comb(marks.size, int(marks.sum())) for _, marks in parts)
    exact = ways <= draws
    sums = _all_sums(parts) if exact else _drawn_sums(parts, draws)
    as_far = int(np.sum(np.abs(sums) >= abs(sum_seen) - 1e-9))
    p = as_far / sums.size if exact else (as_far + 1.0) / (sums.size + 1.0)
    return Rearranged(sum_seen**2 / variance, float(p), exact)


@dataclass(frozen=True)
class Shift:
    """How much longer the second group took than the first, as a ratio of times, from looks now and then.

    ``ratio`` 1.1 means 10 % longer; ``ratio_low`` and ``ratio_high`` bound it; ``p`` is the probability of
    such a ratio if there were no difference. ``spread_fraction`` is the common spread of single seeds.
    """

    ratio: float
    ratio_low: float
    ratio_high: float
    p: float
    spread_fraction: float


def time_shift(
    before: ArrayLike, by: ArrayLike, in_second: ArrayLike, strata: ArrayLike, confidence_fraction: float = 0.95
) -> Shift:
    """Ratio of emergence times of two groups when each is only known to lie between two looks.

    A log-normal time with one spread, a median for each stratum and one ratio between the groups, by maximum
    likelihood of the intervals (Lindsey and Ryan 1998, Stat. Med. 17:219-238, for such data). Comparing the
    days of the looks themselves would take the grid of looks for a difference of seeds when one chamber is
    cooler. The statistic is the likelihood ratio, scaled down by (n - k) / n for the k fitted numbers, and the
    interval is from the curvature, widened alike. ``before`` is the last look without the seedling (0 or
    more), ``by`` the first look with it; both in days or in degree-days. Only seeds that emerged belong here.
    At least three seeds in each group. Errors: ValueError otherwise.
    """
    low, high = series("before", before, 0.0), series("by", by, 0.0)
    same_length("before", low, "by", high)
    second, kinds = np.asarray(in_second, dtype=np.float64), np.asarray(strata)
    if not (high > low).all():
        raise ValueError("by must lie above before for every seed")
    if second.sum() < 3 or second.size - second.sum() < 3:
        raise ValueError("in_second must leave at least three seeds in each group")
    log_low = np.log(np.maximum(low, 1e-9))
    log_high = np.log(high)
    names = np.unique(kinds)
    columns = np.column_stack([(kinds == name).astype(np.float64) for name in names] + [second])
    middle = (np.log(np.maximum(low, high * 0.5)) + log_high) / 2.0
    start = [float(middle[kinds == name].mean()) for name in names]
    spread = max(0.05, float(np.std(middle - columns[:, :-1] @ np.array(start))))

    def cost(parameters: FloatArray, design: FloatArray) -> float:
        sd = math.hypot(_LEAST_SPREAD, math.exp(min(2.0, float(parameters[-1]))))
        centre = design @ parameters[:-1]
        return -float(np.sum(_log_between((log_low - centre) / sd, (log_high - centre) / sd)))

    none = columns[:, :-1]
    alone = minimize(cost, [*start, math.log(spread)], args=(none,), method="BFGS")
    whole = minimize(cost, [*alone.x[:-1], 0.0, alone.x[-1]], args=(columns,), method="BFGS")
    fitted = names.size + 2
    shrink = max(0.1, (low.size - fitted) / low.size)
    statistic = max(0.0, 2.0 * float(alone.fun - whole.fun)) * shrink
    shift = float(whole.x[-2])
    se = _se_of_shift(cost, whole.x, columns, shift, statistic)
    z = float(ndtri(0.5 + float(within("confidence_fraction", confidence_fraction, 0.0, 0.9999)) / 2.0))
    sd = math.hypot(_LEAST_SPREAD, math.exp(min(2.0, float(whole.x[-1]))))
    half = z * se / math.sqrt(shrink)
    return Shift(math.exp(shift), math.exp(shift - half), math.exp(shift + half), float(chdtrc(1.0, statistic)), sd)


def detectable_difference(
    sd: float, count_a: int, count_b: int, alpha_fraction: float = 0.05, power_fraction: float = 0.8
) -> float:
    """The least difference of two means that a test would find with this power, in the unit of ``sd``.

    Normal approximation (Armitage, Berry and Matthews 2002, Statistical Methods in Medical Research, section
    4.6), which is a little too hopeful for a handful. ``sd`` above 0, counts 1 or more. Errors: ValueError.
    """
    spread = float(within("sd", sd, 0.0, low_excluded=True))
    a, b = float(within("count_a", count_a, 1.0)), float(within("count_b", count_b, 1.0))
    z = float(ndtri(1.0 - alpha_fraction / 2.0) + ndtri(power_fraction))
    return z * spread * math.sqrt(1.0 / a + 1.0 / b)


def holm(probabilities: ArrayLike) -> FloatArray:
    """Probabilities raised for the number of questions asked, so that all answers together err as one would.

    Source: Holm (1979), Scand. J. Stat. 6:65-70. Each 0 to 1; in the order given. Errors: ValueError.
    """
    p = within("probabilities", probabilities, 0.0, 1.0).ravel()
    order = np.argsort(p, kind="stable")
    raised = np.maximum.accumulate(p[order] * (p.size - np.arange(p.size)))
    answer = np.empty_like(p)
    answer[order] = np.minimum(1.0, raised)
    return answer


def _scores(moments: FloatArray, seen: NDArray[np.bool_]) -> FloatArray:
    events = np.unique(moments[seen])
    at_risk = np.array([np.sum(moments >= t) for t in events], dtype=np.float64)
    happened = np.array([np.sum(moments[seen] == t) for t in events], dtype=np.float64)
    hazard = np.concatenate(([0.0], np.cumsum(happened / at_risk))) if events.size else np.zeros(1)
    return np.asarray(seen.astype(np.float64) - hazard[np.searchsorted(events, moments, side="right")])


def _sum_variance(scores: FloatArray, chosen: int) -> float:
    n = scores.size
    return float(chosen * (n - chosen) / n * np.var(scores, ddof=1))


def _all_sums(parts: list[tuple[FloatArray, NDArray[np.bool_]]]) -> FloatArray:
    sums = np.zeros(1)
    for scores, marks in parts:
        chosen = np.array(list(itertools.combinations(range(marks.size), int(marks.sum()))), dtype=np.int64)
        sums = np.add.outer(sums, scores[chosen].sum(axis=1)).ravel()
    return sums


def _drawn_sums(parts: list[tuple[FloatArray, NDArray[np.bool_]]], draws: int) -> FloatArray:
    chance = np.random.default_rng(1)
    sums = np.zeros(draws)
    for scores, marks in parts:
        order = np.argsort(chance.random((draws, scores.size)), axis=1)[:, : int(marks.sum())]
        sums += scores[order].sum(axis=1)
    return sums


def _log_between(a: FloatArray, b: FloatArray) -> FloatArray:
    """log(Phi(b) - Phi(a)) for a < b, in the tail that keeps its digits."""
    flip = a > 0.0
    low, high = np.where(flip, -b, a), np.where(flip, -a, b)
    upper, lower = log_ndtr(high), log_ndtr(low)
    return np.asarray(upper + np.log(-np.expm1(np.minimum(lower - upper, -1e-12))))


def _se_of_shift(
    cost: Callable[[FloatArray, FloatArray], float], at: FloatArray, design: FloatArray, shift: float, statistic: float
) -> float:
    """Standard error of the shift, from the curvature of the likelihood where it is fitted best."""
    size = at.size
    step = np.full(size, 1e-3)
    hessian = np.zeros((size, size))
    for i in range(size):
        for j in range(i, size):
            total = 0.0
            for si, sj, sign in ((1, 1, 1.0), (1, -1, -1.0), (-1, 1, -1.0), (-1, -1, 1.0)):
                moved = at.copy()
                moved[i] += si * step[i]
                moved[j] += sj * step[j]
                total += sign * float(cost(moved, design))
            hessian[i, j] = hessian[j, i] = total / (4.0 * step[i] * step[j])
    inverse = np.linalg.pinv(hessian, rcond=1e-8)
    variance = float(inverse[-2, -2])
    if variance > 0.0 and math.isfinite(variance):
        return math.sqrt(variance)
    return abs(shift) / math.sqrt(statistic) if statistic > 0.0 else math.inf
