"""Pairs that do not belong to a straight line: found from a fit that a few of them cannot pull aside."""

import itertools
import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from controller.science.budget import student_quantile
from controller.science.lines import fit_line
from controller.science.ranges import same_length, series

FALSE_ALARM = 0.002  # chance that a series without any blunder shows one; more would narrow the interval unduly
MAD_TO_SIGMA = 1.4826  # of a normal sample
SUSPECT_SIGMAS = 3.5


def blunders(x: ArrayLike, y: ArrayLike) -> NDArray[np.bool_]:
    """True for each pair that lies too far from the line of the others.

    A line through the medians (Theil 1950, Sen 1968) and the median absolute deviation about it name suspects; the
    least squares line of the rest then judges each of them as a new reading, by Student's t with the level shared
    out over the number of pairs (Bonferroni), and takes back those that fit. At least five pairs; more than half
    must be sound. Errors: ValueError otherwise.
    """
    xs, ys = series("x", x, at_least=5), series("y", y, at_least=5)
    same_length("x", xs, "y", ys)
    slopes = [(ys[j] - ys[i]) / (xs[j] - xs[i]) for i, j in itertools.combinations(range(xs.size), 2) if xs[i] != xs[j]]
    if not slopes:
        raise ValueError(f"x must hold at least two different values, found only {float(xs[0])!r}")
    slope = float(np.median(slopes))
    rest = ys - slope * xs
    away = np.abs(rest - np.median(rest))
    scale = MAD_TO_SIGMA * float(np.median(away))
    out: NDArray[np.bool_] = away > SUSPECT_SIGMAS * scale
    least = max(4, xs.size // 2 + 1)
    while True:
        kept = ~out
        if kept.sum() < least or np.unique(xs[kept]).size < 2:
            out = away > np.sort(away)[least - 1]
            kept = ~out
            if np.unique(xs[kept]).size < 2:
                return out
        judged = _too_far(xs, ys, kept)
        if out.any() and not (out & judged).any() and not (kept & judged).any():
            return np.zeros(xs.size, dtype=bool)
        back = out & ~judged
        if back.any():  # take back the nearest one, then look again
            out = out.copy()
            out[np.flatnonzero(back)[np.argmin(away[back])]] = False
            continue
        return out


def _too_far(xs: NDArray[np.float64], ys: NDArray[np.float64], kept: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which pairs lie outside the prediction interval of the line through the kept ones."""
    line = fit_line(xs[kept], ys[kept])
    limit = student_quantile(1.0 - FALSE_ALARM / (2.0 * xs.size), float(kept.sum() - 2))
    value, uncertainty = line.predict(xs)
    spread = np.sqrt(line.residual_sd**2 + uncertainty**2)
    tiny = 1e-12 * max(1.0, float(np.max(np.abs(ys))))
    return np.asarray(np.abs(ys - value) > limit * spread + tiny) if math.isfinite(limit) else np.zeros(xs.size, bool)
