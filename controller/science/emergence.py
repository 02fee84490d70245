"""Times to emergence of a few seeds: curves with intervals, the log-rank test, and what a test can notice."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from controller.science.germination import kaplan_meier
from controller.science.ranges import FloatArray, series, within
from controller.science.rearranged import EXACT_UP_TO, Rearranged, scores_rearranged


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


def logrank_rearranged(
    times: ArrayLike, observed: ArrayLike, in_second: ArrayLike, strata: ArrayLike, draws: int = EXACT_UP_TO
) -> Rearranged:
    """Log-rank test within strata (species), its probability by rearrangement: valid for a handful of seeds.

    Each seed has the score of Peto and Peto (1972), J. R. Stat. Soc. A 135:185-207: seen or not, less the
    hazard summed up to its time; the statistic is the square of the scores' sum in the second group over its
    variance under rearrangement. For times that are known; for times between looks see
    ``between_looks.logrank_scores``. Arguments and errors as for ``rearranged.scores_rearranged``.
    """
    moments, seen = series("times", times, 0.0), np.asarray(observed, dtype=np.float64) == 1.0
    kinds = np.asarray(strata)
    if not moments.shape == seen.shape == kinds.shape:
        raise ValueError("times, observed, in_second and strata must be of one length")
    scores = np.zeros(moments.size)
    for kind in np.unique(kinds):
        here = kinds == kind
        scores[here] = _scores(moments[here], seen[here])
    return scores_rearranged(scores, in_second, kinds, draws)


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


def _scores(moments: FloatArray, seen: NDArray[np.bool_]) -> FloatArray:
    events = np.unique(moments[seen])
    at_risk = np.array([np.sum(moments >= t) for t in events], dtype=np.float64)
    happened = np.array([np.sum(moments[seen] == t) for t in events], dtype=np.float64)
    hazard = np.concatenate(([0.0], np.cumsum(happened / at_risk))) if events.size else np.zeros(1)
    return np.asarray(seen.astype(np.float64) - hazard[np.searchsorted(events, moments, side="right")])
