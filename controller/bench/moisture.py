"""The moisture probe against weighed samples of this medium: raw counts to volumetric water content."""

import math
from dataclasses import asdict, dataclass
from typing import Any

from controller.bench.budgets import told
from controller.errors import SettingsError
from controller.plan import Acceptance
from controller.science.budget import Share, combine
from controller.science.lines import Line, fit_line
from controller.science.medium import topp_water_content
from controller.science.volumetry import z_factor_ml_per_g

TWO_POINT_STANDARD_UNCERTAINTY_FRACTION = 0.02  # nothing can be told from two points; a choice, no source
TOPP_STANDARD_UNCERTAINTY_FRACTION = 0.013  # Topp, Davis and Annan (1980), in mineral soils (from memory)
ROOM_C, ROOM_KPA = 20.0, 101.325  # of the weighing; 10 C or 10 kPa change the water by 0.2 %
COUNTS_MAX = 4095


@dataclass(frozen=True, kw_only=True)
class Sample:
    """One pot or core: what the probe counted, and the water found by weighing wet and dry."""

    counts: int
    water_content_fraction: float


def water_content_fraction(wet_g: float, dry_g: float, bulk_volume_ml: float) -> float:
    """Volume of water at 20 C in a volume of medium, from masses before and after drying (ISO 8655-6)."""
    if not 0.0 < dry_g <= wet_g:
        raise SettingsError((f"wet_g is {wet_g:g} and dry_g {dry_g:g}, but dry_g must be above 0 and at most wet_g.",))
    if bulk_volume_ml <= 0.0:
        raise SettingsError((f"bulk_volume_ml is {bulk_volume_ml:g}, but must be above 0.",))
    return z_factor_ml_per_g(ROOM_C, ROOM_KPA) * (wet_g - dry_g) / bulk_volume_ml


def samples_of(rows: list[dict[str, float]]) -> list[Sample]:
    """Samples from rows with counts and water_content_fraction, the three of a weighing, or permittivity (Topp)."""
    found = []
    for place, row in enumerate(rows, 1):
        try:
            if "water_content_fraction" in row:
                fraction = row["water_content_fraction"]
            elif "permittivity" in row:
                fraction = topp_water_content(row["permittivity"])
            else:
                fraction = water_content_fraction(row["wet_g"], row["dry_g"], row["bulk_volume_ml"])
        except SettingsError as error:  # a ValueError too, whose sentences are whole
            raise SettingsError(tuple(f"sample {place}: {sentence}" for sentence in error.sentences)) from error
        except ValueError as error:
            raise SettingsError((f"sample {place}: {error}.",)) from error
        found.append(Sample(counts=round(row["counts"]), water_content_fraction=fraction))
    return found


def calibrate_probe(
    samples: list[Sample], acceptance: Acceptance | None = None, reference_standard_uncertainty_fraction: float = 0.0
) -> dict[str, Any]:
    """The line through the samples, and what the chamber would take; SettingsError for data without a line.

    With three samples or more the standard uncertainty is that of one new reading in the middle of the range
    (residual scatter and line), with that of the samples' own water content; the prediction interval widens towards
    the ends.
    """
    limits = acceptance or Acceptance()
    _judge(samples)
    dry, wet = (f(samples, key=lambda s: s.water_content_fraction) for f in (min, max))
    counts, fractions = [each.counts for each in samples], [each.water_content_fraction for each in samples]
    line = None if len(samples) == 2 else fit_line(counts, fractions)
    if line is None:
        slope = (wet.water_content_fraction - dry.water_content_fraction) / (wet.counts - dry.counts)
        intercept = dry.water_content_fraction - slope * dry.counts
    else:
        slope, intercept = line.slope, line.intercept
    low, high = sorted((dry.counts, wet.counts))
    shares = _shares(line, len(samples), (low + high) / 2.0, reference_standard_uncertainty_fraction)
    combined = combine(shares)
    uncertainty = combined.standard_uncertainty
    refused = []
    if uncertainty > limits.moisture_standard_uncertainty_max_fraction:
        bound = f"{limits.moisture_standard_uncertainty_max_fraction:g}"
        key = "acceptance.moisture_standard_uncertainty_max_fraction"
        refused.append(f"One reading is uncertain by {uncertainty:.3f}; at most {bound} is accepted ({key}).")
    ends = [min(1.0, max(0.0, intercept + slope * counts)) for counts in (dry.counts, wet.counts)]
    if ends[0] >= ends[1]:
        refused.append("The counts do not follow the water content; look at the probe and the order of the rows.")
    prediction = []
    if line is not None:
        at_counts = [round(dry.counts + part * (wet.counts - dry.counts) / 4) for part in range(5)]
        prediction = _prediction(line, len(samples), at_counts, reference_standard_uncertainty_fraction)
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
            "prediction_half_width_fraction": None if line is None else combined.expanded,
            "prediction": prediction,
            "counts_low": low,
            "counts_high": high,
            "line": None if line is None else asdict(line),
            "unit": "ml/ml",
            **told(shares, combined),
        },
    }


def _judge(samples: list[Sample]) -> None:
    for place, each in enumerate(samples, 1):
        if not 0.0 <= each.water_content_fraction <= 1.0:
            found = f"{each.water_content_fraction:g}"
            raise SettingsError((f"sample {place}: water_content_fraction is {found}, but must be from 0 to 1.",))
        if not 0 <= each.counts <= COUNTS_MAX:
            raise SettingsError((f"sample {place}: counts is {each.counts}, but must be from 0 to {COUNTS_MAX}.",))
    if len({each.counts for each in samples}) < 2:
        raise SettingsError(("a probe calibration needs samples with two or more different counts.",))


def _shares(line: Line | None, samples_count: int, at_counts: float, reference_fraction: float) -> list[Share]:
    reference = Share("water content of the samples", "ml/ml", reference_fraction, 1.0, math.inf, "B: stated")
    if line is None:
        assumed = TWO_POINT_STANDARD_UNCERTAINTY_FRACTION
        return [
            Share("two points only: assumed, not measured", "ml/ml", assumed, 1.0, math.inf, "B: assumed"),
            reference,
        ]
    _, from_line = line.predict(at_counts)
    reading = math.hypot(line.residual_sd, from_line)
    return [
        Share("one reading about the line, middle of the range", "ml/ml", reading, 1.0, samples_count - 2.0, "A: fit"),
        reference,
    ]


def _prediction(line: Line, samples_count: int, counts: list[int], reference_fraction: float) -> list[dict[str, float]]:
    """The line and the half width of its 95 % prediction interval at some counts."""
    found = []
    for each in counts:
        value, _ = line.predict(float(each))
        half = combine(_shares(line, samples_count, float(each), reference_fraction)).expanded
        found.append({"counts": each, "water_content_fraction": value, "half_width_fraction": half})
    return found
