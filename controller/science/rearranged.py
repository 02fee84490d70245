"""Tests by rearrangement: what would be seen if chance alone had decided which group each unit stood in.

Units are rearranged only within their stratum (species). No shape of distribution is assumed, which is what a handful
of seeds allows. Sources: Fisher (1935), The Design of Experiments, section 21; Pitman (1937), Suppl. J. R. Stat. Soc.
4:119-130.
"""

import itertools
import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from controller.science.ranges import FloatArray, series, within

EXACT_UP_TO: Final = 20_000  # rearrangements that are all tried; beyond, so many are drawn
_SAME: Final = 1e-9  # sums nearer than this to the one seen count as equal to it


@dataclass(frozen=True)
class Rearranged:
    """``statistic`` is a chi-square, ``p`` its probability over the rearrangements; ``exact``: all were tried."""

    statistic: float
    p: float
    exact: bool


@dataclass(frozen=True)
class Largest:
    """Several questions about the same units, judged together by the one that stands out most.

    ``z`` is each question's sum in the second group in standard deviations under rearrangement, ``p_each`` its
    probability raised so that all of them together err as one would; ``p`` is the least of these.
    """

    z: tuple[float, ...]
    p_each: tuple[float, ...]
    p: float
    exact: bool


def scores_rearranged(
    scores: ArrayLike, in_second: ArrayLike, strata: ArrayLike, draws: int = EXACT_UP_TO
) -> Rearranged:
    """Whether scores are higher or lower in the second group: its sum of scores, less what each stratum has on average.

    ``in_second`` marks the group, ``strata`` what is never rearranged across. All rearrangements are tried when there
    are at most ``draws``, otherwise that many are drawn from a fixed seed. Without any difference in scores p is 1.
    Errors: ValueError for unequal lengths.
    """
    centred, second, kinds = _centred(scores, in_second, strata)
    variance = _sum_variances(centred[None, :], second, kinds)[0]
    if variance <= 1e-12:
        return Rearranged(0.0, 1.0, True)
    marks, exact = _arrangements(second, kinds, draws)
    seen, sums = float(centred[second].sum()), marks @ centred
    as_far = int(np.sum(np.abs(sums) >= abs(seen) - _SAME))
    return Rearranged(seen**2 / variance, _share(as_far, len(sums), exact), exact)


def means_rearranged(
    values: ArrayLike, in_second: ArrayLike, strata: ArrayLike, draws: int = EXACT_UP_TO
) -> Rearranged:
    """Whether the means of two groups differ within strata. Arguments and errors as for ``scores_rearranged``."""
    return scores_rearranged(series("values", values), in_second, strata, draws)


def largest_rearranged(scores: ArrayLike, in_second: ArrayLike, strata: ArrayLike, draws: int = EXACT_UP_TO) -> Largest:
    """Several scores of the same units (questions x units), each tested, all together erring as one test would.

    The probability of each is that of the largest of all questions reaching as far (Westfall and Young 1993,
    Resampling-Based Multiple Testing, section 2.3, single step), so questions that say nearly the same cost little.
    NaN marks a unit of which a question knows nothing. Errors: ValueError for unequal lengths.
    """
    rows = np.atleast_2d(np.asarray(scores, dtype=np.float64))
    parts = [_centred(row, in_second, strata) for row in rows]
    second, kinds = parts[0][1], parts[0][2]
    centred = np.stack([part[0] for part in parts])
    sd = np.sqrt(_sum_variances(centred, second, kinds))
    scaled = np.divide(centred, sd[:, None], out=np.zeros_like(centred), where=sd[:, None] > 1e-6)
    z = scaled[:, second].sum(axis=1)
    if not scaled.any():
        return Largest(tuple(z.tolist()), (1.0,) * len(z), 1.0, True)
    marks, exact = _arrangements(second, kinds, draws)
    furthest = np.abs(marks @ scaled.T).max(axis=1)
    p_each = [_share(int(np.sum(furthest >= abs(one) - _SAME)), len(furthest), exact) for one in z.tolist()]
    return Largest(tuple(z.tolist()), tuple(p_each), min(p_each), exact)


