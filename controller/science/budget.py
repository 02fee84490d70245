"""An uncertainty budget in the form of the GUM: inputs, their shares, and what they come to."""

import math
from typing import NamedTuple

from controller.science.ranges import within


class Share(NamedTuple):
    """One line of a budget. ``standard_uncertainty`` is in the input's ``unit``, ``share`` in that of the result."""

    source: str
    unit: str
    standard_uncertainty: float
    sensitivity: float
    df: float
    how: str

    @property
    def share(self) -> float:
        """What this input adds to the result's standard uncertainty, in the unit of the result."""
        return abs(self.sensitivity) * self.standard_uncertainty


class Combined(NamedTuple):
    """Combined standard uncertainty, effective degrees of freedom, coverage factor and expanded uncertainty."""

    standard_uncertainty: float
    df: float
    coverage: float
    expanded: float


def student_quantile(probability: float, df: float) -> float:
    """Quantile of Student's t, from scipy; the normal one for infinite degrees of freedom.

    ``probability`` above 0 and below 1, ``df`` above 0. Errors: ValueError otherwise; ImportError without scipy.
    """
    from scipy.special import ndtri, stdtrit

    within("df", 1.0 if math.isinf(df) else df, 0.0, low_excluded=True)
    within("probability", probability, 0.0, 1.0, low_excluded=True)
    return float(ndtri(probability) if math.isinf(df) else stdtrit(df, probability))


def combine(shares: list[Share], level: float = 0.95) -> Combined:
    """Root sum of squares of uncorrelated shares, expanded to ``level`` by Student's t.

    Source: JCGM 100:2008 (GUM), 5.1.2; effective degrees of freedom by Welch and Satterthwaite, G.4.1, not cut
    to a whole number. Errors: ValueError for an empty budget.
    """
    if not shares:
        raise ValueError("a budget must hold at least one share, found none")
    total = math.sqrt(sum(each.share**2 for each in shares))
    below = sum(each.share**4 / each.df for each in shares if not math.isinf(each.df))
    df = math.inf if below == 0.0 else total**4 / below
    coverage = student_quantile(0.5 + level / 2.0, df)
    return Combined(total, df, coverage, coverage * total)
