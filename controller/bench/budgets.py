"""Uncertainty budgets as records keep them: lines of plain numbers and words, for certificates and other programs."""

import math
from typing import Any

from controller.science.budget import Combined, Share


def told(shares: list[Share], combined: Combined) -> dict[str, Any]:
    """The budget and what it comes to, ready for JSON; infinite degrees of freedom are written as null."""
    return {
        "standard_uncertainty": combined.standard_uncertainty,
        "df": None if math.isinf(combined.df) else combined.df,
        "coverage": combined.coverage,
        "expanded": combined.expanded,
        "budget": lines_of(shares),
    }


def lines_of(shares: list[Share]) -> list[dict[str, Any]]:
    return [
        {
            "source": each.source,
            "unit": each.unit,
            "standard_uncertainty": each.standard_uncertainty,
            "sensitivity": each.sensitivity,
            "share": each.share,
            "df": None if math.isinf(each.df) else each.df,
            "how": each.how,
        }
        for each in shares
    ]
