"""The bed of a plan: how much water its medium holds."""

from typing import Final

from controller.plan import Medium
from controller.science.medium import TEXTURES, WaterRetention, container_capacity_fraction

# An assumption, marked so wherever it is used: damp, as potting media are delivered (common practice, no source).
FILLED_FRACTION: Final = 0.12


def capacity_fraction(medium: Medium) -> float:
    """Water that the bed holds against free drainage, as a share of its volume (m3/m3)."""
    return container_capacity_fraction(_retention(medium) or str(medium.texture), medium.bed_depth_cm)


def saturated_fraction(medium: Medium) -> float:
    """Water that fills all pores of the bed, as a share of its volume (m3/m3)."""
    return (_retention(medium) or TEXTURES[str(medium.texture)]).theta_s


def start_fraction(medium: Medium, first_wetting_ml: float) -> float:
    """Water in the bed when the first wetting was drained, as a share of its volume (m3/m3). What was in the medium
    before is assumed."""
    return min(capacity_fraction(medium), FILLED_FRACTION + first_wetting_ml / medium.bed_volume_ml)


def _retention(medium: Medium) -> WaterRetention | None:
    given = medium.retention
    return None if given is None else WaterRetention(given.theta_r, given.theta_s, given.alpha_per_cm, given.n)
