"""The lamp: duty to photon flux over the sowing positions, and how even the light is."""

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from controller.errors import SettingsError
from controller.science.light import daily_light_integral_mol_m2
from controller.science.lines import fit_line

BENT_MAX_FRACTION = 0.05  # the chamber takes the response as a straight line through zero (a choice of this program)
PPFD_MAX_UMOL_M2_S = 10_000.0  # several times the sun's at noon: what is above it is a slip of the pen
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
    """One reading of the quantum sensor at a sowing position."""

    position: int
    duty_fraction: float
    ppfd_umol_m2_s: float


def calibrate_lamp(spots: list[Spot], photoperiod_h: float, duty_fraction: float) -> dict[str, Any]:
    """Mean photon flux at full duty by a line through all duties, uniformity and daily light; SettingsError if not."""
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
    top = {s.position: s.ppfd_umol_m2_s for s in spots if s.duty_fraction == duties[-1]}
    values = np.array(list(top.values()))
    refused = []
    if at_full <= 0.0:
        raise SettingsError(("the light does not rise with the duty; look at the order of the rows.",))
    if abs(line.intercept) > BENT_MAX_FRACTION * at_full:
        refused.append(f"The line meets duty 0 at {line.intercept:.1f} umol m-2 s-1: the response is not straight.")
    ppfd = max(0.0, line.intercept + line.slope * duty_fraction)
    return {
        "accepted": not refused,
        "refused_because": refused,
        "settings": {"ppfd_at_full_duty_umol_m2_s": round(at_full, 2)},
        "result": {
            "ppfd_at_full_duty_umol_m2_s": at_full,
            "ppfd_standard_uncertainty_umol_m2_s": line.predict(1.0)[1],
            "min_over_mean": float(values.min() / values.mean()),
            "cv_pct": float(100.0 * values.std(ddof=1) / values.mean()) if values.size > 1 else 0.0,
            "daily_light_integral_mol_m2": daily_light_integral_mol_m2(ppfd, photoperiod_h),
            "positions": {str(position): value for position, value in sorted(top.items())},
            "line": asdict(line),
        },
    }
