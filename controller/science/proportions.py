"""Shares of a few seeds: intervals that hold for small numbers, tests between groups, and their power."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaincinv, gammaln, ndtri, xlogy

from controller.science.ranges import FloatArray, same_length, series, within


@dataclass(frozen=True)
class Interval:
    """A share and the interval for it, each a fraction from 0 to 1."""

    share_fraction: float
    low_fraction: float
    high_fraction: float


def wilson_interval(successes: int, trials: int, confidence_fraction: float = 0.95) -> Interval:
    """Wilson's score interval of a share: on average at its stated confidence, also for small numbers.

    Source: Wilson (1927), J. Am. Stat. Assoc. 22:209-212. ``trials`` 1 or more, ``successes`` 0 to ``trials``.
    Errors: ValueError otherwise.
    """
    hits, sown = _counted(successes, trials)
    z = float(ndtri(0.5 + _confidence(confidence_fraction) / 2.0))
    share = hits / sown
    centre = (share + z**2 / (2.0 * sown)) / (1.0 + z**2 / sown)
    half = z / (1.0 + z**2 / sown) * math.sqrt(share * (1.0 - share) / sown + z**2 / (4.0 * sown**2))
    return Interval(share, max(0.0, centre - half), min(1.0, centre + half))


def exact_interval(successes: int, trials: int, confidence_fraction: float = 0.95) -> Interval:
    """The exact (Clopper and Pearson) interval of a share: never below its stated confidence, so wider.

    Source: Clopper and Pearson (1934), Biometrika 26:404-413. Bounds and errors as for ``wilson_interval``.
    """
    hits, sown = _counted(successes, trials)
    tail = (1.0 - _confidence(confidence_fraction)) / 2.0
    low = 0.0 if hits == 0 else float(betaincinv(hits, sown - hits + 1, tail))
    high = 1.0 if hits == sown else float(betaincinv(hits + 1, sown - hits, 1.0 - tail))
    return Interval(hits / sown, low, high)


def fisher_p(successes_a: int, trials_a: int, successes_b: int, trials_b: int) -> float:
    """Fisher's exact test that two groups share one chance of success, two-sided probability.

    The sum over all tables with these margins that are no likelier than the one seen. Source: Fisher (1934),
    Statistical Methods for Research Workers, 5th ed., section 21.02. Bounds as for ``wilson_interval``.
    """
    hits_a, sown_a = _counted(successes_a, trials_a)
    hits_b, sown_b = _counted(successes_b, trials_b)
    least, chances = _tables(hits_a + hits_b, sown_a, sown_b)
    seen = chances[hits_a - least]
    return float(min(1.0, np.sum(chances[chances <= seen * (1.0 + 1e-7)])))


def fisher_power(
    share_a_fraction: float, trials_a: int, share_b_fraction: float, trials_b: int, alpha_fraction: float = 0.05
) -> float:
    """Chance that ``fisher_p`` finds a difference at ``alpha_fraction`` when the true shares are these.

    By adding up every outcome; exact. Shares 0 to 1, at least one trial in each group.
    Errors: ValueError otherwise.
    """
    p_a, p_b = (float(within("share", each, 0.0, 1.0)) for each in (share_a_fraction, share_b_fraction))
    _counted(0, trials_a), _counted(0, trials_b)
    chance_a, chance_b = _binomial(trials_a, p_a), _binomial(trials_b, p_b)
    return float(
        sum(
            chance_a[a] * chance_b[b]
            for a in range(trials_a + 1)
            for b in range(trials_b + 1)
            if fisher_p(a, trials_a, b, trials_b) <= alpha_fraction
        )
    )


def log_odds(successes: int, trials: int) -> tuple[float, float]:
    """The logarithm of the odds of success, and its standard error; both outcomes must occur.

    Equal to the intercept of a binomial logistic regression of that group alone. Errors: ValueError if every
    trial came out the same.
    """
    hits, sown = _counted(successes, trials)
    if hits in (0, sown):
        raise ValueError(f"successes must lie between 0 and trials ({sown}), both excluded, found {hits}")
    return math.log(hits / (sown - hits)), math.sqrt(1.0 / hits + 1.0 / (sown - hits))


@dataclass(frozen=True)
class Heterogeneity:
    """How much shares differ inside their groups, beyond chance: two statistics, and degrees of freedom.

    ``dispersion`` is the Pearson statistic per degree of freedom: near 1 if the trials are independent, larger
    if trials of one batch (seeds of one chamber) share a fate.
    """

    pearson: float
    deviance: float
    df: int
    dispersion: float


def heterogeneity(successes: ArrayLike, trials: ArrayLike, groups: ArrayLike) -> Heterogeneity:
    """Whether batches of one group (chambers of one plan) have shares more unlike than chance makes them.

    Pearson's chi-square and the deviance of a binomial model with one share for each group. Source: Crowder
    (1978), Appl. Stat. 27:34-37, whose data it reproduces. Batches of at least one trial, more batches than
    groups; a group in which every trial came out the same adds nothing. Errors: ValueError otherwise.
    """
    hits, sown = series("successes", successes, 0.0), series("trials", trials, 1.0)
    marks = np.asarray(groups)
    same_length("trials", sown, "successes", hits)
    if marks.shape != sown.shape or (hits > sown).any():
        raise ValueError("groups must be as long as trials, and no batch may have more successes than trials")
    names = np.unique(marks)
    df = int(sown.size - names.size)
    if df < 1:
        raise ValueError(f"groups must hold fewer groups than batches ({sown.size}), found {names.size}")
    pearson = deviance = 0.0
    for name in names:
        y, n = hits[marks == name], sown[marks == name]
        share = float(np.sum(y) / np.sum(n))
        if share in (0.0, 1.0):
            continue
        pearson += float(np.sum((y - n * share) ** 2 / (n * share * (1.0 - share))))
        deviance += 2.0 * float(np.sum(xlogy(y, y / (n * share)) + xlogy(n - y, (n - y) / (n * (1.0 - share)))))
    return Heterogeneity(pearson, deviance, df, pearson / df)


def _counted(successes: int, trials: int) -> tuple[int, int]:
    sown, hits = float(within("trials", trials, 1.0)), float(within("successes", successes, 0.0))
    if hits > sown or hits != int(hits) or sown != int(sown):
        raise ValueError(f"successes must be a whole number from 0 to trials ({trials!r}), found {successes!r}")
    return int(hits), int(sown)


def _confidence(confidence_fraction: float) -> float:
    confidence = float(within("confidence_fraction", confidence_fraction, 0.0, 1.0, low_excluded=True))
    if confidence == 1.0:
        raise ValueError("confidence_fraction must be below 1, found 1.0")
    return confidence


def _tables(hits: int, sown_a: int, sown_b: int) -> tuple[int, FloatArray]:
    """The least possible successes of the first group, and the chance of each table from there on."""
    least, most = max(0, hits - sown_b), min(hits, sown_a)
    a = np.arange(least, most + 1, dtype=np.float64)
    ways = _log_choose(sown_a, a) + _log_choose(sown_b, hits - a) - _log_choose(sown_a + sown_b, np.float64(hits))
    return least, np.exp(ways)


def _log_choose(of: int, chosen: FloatArray | np.float64) -> FloatArray:
    return np.asarray(gammaln(of + 1.0) - gammaln(chosen + 1.0) - gammaln(of - chosen + 1.0))


def _binomial(trials: int, share_fraction: float) -> FloatArray:
    k = np.arange(trials + 1, dtype=np.float64)
    return np.asarray(
        np.exp(_log_choose(trials, k) + xlogy(k, share_fraction) + xlogy(trials - k, 1.0 - share_fraction))
    )
