"""The lamp: duty to photon flux over the sowing positions, and how even the light is."""

import math
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from controller.bench.budgets import told
from controller.errors import SettingsError
from controller.plan import Acceptance
from controller.science.budget import Share, combine
from controller.science.light import daily_light_integral_mol_m2
from controller.science.lines import fit_line

PPFD_MAX_UMOL_M2_S = 10_000.0  # several times the sun's at noon: what is above it is a slip of the pen
SENSOR_STANDARD_UNCERTAINTY_PCT = 2.5  # common practice for quantum sensors is 5 % expanded; no source
CAUTIONS = (
    "Do not look into the lamp: horticultural lamps can be bright enough to harm eyes. Set the sensor down with the "
    "lamp off or shaded, wear the glasses its maker names, and let a licensed electrician open the supply."
)
LUX_WARNING = (
    "Measured in lux: an illuminance meter weighs light as eyes see it. The photon flux rests on the stated factor, "
    "which holds for one spectrum only; a quantum sensor is needed to compare chambers."
)


@dataclass(frozen=True, kw_only=True)
class Spot:
    """One reading of the quantum sensor at a sowing position, and where that is, if somebody measured it."""

    position: int
    duty_fraction: float
    ppfd_umol_m2_s: float
    x_cm: float | None = None
    y_cm: float | None = None


def calibrate_lamp(
    spots: list[Spot], photoperiod_h: float, duty_fraction: float, acceptance: Acceptance | None = None, *,
    sensor_standard_uncertainty_pct: float = SENSOR_STANDARD_UNCERTAINTY_PCT,
    factor_standard_uncertainty_pct: float = 0.0, across: int | None = None,
) -> dict[str, Any]:  # fmt: skip
    """Mean photon flux at full duty by a line through all duties, uniformity and daily light; SettingsError if not.

    ``across`` is how many positions lie in a row, counted from position 1, for readings without ``x_cm`` and
    ``y_cm``; ``factor_standard_uncertainty_pct`` is that of a factor from lux.
    """
    limits = acceptance or Acceptance()
    for place, each in enumerate(spots, 1):
        if not 0.0 <= each.duty_fraction <= 1.0 or not 0.0 <= each.ppfd_umol_m2_s <= PPFD_MAX_UMOL_M2_S:
            bounds = f"duty_fraction must be from 0 to 1 and ppfd_umol_m2_s from 0 to {PPFD_MAX_UMOL_M2_S:g}"
            raise SettingsError((f"reading {place}: {bounds}.",))
    duties = sorted({each.duty_fraction for each in spots})
    if len(duties) < 3:
        raise SettingsError(("a lamp calibration needs readings at three or more duties.",))
    means = [float(np.mean([s.ppfd_umol_m2_s for s in spots if s.duty_fraction == d])) for d in duties]
    line = fit_line(duties, means)
    at_full = line.intercept + line.slope
    if at_full <= 0.0:
        raise SettingsError(("the light does not rise with the duty; look at the order of the rows.",))
    top = {s.position: s for s in spots if s.duty_fraction == duties[-1]}
    values = np.array([s.ppfd_umol_m2_s for s in top.values()])
    if float(values.mean()) <= 0.0:
        raise SettingsError(("no light was read at the highest duty; look at the order of the rows.",))
    even = float(values.min() / values.mean())
    refused = []
    if abs(line.intercept) > limits.lamp_dark_max_fraction * at_full:
        refused.append(
            f"The line meets duty 0 at {line.intercept:.1f} umol m-2 s-1: the response is not straight, at most "
            f"{100 * limits.lamp_dark_max_fraction:g} % of full duty is accepted (acceptance.lamp_dark_max_fraction)."
        )
    if even < limits.lamp_least_over_mean_min_fraction:
        refused.append(
            f"The darkest position has {even:.2f} of the mean; at least {limits.lamp_least_over_mean_min_fraction:g} "
            "is accepted (acceptance.lamp_least_over_mean_min_fraction)."
        )
    shares = [
        Share("line through the duties, at full duty", "umol m-2 s-1", line.predict(1.0)[1], 1.0, len(duties) - 2.0,
              "A: fit"),
        Share("quantum sensor or meter", "%", sensor_standard_uncertainty_pct, at_full / 100.0, math.inf, "B: stated"),
        Share("factor from lux", "%", factor_standard_uncertainty_pct, at_full / 100.0, math.inf, "B: stated"),
    ]  # fmt: skip
    shares = shares if factor_standard_uncertainty_pct else shares[:-1]
    combined = combine(shares)
    ppfd = max(0.0, line.intercept + line.slope * duty_fraction)
    return {
        "accepted": not refused,
        "refused_because": refused,
        "settings": {"ppfd_at_full_duty_umol_m2_s": round(at_full, 2)},
        "result": {
            "ppfd_at_full_duty_umol_m2_s": at_full,
            "ppfd_standard_uncertainty_umol_m2_s": combined.standard_uncertainty,
            "min_over_mean": even,
            "cv_pct": float(100.0 * values.std(ddof=1) / values.mean()) if values.size > 1 else 0.0,
            "daily_light_integral_mol_m2": daily_light_integral_mol_m2(ppfd, photoperiod_h),
            "positions": {str(position): spot.ppfd_umol_m2_s for position, spot in sorted(top.items())},
            "map": _map(sorted(top.values(), key=lambda spot: spot.position), across),
            "line": asdict(line),
            "unit": "umol m-2 s-1",
            **told(shares, combined),
        },
    }


def _map(spots: list[Spot], across: int | None) -> dict[str, Any]:
    """Where each position lies and its light at the highest duty: as measured, or in rows counted from position 1."""
    measured = all(spot.x_cm is not None and spot.y_cm is not None for spot in spots)
    row_length = across or math.ceil(math.sqrt(len(spots)))
    places = [
        {
            "position": spot.position,
            "x": spot.x_cm if measured else float(number % row_length),
            "y": spot.y_cm if measured else float(number // row_length),
            "ppfd_umol_m2_s": spot.ppfd_umol_m2_s,
        }
        for number, spot in enumerate(spots)
    ]
    return {"measured": measured, "across": None if measured else row_length, "places": places}
