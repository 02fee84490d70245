"""Times to emergence that are only known to lie between two looks: scores, a test of vigour, and a ratio of times.

Comparing the looks' own days would take the grid of looks for a difference of seeds as soon as two chambers began at
different hours of the day, or one of them is cooler.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize
from scipy.special import chdtrc, log_ndtr, ndtr, ndtri, xlogy

from controller.science.ranges import FloatArray, same_length, series, within
from controller.science.rearranged import EXACT_UP_TO, Largest, largest_rearranged, scale_to_unit

# Of a logarithm: seeds of a lot never emerge closer together than this (a choice, no source). Without it a few
# seeds that came up between the same two looks would pass for seeds that came up at one moment.
_LEAST_SPREAD: Final = 0.04
_TURNBULL_STEPS: Final = 2_000
# Three questions that overlap are as hard as about two that do not (a choice, held by simulated twins).
_VIGOUR_QUESTIONS: Final = 2.0


def logrank_scores(before: ArrayLike, by: ArrayLike, strata: ArrayLike) -> FloatArray:
    """Log-rank scores of seeds whose emergence is only known to lie between two looks, each within its stratum.

    From the maximum likelihood curve of the intervals (Turnbull 1976, J. R. Stat. Soc. B 38:290-295): the score of
    Finkelstein (1986), Biometrics 42:845-854, (S(a) log S(a) - S(b) log S(b)) / (S(a) - S(b)),
    so that a late seed scores low like in ``logrank_rearranged``; with times that are known it is that score.
    ``before`` is the last look without the seedling, ``by`` the first with it, infinite if it was never seen.
    Errors: ValueError for unequal lengths, or ``by`` not above ``before``.
    """
    low, high, kinds = _intervals(before, by, strata)
    scores = np.zeros(low.size)
    for kind in np.unique(kinds):
        here = kinds == kind
        scores[here] = _turnbull_scores(low[here], high[here])
    return scores


def lateness_scores(before: ArrayLike, by: ArrayLike, strata: ArrayLike) -> FloatArray:
    """How late each seed that emerged was for its stratum; 0 for a seed that was never seen.

    The derivative of the log likelihood of its interval by the median time, at the log-normal time fitted to all
    emerged seeds without regard to groups (a score test in the sense of Rao 1948, Proc. Camb. Phil. Soc. 44:50-57).
    Arguments and errors as for ``logrank_scores``.
    """
    low, high, kinds = _intervals(before, by, strata)
    up = np.isfinite(high)
    scores = np.zeros(low.size)
    if up.sum() < 2:
        return scores
    log_low, log_high = np.log(np.maximum(low[up], 1e-9)), np.log(high[up])
    names = np.unique(kinds[up])
    design = np.column_stack([(kinds[up] == name).astype(np.float64) for name in names])
    middle = (np.log(np.maximum(low[up], high[up] * 0.5)) + log_high) / 2.0
    start = [float(middle[kinds[up] == name].mean()) for name in names]
    found = minimize(_interval_cost, [*start, math.log(0.1)], args=(design, log_low, log_high), method="BFGS").x
    sd, centre = _spread(found), design @ found[:-1]
    a, b = (log_low - centre) / sd, (log_high - centre) / sd
    density = (np.exp(-(a**2) / 2.0) - np.exp(-(b**2) / 2.0)) / math.sqrt(2.0 * math.pi)
    scores[up] = density / np.exp(_log_between(a, b))
    return scores


def vigour_rearranged(
    before: ArrayLike, by: ArrayLike, in_second: ArrayLike, strata: ArrayLike, draws: int = EXACT_UP_TO
) -> Largest:
    """Do the seeds of two groups differ: in how many emerged, in how late those came, or in both the same way?

    Three questions judged together (``rearranged.largest_rearranged``): not emerged, late, and the sum of the two in
    standard deviations. Seed that loses its vigour comes up late before it fails to come up (Ellis and Roberts 1981,
    Seed Sci. Technol. 9:373-409), so the sum finds it sooner than either; the other two keep watch over
    differences of one kind. Arguments and errors as for ``logrank_scores``.
    """
    low, high, kinds = _intervals(before, by, strata)
    failed = scale_to_unit(np.isinf(high).astype(np.float64), in_second, kinds)
    late = scale_to_unit(lateness_scores(low, high, kinds), in_second, kinds)
    return largest_rearranged(np.stack([failed, late, failed + late]), in_second, kinds, draws)


def vigour_power(
    share_a_fraction: float,
    count_a: int,
    share_b_fraction: float,
    count_b: int,
    time_ratio: float,
    spread_fraction: float,
    alpha_fraction: float = 0.05,
) -> float:
    """About how often ``vigour_rearranged`` finds seed of which fewer emerge (b), and those ``time_ratio`` later.

    Normal approximation of the sum of both, against two questions' worth of ``alpha_fraction``. ``spread_fraction`` is
    that of single times, looks included. Shares above 0 and below 1, counts 1 or more, ``time_ratio`` and
    ``spread_fraction`` above 0. Errors: ValueError otherwise.
    """
    p_a, p_b = (
        float(within("share", each, 0.0, 1.0, low_excluded=True)) for each in (share_a_fraction, share_b_fraction)
    )
    n_a, n_b = float(within("count_a", count_a, 1.0)), float(within("count_b", count_b, 1.0))
    spread = float(within("spread_fraction", spread_fraction, 0.0, low_excluded=True))
    later = math.log(float(within("time_ratio", time_ratio, 0.0, low_excluded=True)))
    middle = (p_a * n_a + p_b * n_b) / (n_a + n_b)
    fewer_z = (p_a - p_b) / math.sqrt(max(1e-9, middle * (1.0 - middle)) * (1.0 / n_a + 1.0 / n_b))
    later_z = later / (spread * math.sqrt(1.0 / (p_a * n_a) + 1.0 / (p_b * n_b)))
    needed_z = float(ndtri(1.0 - alpha_fraction / (2.0 * _VIGOUR_QUESTIONS)))
    return float(ndtr((fewer_z + later_z) / math.sqrt(2.0) - needed_z))


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
        return _interval_cost(parameters, design, log_low, log_high)

    none = columns[:, :-1]
    alone = minimize(cost, [*start, math.log(spread)], args=(none,), method="BFGS")
    whole = minimize(cost, [*alone.x[:-1], 0.0, alone.x[-1]], args=(columns,), method="BFGS")
    fitted = names.size + 2
    shrink = max(0.1, (low.size - fitted) / low.size)
    statistic = max(0.0, 2.0 * float(alone.fun - whole.fun)) * shrink
    shift = float(whole.x[-2])
    se = _se_of_shift(cost, whole.x, columns, shift, statistic)
    z = float(ndtri(0.5 + float(within("confidence_fraction", confidence_fraction, 0.0, 0.9999)) / 2.0))
    sd = _spread(whole.x)
    half = z * se / math.sqrt(shrink)
    return Shift(math.exp(shift), math.exp(shift - half), math.exp(shift + half), float(chdtrc(1.0, statistic)), sd)


def _intervals(before: ArrayLike, by: ArrayLike, strata: ArrayLike) -> tuple[FloatArray, FloatArray, NDArray[Any]]:
    low, high = series("before", before, 0.0), np.asarray(by, dtype=np.float64)
    kinds = np.asarray(strata)
    if not low.shape == high.shape == kinds.shape:
        raise ValueError("before, by and strata must be of one length")
    if not (high > low).all():
        raise ValueError("by must lie above before for every seed")
    return low, high, kinds


def _turnbull_scores(low: FloatArray, high: FloatArray) -> FloatArray:
    edges = np.unique(np.concatenate((low, high)))
    covers = (low[:, None] <= edges[None, :-1]) & (edges[None, 1:] <= high[:, None])
    mass = np.full(edges.size - 1, 1.0 / (edges.size - 1))
    for _ in range(_TURNBULL_STEPS):
        parts = covers * mass
        moved = (parts / parts.sum(axis=1, keepdims=True)).mean(axis=0)
        if float(np.abs(moved - mass).max()) < 1e-10:
            break
        mass = moved
    left = np.concatenate((1.0 - np.concatenate(([0.0], np.cumsum(mass)[:-1])), [0.0])).clip(0.0, 1.0)
    at_low, at_high = (left[np.searchsorted(edges, each)] for each in (low, high))
    return np.asarray((xlogy(at_low, at_low) - xlogy(at_high, at_high)) / np.maximum(at_low - at_high, 1e-12))


def _spread(parameters: FloatArray) -> float:
    return math.hypot(_LEAST_SPREAD, math.exp(min(2.0, float(parameters[-1]))))


def _interval_cost(parameters: FloatArray, design: FloatArray, log_low: FloatArray, log_high: FloatArray) -> float:
    """Minus the log likelihood of log-normal times known to lie in intervals."""
    sd, centre = _spread(parameters), design @ parameters[:-1]
    return -float(np.sum(_log_between((log_low - centre) / sd, (log_high - centre) / sd)))


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
