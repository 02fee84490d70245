"""Growth curves of single plants: logistic and Gompertz, fitted with their uncertainty."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import OptimizeWarning, curve_fit

from controller.science.ranges import FloatArray, Numbers, as_given, same_length, series, within

SHAPES = ("logistic", "gompertz")


@dataclass(frozen=True)
class GrowthCurve:
    """A fitted curve. ``final`` is the height (cover, number) it tends to, in the unit of the data.

    ``fastest_day`` is the day of fastest growth (half of ``final`` for the logistic, 37 % for Gompertz),
    ``rate_per_day`` the relative rate there; each with its standard error. ``aic`` compares shapes fitted to
    the same data: lower is better.
    """

    shape: str
    final: float
    fastest_day: float
    rate_per_day: float
    final_se: float
    fastest_day_se: float
    rate_per_day_se: float
    residual_sd: float
    aic: float

    def at(self, days: Numbers) -> Numbers:
        """The curve's value on these days."""
        moments = within("days", days)
        return as_given(days, _FORMS[self.shape](moments, self.final, self.fastest_day, self.rate_per_day))


def fit_growth(days: ArrayLike, values: ArrayLike, shape: str = "logistic") -> GrowthCurve:
    """Least squares curve through the measurements of one plant, or one bed.

    logistic: final / (1 + exp(-r (t - t0))) (Verhulst 1838); gompertz: final exp(-exp(-r (t - t0))) (Winsor
    1932, Proc. Natl. Acad. Sci. 18:1-8). Standard errors are those of least squares with independent errors:
    looks at one plant are not quite that, so between twins whole plants are compared, never single looks.
    At least five looks on different days, values 0 or more, not all the same. Errors: ValueError, also when no
    curve of the shape fits.
    """
    if shape not in SHAPES:
        raise ValueError(f"shape must be one of {', '.join(SHAPES)}, found {shape!r}")
    t, y = series("days", days, at_least=5), series("values", values, 0.0, at_least=5)
    same_length("days", t, "values", y)
    if np.unique(t).size < 5 or np.ptp(y) == 0.0:
        raise ValueError("days must hold five different days or more, and values must grow")
    top, span = float(y.max()), float(np.ptp(t))
    half = float(t[int(np.argmax(y >= top / 2.0))])
    try:
        found, covariance = _fitted(t, y, shape, (top * 1.05, half, 4.0 / span), span)
    except (RuntimeError, OptimizeWarning) as error:
        raise ValueError(f"values do not follow a {shape} curve: {error}") from error
    se = np.sqrt(np.diag(covariance))
    residuals = y - _FORMS[shape](t, *found)
    square = float(np.sum(residuals**2))
    aic = t.size * math.log(max(square, 1e-12) / t.size) + 2.0 * 4.0
    final, fastest_day, rate_per_day = (float(each) for each in found)
    final_se, fastest_day_se, rate_per_day_se = (float(each) for each in se)
    return GrowthCurve(
        shape=shape,
        final=final,
        fastest_day=fastest_day,
        rate_per_day=rate_per_day,
        final_se=final_se,
        fastest_day_se=fastest_day_se,
        rate_per_day_se=rate_per_day_se,
        residual_sd=math.sqrt(square / max(1, t.size - 3)),
        aic=aic,
    )


def _fitted(
    t: FloatArray, y: FloatArray, shape: str, start: tuple[float, float, float], span: float
) -> tuple[FloatArray, FloatArray]:
    top = float(y.max())
    bounds = ([0.3 * top, float(t.min()) - span, 1e-3], [5.0 * top, float(t.max()) + span, 50.0])
    found, covariance = curve_fit(_FORMS[shape], t, y, p0=start, bounds=bounds, maxfev=2000)
    return np.asarray(found, dtype=np.float64), np.asarray(covariance, dtype=np.float64)


def _logistic(t: FloatArray, final: float, fastest_day: float, rate_per_day: float) -> FloatArray:
    return np.asarray(final / (1.0 + np.exp(np.clip(-rate_per_day * (t - fastest_day), -500.0, 500.0))))


def _gompertz(t: FloatArray, final: float, fastest_day: float, rate_per_day: float) -> FloatArray:
    return np.asarray(final * np.exp(-np.exp(np.clip(-rate_per_day * (t - fastest_day), -500.0, 500.0))))


_FORMS = {"logistic": _logistic, "gompertz": _gompertz}
