"""The moisture probe against weighed samples of this medium: raw counts to volumetric water content."""

import math
from dataclasses import asdict, dataclass
from typing import Any

from controller.errors import SettingsError
from controller.science.budget import student_quantile
from controller.science.lines import fit_line

TWO_POINT_STANDARD_UNCERTAINTY_FRACTION = 0.02  # nothing can be told from two points; a choice, no source
UNCERTAINTY_MAX_FRACTION = 0.05


@dataclass(frozen=True, kw_only=True)
class Sample:
    """One pot or core: what the probe counted, and the water found by weighing wet and dry."""

    counts: int
    water_content_fraction: float


def water_content_fraction(wet_g: float, dry_g: float, bulk_volume_ml: float) -> float:
    """Volume of water in a volume of medium, from masses before and after drying; 1 g of water is taken as 1.002 ml."""
    if not 0.0 < dry_g <= wet_g:
        raise SettingsError((f"wet_g is {wet_g:g} and dry_g {dry_g:g}, but dry_g must be above 0 and at most wet_g.",))
    if bulk_volume_ml <= 0.0:
        raise SettingsError((f"bulk_volume_ml is {bulk_volume_ml:g}, but must be above 0.",))
    return 1.002 * (wet_g - dry_g) / bulk_volume_ml


def calibrate_probe(samples: list[Sample]) -> dict[str, Any]:
    """The line through the samples, and what the chamber would take; SettingsError for data without a line.

    With three samples or more the standard uncertainty is that of one new reading in the middle of the range
    (residual scatter and line), and ``predict`` widens towards the ends.
    """
    for place, each in enumerate(samples, 1):
        if not 0.0 <= each.water_content_fraction <= 1.0:
            found = f"{each.water_content_fraction:g}"
            raise SettingsError((f"sample {place}: water_content_fraction is {found}, but must be from 0 to 1.",))
        if not 0 <= each.counts <= 4095:
            raise SettingsError((f"sample {place}: counts is {each.counts}, but must be from 0 to 4095.",))
    if len({each.counts for each in samples}) < 2:
        raise SettingsError(("a probe calibration needs samples with two or more different counts.",))
    dry, wet = (f(samples, key=lambda s: s.water_content_fraction) for f in (min, max))
    if len(samples) == 2:
        slope = (wet.water_content_fraction - dry.water_content_fraction) / (wet.counts - dry.counts)
        intercept = dry.water_content_fraction - slope * dry.counts
        uncertainty, half, line = TWO_POINT_STANDARD_UNCERTAINTY_FRACTION, None, None
    else:
        line = fit_line([s.counts for s in samples], [s.water_content_fraction for s in samples])
        slope, intercept = line.slope, line.intercept
        _, from_line = line.predict((dry.counts + wet.counts) / 2.0)
        uncertainty = math.hypot(line.residual_sd, from_line)
        half = student_quantile(0.975, len(samples) - 2.0) * uncertainty
    low, high = sorted((dry.counts, wet.counts))
    refused = []
    if uncertainty > UNCERTAINTY_MAX_FRACTION:
        refused.append(
            f"One reading is uncertain by {uncertainty:.3f}; at most {UNCERTAINTY_MAX_FRACTION:g} is accepted."
        )
    ends = [min(1.0, max(0.0, intercept + slope * counts)) for counts in (dry.counts, wet.counts)]
    return {
        "accepted": not refused,
        "refused_because": refused,
        "settings": {
            "dry_count": dry.counts,
            "dry_fraction": round(ends[0], 4),
            "wet_count": wet.counts,
            "wet_fraction": round(ends[1], 4),
            "standard_uncertainty_fraction": round(uncertainty, 4),
        },
        "result": {
            "slope": slope,
            "intercept": intercept,
            "standard_uncertainty_fraction": uncertainty,
            "prediction_half_width_fraction": half,
            "counts_low": low,
            "counts_high": high,
            "line": None if line is None else asdict(line),
        },
    }
