"""Growth curves of single plants: logistic and Gompertz, fitted with their uncertainty."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import OptimizeWarning, curve_fit
from scipy.special import fdtrc

from controller.science.ranges import FloatArray, Numbers, as_given, same_length, series, within

SHAPES = ("logistic", "gompertz")
_MOST_FOLLOWING = 0.85  # beyond, a few weeks cannot tell how much (a choice, no source)


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


@dataclass(frozen=True)
class CurvesTest:
    """Whether one curve would do for two series: ``f`` with ``df_curves`` and ``df_looks``, and its probability.

    ``looks_share_fraction`` is what the looks count for, errors that follow each other being fewer than they seem.
    """

    f: float
    df_curves: float
    df_looks: float
    looks_share_fraction: float
    p: float


def curves_test(
    days_a: ArrayLike, values_a: ArrayLike, days_b: ArrayLike, values_b: ArrayLike, shape: str = "logistic"
) -> CurvesTest:
    """Two series of measurements against one curve through both, by the extra sum of squares.

    Source: Bates and Watts (1988), Nonlinear Regression Analysis and Its Applications, section 3.10. Looks at one plant
    or bed that err alike from one to the next are counted as fewer, by (1 - r) / (1 + r) as in
    ``agreement.mean_of_series``. It speaks of these two series only: two beds of one treatment also differ.
    Arguments and errors as for ``fit_growth``.
    """
    a, b = fit_growth(days_a, values_a, shape), fit_growth(days_b, values_b, shape)
    t_a, t_b = series("days_a", days_a), series("days_b", days_b)
    y_a, y_b = series("values_a", values_a), series("values_b", values_b)
    both_t, both_y = np.concatenate((t_a, t_b)), np.concatenate((y_a, y_b))
    one = fit_growth(both_t, both_y, shape)
    left = [np.asarray(y) - np.asarray(curve.at(t)) for y, curve, t in ((y_a, a, t_a), (y_b, b, t_b))]
    apart = sum(float(np.sum(each**2)) for each in left)
    together = float(np.sum((both_y - np.asarray(one.at(both_t))) ** 2))
    follow = min(_MOST_FOLLOWING, max(0.0, float(np.mean([_follow(each) for each in left]))))
    share = (1.0 - follow) / (1.0 + follow)
    df = max(1.0, share * both_t.size - 6.0)
    least = 1e-12 * float(np.sum(both_y**2))
    f = max(0.0, (share * (together - apart) / 3.0) / (max(apart, least) * share / df))
    return CurvesTest(f, 3.0, df, share, float(fdtrc(3.0, df, f)))


def _follow(residuals: FloatArray) -> float:
    """Correlation of each error with the one before, raised by what fitting three figures and a mean hides of it.

    Marriott and Pope (1954), Biometrika 41:390-402, for that bias; its size here is an approximation of this project.
    """
    square, n = float(np.sum(residuals**2)), residuals.size
    seen = float(np.sum(residuals[1:] * residuals[:-1])) / square if square > 0.0 else 0.0
    return (n * seen + 4.0) / max(1.0, n - 4.0)


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
