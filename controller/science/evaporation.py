"""Water that evaporates from a wet, planted surface in a day."""

from typing import Final

import numpy as np

from controller.science.ranges import Numbers, as_given, within

LATENT_HEAT_MJ_KG: Final = 2.45  # FAO-56: of a kilogram of water, which is a millimetre on a square metre
WIND_LEAST_M_S: Final = 0.5  # FAO-56, ch. 3: air over warm wet leaves is never stiller
ALBEDO: Final = 0.23  # FAO-56: what short grass throws back
# A mole of photons of 550 nm, the middle of the band that PPFD counts: Avogadro's number x h c / wavelength.
PHOTONS_MJ_MOL: Final = 0.2175


def slope_of_saturation_kpa_c(air_temperature_c: Numbers) -> Numbers:
    """How fast the saturation pressure of water vapour rises with temperature, in kPa a degree.

    Source: FAO Irrigation and Drainage Paper 56 (Allen and others 1998), eq. 13. Valid from 0 to 50 C. Errors:
    ValueError outside.
    """
    air_c = within("air_temperature_c", air_temperature_c, 0.0, 50.0)
    saturation_kpa = 0.6108 * np.exp(17.27 * air_c / (air_c + 237.3))
    return as_given(air_temperature_c, np.asarray(4098.0 * saturation_kpa / (air_c + 237.3) ** 2))


def reference_evapotranspiration_mm_day(
    net_radiation_mj_m2_day: Numbers,
    air_temperature_c: float,
    vapour_pressure_deficit_kpa: float,
    *,
    wind_m_s: float = WIND_LEAST_M_S,
    pressure_kpa: float = 101.3,
) -> Numbers:
    """Water that leaves a short, well watered canopy in a day, in mm, by the equation of Penman and Monteith.

    Source: FAO Irrigation and Drainage Paper 56 (Allen and others 1998), eq. 6 with eq. 8 for the psychrometric
    constant, and no heat into the ground. Made for fields; how well it holds for a bed under a lamp is not known. Valid
    from 0 MJ m-2, 0 to 50 C, a deficit, wind and pressure of 0 or more. Errors: ValueError outside.
    """
    net = within("net_radiation_mj_m2_day", net_radiation_mj_m2_day, 0.0)
    deficit_kpa = float(within("vapour_pressure_deficit_kpa", vapour_pressure_deficit_kpa, 0.0))
    wind = max(WIND_LEAST_M_S, float(within("wind_m_s", wind_m_s, 0.0)))
    slope = slope_of_saturation_kpa_c(float(air_temperature_c))
    psychrometric_kpa_c = 0.000665 * float(within("pressure_kpa", pressure_kpa, 0.0, low_excluded=True))
    of_heat = net / LATENT_HEAT_MJ_KG * slope
    of_air = psychrometric_kpa_c * 900.0 / (air_temperature_c + 273.0) * wind * deficit_kpa
    return as_given(
        net_radiation_mj_m2_day,
        np.asarray((of_heat + of_air) / (slope + psychrometric_kpa_c * (1.0 + 0.34 * wind))),
    )
