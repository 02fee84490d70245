"""Volumes by weighing: density of water and air, millilitres per gram, and the two errors of delivery."""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from controller.science.ranges import FloatArray, Numbers, as_given, series, within

COLDEST_C: Final = 0.0
HOTTEST_C: Final = 40.0
LOWEST_KPA: Final = 60.0
HIGHEST_KPA: Final = 110.0
KELVIN_AT_0_C: Final = 273.15

# Balances are adjusted with weights taken as 8000 kg/m3, and ISO 8655-6 tabulates Z for that density.
WEIGHTS_KG_M3: Final = 8000.0
# The air beside the balance, for Z; 50 % more or less of humidity moves Z by less than 1e-5.
ROOM_HUMIDITY_PCT: Final = 50.0


def water_density_kg_m3(water_temperature_c: Numbers) -> Numbers:
    """Density of air-free water at 101.325 kPa, in kg/m3.

    Source: Tanaka, Girard, Davis, Peuto and Bignell (2001), Metrologia 38:301-309, eq. 1. Valid from 0 to 40
    C. Accuracy: 0.001 kg/m3 for water of ocean isotopes; tap water differs by its salts, of the order of 0.1.
    Errors: ValueError outside the valid range.
    """
    t = within("water_temperature_c", water_temperature_c, COLDEST_C, HOTTEST_C)
    shrinkage = (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881))
    return as_given(water_temperature_c, np.asarray(999.974950 * (1.0 - shrinkage)))


def air_density_kg_m3(
    air_temperature_c: Numbers, pressure_kpa: Numbers | float, relative_humidity_pct: Numbers | float
) -> Numbers:
    """Density of moist air with 400 ppm of carbon dioxide, in kg/m3: the full CIPM-2007 equation.

    Source: Picard, Davis, Glaeser and Fujii (2008), Metrologia 45:149-155, eq. 1 and appendix A (not the
    shorter approximation of OIML R 111). Valid here from 0 to 40 C, 60 to 110 kPa and 0 to 100 %. Accuracy:
    2.2e-5 of the value in the range the paper recommends (15 to 27 C, 60 to 110 kPa); beyond it about 1e-4.
    Errors: ValueError outside the valid ranges.
    """
    t = within("air_temperature_c", air_temperature_c, COLDEST_C, HOTTEST_C)
    pressure_pa = 1000.0 * within("pressure_kpa", pressure_kpa, LOWEST_KPA, HIGHEST_KPA)
    humidity = within("relative_humidity_pct", relative_humidity_pct, 0.0, 100.0) / 100.0
    kelvin = t + KELVIN_AT_0_C
    vapour = humidity * _vapour_mole_fraction(t, pressure_pa)
    compressibility = _compressibility(t, pressure_pa, vapour)
    dry = 3.483740e-3 * pressure_pa / (compressibility * kelvin)  # molar mass of air at 400 ppm over R
    return as_given(air_temperature_c, np.asarray(dry * (1.0 - 0.3780 * vapour)))


def z_factor_ml_per_g(water_temperature_c: Numbers, pressure_kpa: Numbers | float) -> Numbers:
    """Millilitres of water for each gram a balance shows, air buoyancy included.

    (1 - air / weights) / (water - air) with the air at the water's temperature and 50 % relative humidity and
    weights of 8000 kg/m3. Source: ISO/TR 20461 for the formula; ISO 8655-6 (2002), Table A.1, for values to
    four decimals, from which this differs by at most 5.5e-5, rounding included. Valid from 0 to 40 C and 60
    to 110 kPa. Errors: ValueError outside the valid ranges.
    """
    water = within("water_temperature_c", water_temperature_c, COLDEST_C, HOTTEST_C)
    air_kg_m3 = air_density_kg_m3(water, pressure_kpa, ROOM_HUMIDITY_PCT)
    water_kg_m3 = water_density_kg_m3(water)
    z = 1000.0 * (1.0 - air_kg_m3 / WEIGHTS_KG_M3) / (water_kg_m3 - air_kg_m3)
    return as_given(water_temperature_c, np.asarray(z))


def systematic_error_pct(volumes_ml: ArrayLike, nominal_ml: float) -> float:
    """How far the mean of the delivered volumes lies from the nominal volume, in % of the nominal volume.

    Source: ISO 8655-6. ``volumes_ml`` at least one, each 0 or more; ``nominal_ml`` above 0.
    Errors: ValueError otherwise.
    """
    volumes = series("volumes_ml", np.atleast_1d(np.asarray(volumes_ml)), 0.0)
    nominal = float(within("nominal_ml", nominal_ml, 0.0, low_excluded=True))
    return float(100.0 * (np.mean(volumes) - nominal) / nominal)


def random_error_pct(volumes_ml: ArrayLike) -> float:
    """Spread of repeated deliveries: their standard deviation (n - 1), in % of their mean.

    Source: ISO 8655-6 (the coefficient of variation). ``volumes_ml`` at least two, each 0 or more, not all 0.
    Errors: ValueError otherwise.
    """
    volumes = series("volumes_ml", volumes_ml, 0.0, at_least=2)
    mean = within("the mean of volumes_ml", np.mean(volumes), 0.0, low_excluded=True)
    return float(100.0 * np.std(volumes, ddof=1) / mean)


def _vapour_mole_fraction(t: FloatArray, pressure_pa: FloatArray) -> FloatArray:
    """Mole fraction of vapour in saturated air, appendix A.1 of the paper."""
    kelvin = t + KELVIN_AT_0_C
    saturation_pa = np.exp(1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin)
    enhancement = 1.00062 + 3.14e-8 * pressure_pa + 5.6e-7 * t**2
    return np.asarray(enhancement * saturation_pa / pressure_pa)


def _compressibility(t: FloatArray, pressure_pa: FloatArray, vapour: FloatArray) -> FloatArray:
    """Compressibility factor of moist air, appendix A.2 of the paper."""
    ratio = pressure_pa / (t + KELVIN_AT_0_C)
    first = (
        1.58123e-6
        - 2.9331e-8 * t
        + 1.1043e-10 * t**2
        + (5.707e-6 - 2.051e-8 * t) * vapour
        + (1.9898e-4 - 2.376e-6 * t) * vapour**2
    )
    return np.asarray(1.0 - ratio * first + ratio**2 * (1.83e-11 - 0.765e-8 * vapour**2))
