"""Straight lines for calibration, and control charts that tell when a calibration has moved."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from controller.science.ranges import FloatArray, Numbers, as_given, same_length, series, within

# Mean of the range of two normal values, in standard deviations (d2 for n = 2: 2 / sqrt(pi), 1.128 as
# tabulated).
MOVING_RANGE_PER_SIGMA: Final = 1.128
SHEWHART_WIDTH: Final = 3.0


@dataclass(frozen=True)
class Line:
    """A straight line fitted by least squares, y = intercept + slope x, and its uncertainties.

    ``slope_se`` and ``intercept_se`` are standard uncertainties and ``correlation`` is the correlation
    between slope and intercept (not between x and y); ``residual_sd`` is the standard deviation of the
    residuals in the unit of y; ``r_squared`` is NaN if every y is the same.
    """

    slope: float
    intercept: float
    slope_se: float
    intercept_se: float
    residual_sd: float
    r_squared: float
    correlation: float

    def predict(self, x: Numbers) -> tuple[Numbers, Numbers]:
        """The line's value at x and its standard uncertainty, both in the unit of y.

        The uncertainty is that of the line, with the covariance of slope and intercept (GUM, JCGM 100:2008,
        H.3.4); a single new reading scatters by ``residual_sd`` besides. Errors: ValueError if x is not
        finite.
        """
        at = within("x", x)
        covariance = self.correlation * self.slope_se * self.intercept_se
        variance = self.intercept_se**2 + 2.0 * at * covariance + (at * self.slope_se) ** 2
        value = np.asarray(self.intercept + self.slope * at)
        return as_given(x, value), as_given(x, np.asarray(np.sqrt(np.maximum(variance, 0.0))))


def fit_line(x: ArrayLike, y: ArrayLike) -> Line:
    """Least squares line through pairs of x and y, all of equal weight, x taken as exact.

    Source: GUM (JCGM 100:2008) H.3; certified values for it are NIST StRD Norris. At least three pairs, x not
    all the same. Accuracy: ten digits of the certified values. Errors: ValueError otherwise.
    """
    xs, ys = _pairs(x, y, at_least=3)
    x_mean, y_mean = float(np.mean(xs)), float(np.mean(ys))
    x_spread = float(np.sum((xs - x_mean) ** 2))
    if x_spread == 0.0:
        raise ValueError(f"x must hold at least two different values, found only {x_mean!r}")
    slope = float(np.sum((xs - x_mean) * (ys - y_mean))) / x_spread
    residuals = (ys - y_mean) - slope * (xs - x_mean)
    residual_sd = math.sqrt(float(np.sum(residuals**2)) / (xs.size - 2))
    from_mean = math.sqrt(1.0 / xs.size + x_mean**2 / x_spread)
    return Line(
        slope=slope,
        intercept=y_mean - slope * x_mean,
        slope_se=residual_sd / math.sqrt(x_spread),
        intercept_se=residual_sd * from_mean,
        residual_sd=residual_sd,
        r_squared=_share_explained(residuals, ys - y_mean),
        correlation=-x_mean / (math.sqrt(x_spread) * from_mean),
    )


def fit_through_origin(x: ArrayLike, y: ArrayLike) -> Line:
    """Least squares line y = slope x, for a quantity that is known to be nothing where x is nothing.

    The intercept is exactly 0 and its uncertainty and correlation are 0; ``r_squared`` is the uncentred one,
    as in the certified values of NIST StRD NoInt1. At least two pairs, x not all 0. Errors: ValueError
    otherwise.
    """
    xs, ys = _pairs(x, y, at_least=2)
    x_squares = float(np.sum(xs**2))
    if x_squares == 0.0:
        raise ValueError("x must hold at least one value other than 0, found only 0")
    slope = float(np.sum(xs * ys)) / x_squares
    residuals = ys - slope * xs
    residual_sd = math.sqrt(float(np.sum(residuals**2)) / (xs.size - 1))
    return Line(
        slope=slope,
        intercept=0.0,
        slope_se=residual_sd / math.sqrt(x_squares),
        intercept_se=0.0,
        residual_sd=residual_sd,
        r_squared=_share_explained(residuals, ys),
        correlation=0.0,
    )


@dataclass(frozen=True, eq=False)
class ControlChart:
    """Points of a control chart, its centre line and its limits, all in the unit of the values."""

    points: FloatArray
    centre: float
    low: float
    high: float

    @property
    def outside(self) -> NDArray[np.bool_]:
        """True for each point beyond a limit; a point on the limit is inside."""
        return (self.points < self.low) | (self.points > self.high)


def ewma_limits(values: ArrayLike, target: float, sigma: float, weight: float, width: float) -> ControlChart:
    """Exponentially weighted moving average chart: its points and its asymptotic limits.

    Each point is weight x value + (1 - weight) x the point before, starting from the target; the limits are
    target +- width x sigma x sqrt(weight / (2 - weight)). Source: NIST/SEMATECH e-Handbook of Statistical
    Methods, 6.3.2.4. At least one value; ``sigma`` (standard deviation of the values, known beforehand) and
    ``width`` above 0; ``weight`` above 0 to 1. Errors: ValueError otherwise.
    """
    readings = series("values", values)
    centre = float(within("target", target))
    spread = float(within("sigma", sigma, 0.0, low_excluded=True))
    share = float(within("weight", weight, 0.0, 1.0, low_excluded=True))
    half = float(within("width", width, 0.0, low_excluded=True)) * spread * math.sqrt(share / (2.0 - share))
    points, point = np.empty_like(readings), centre
    for index, reading in enumerate(readings):
        point = share * float(reading) + (1.0 - share) * point
        points[index] = point
    return ControlChart(points, centre, centre - half, centre + half)


def individuals_limits(values: ArrayLike) -> ControlChart:
    """Shewhart chart of single values: mean +- 3 x mean moving range / 1.128.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2. The limits come from the values
    themselves, so they are taken while the process is known to be in order. At least two values. Errors:
    ValueError otherwise.
    """
    readings = series("values", values, at_least=2)
    centre = float(np.mean(readings))
    half = SHEWHART_WIDTH * float(np.mean(np.abs(np.diff(readings)))) / MOVING_RANGE_PER_SIGMA
    return ControlChart(readings, centre, centre - half, centre + half)


def _pairs(x: ArrayLike, y: ArrayLike, *, at_least: int) -> tuple[FloatArray, FloatArray]:
    xs, ys = series("x", x, at_least=at_least), series("y", y, at_least=at_least)
    same_length("x", xs, "y", ys)
    return xs, ys


def _share_explained(residuals: FloatArray, deviations: FloatArray) -> float:
    total = float(np.sum(deviations**2))
    return 1.0 - float(np.sum(residuals**2)) / total if total > 0.0 else math.nan