def groups_rearranged(scores: ArrayLike, groups: ArrayLike, strata: ArrayLike, draws: int = EXACT_UP_TO) -> Rearranged:
    """Whether scores differ between any of several groups: one test before pairs are looked at.

    The statistic is the sum over groups of the squared sum of centred scores over the group's size, in units of the
    scores' variance: the chi-square of Kruskal and Wallis (1952, J. Am. Stat. Assoc. 47:583-621) for ranks, of Pearson
    for marks of yes and no, of the log-rank test for log-rank scores, each by rearrangement. Never exact: ``draws``
    rearrangements are drawn from a fixed seed. Errors as for ``scores_rearranged``.
    """
    names = np.unique(np.asarray(groups))
    where = np.searchsorted(names, np.asarray(groups))
    centred, _, kinds = _centred(scores, np.zeros(len(where), dtype=np.bool_), strata)
    variance = float(sum(np.var(centred[kinds == k], ddof=1) * (kinds == k).sum() for k in np.unique(kinds)
                         if (kinds == k).sum() > 1)) / max(1, len(centred))  # fmt: skip
    if variance <= 1e-12:
        return Rearranged(0.0, 1.0, True)
    sizes = np.bincount(where, minlength=len(names)).astype(np.float64)

    def statistic(values: FloatArray) -> FloatArray:
        sums = np.stack([values[:, where == g].sum(axis=1) for g in range(len(names))])
        return np.asarray((sums**2 / sizes[:, None]).sum(axis=0) / variance)

    chance = np.random.default_rng(1)
    drawn = np.zeros((draws, len(centred)))
    for kind in np.unique(kinds):
        here = np.flatnonzero(kinds == kind)
        order = np.argsort(chance.random((draws, here.size)), axis=1)
        drawn[:, here] = centred[here][order]
    seen = float(statistic(centred[None, :])[0])
    as_far = int(np.sum(statistic(drawn) >= seen - _SAME))
    return Rearranged(seen, _share(as_far, draws, False), False)


def scale_to_unit(scores: ArrayLike, in_second: ArrayLike, strata: ArrayLike) -> FloatArray:
    """Scores whose sum in the second group has a standard deviation of 1 under rearrangement, fit to be added up."""
    centred, second, kinds = _centred(scores, in_second, strata)
    sd = math.sqrt(float(_sum_variances(centred[None, :], second, kinds)[0]))
    return centred / sd if sd > 1e-6 else np.zeros_like(centred)


def holm(probabilities: ArrayLike, weights: ArrayLike | None = None) -> FloatArray:
    """Probabilities raised for the number of questions asked, so that all answers together err as one would.

    Source: Holm (1979), Scand. J. Stat. 6:65-70, with his weights: a question of twice the weight may err twice as
    often. Probabilities 0 to 1, weights above 0 (all alike without); in the order given. Errors: ValueError.
    """
    p = within("probabilities", probabilities, 0.0, 1.0).ravel()
    share = np.ones(p.size) if weights is None else within("weights", weights, 0.0, low_excluded=True).ravel()
    if share.size != p.size:
        raise ValueError(f"weights must be as many as probabilities ({p.size}), found {share.size}")
    order = np.argsort(p / share, kind="stable")
    left = np.cumsum(share[order][::-1])[::-1]
    raised = np.maximum.accumulate(p[order] / share[order] * left)
    answer = np.empty_like(p)
    answer[order] = np.minimum(1.0, raised)
    return answer


def _share(as_far: int, tried: int, exact: bool) -> float:
    return as_far / tried if exact else (as_far + 1.0) / (tried + 1.0)


def _centred(
    scores: ArrayLike, in_second: ArrayLike, strata: ArrayLike
) -> tuple[FloatArray, NDArray[np.bool_], NDArray[Any]]:
    """Scores less the mean of their stratum; 0 where a score is not known."""
    values = np.array(scores, dtype=np.float64)
    second, kinds = np.asarray(in_second, dtype=np.bool_), np.asarray(strata)
    if not values.shape == second.shape == kinds.shape or values.ndim != 1:
        raise ValueError("scores, in_second and strata must be of one length")
    for kind in np.unique(kinds):
        here = (kinds == kind) & ~np.isnan(values)
        if here.any():
            values[here] -= values[here].mean()
    return np.nan_to_num(values), second, kinds


def _sum_variances(centred: FloatArray, second: NDArray[np.bool_], kinds: NDArray[Any]) -> FloatArray:
    """Variance, under rearrangement, of each row's sum over the second group."""
    total = np.zeros(len(centred))
    for kind in np.unique(kinds):
        here = kinds == kind
        n, chosen = int(here.sum()), int(second[here].sum())
        if 0 < chosen < n:
            total += chosen * (n - chosen) / n * np.var(centred[:, here], axis=1, ddof=1)
    return total


def _arrangements(second: NDArray[np.bool_], kinds: NDArray[Any], draws: int) -> tuple[FloatArray, bool]:
    """Marks of the second group (arrangements x units), and whether they are all that there are."""
    strata = [np.flatnonzero(kinds == kind) for kind in np.unique(kinds)]
    chosen = [int(second[here].sum()) for here in strata]
    ways = math.prod(math.comb(here.size, count) for here, count in zip(strata, chosen, strict=True))
    if ways > draws:
        chance = np.random.default_rng(1)
        marks = np.zeros((draws, second.size))
        for here, count in zip(strata, chosen, strict=True):
            order = np.argsort(chance.random((draws, here.size)), axis=1)[:, :count]
            np.put_along_axis(marks, here[order], 1.0, axis=1)
        return marks, False
    marks = np.zeros((1, second.size))
    for here, count in zip(strata, chosen, strict=True):
        taken = np.array(list(itertools.combinations(here.tolist(), count)), dtype=np.int64).reshape(-1, count)
        each = np.zeros((len(taken), second.size))
        np.put_along_axis(each, taken, 1.0, axis=1)
        marks = (marks[:, None, :] + each[None, :, :]).reshape(-1, second.size)
    return marks, True
