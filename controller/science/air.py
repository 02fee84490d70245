"""Water vapour in air, and the humidity over saturated salt solutions.

Saturation is that of ASHRAE: over ice up to the triple point (0.01 C), over liquid water above it. A humidity
sensor that reports relative to liquid water below freezing therefore needs its reading converted first.
Missing readings (NaN) stay NaN.
"""

from types import MappingProxyType
from typing import Final

import numpy as np

from controller.science.ranges import FloatArray, Numbers, as_given, within

LOWEST_C: Final = -100.0
HIGHEST_C: Final = 200.0
KELVIN_AT_0_C: Final = 273.15
TRIPLE_POINT_C: Final = 0.01

# ln(p / Pa) = a/T + b + c T + d T^2 + e T^3 + f T^4 + g ln T, T in kelvin.
# ASHRAE Handbook - Fundamentals (2017), ch. 1, eq. 5 (ice) and 6 (water), after Hyland and Wexler (1983).
_OVER_ICE: Final = (
    -5.6745359e3,
    6.3925247,
    -9.677843e-3,
    6.2215701e-7,
    2.0747825e-9,
    -9.4840240e-13,
    4.1635019,
)
_OVER_WATER: Final = (-5.8002206e3, 1.3914993, -4.8640239e-2, 4.1764768e-5, -1.4452093e-8, 0.0, 6.5459673)

# Gas constant of water vapour, J/(kg K): 8.314462618 J/(mol K) (SI 2019) over 18.015268 g/mol (IAPWS).
_VAPOUR_GAS_CONSTANT: Final = 8.314462618 / 18.015268e-3

_NEWTON_STEPS: Final = 8
_NEWTON_DONE: Final = 1e-9

# Humidity over a saturated solution: factors of 1, t, t^2, t^3 (t in C), lowest and highest t of the fit.
# Greenspan (1977), J. Res. Natl. Bur. Stand. 81A:89-96, Table 1. Copies with lost signs circulate: the linear
# terms of LiCl and K2CO3 are positive, the quadratic term of CH3COOK is negative.
_SALTS: Final = MappingProxyType(
    {
        "LiCl": ((11.2323, 0.00824245, -0.00021489, 0.0), 0.0, 100.0),
        "CH3COOK": ((22.4388, 0.156288, -0.00612268, 0.0), 10.0, 30.0),
        "MgCl2": ((33.6686, -0.00797397, -0.00108988, 0.0), 0.0, 99.4),
        "K2CO3": ((43.1315, 0.00147523, 0.0, 0.0), 0.0, 30.0),
        "Mg(NO3)2": ((60.3514, -0.298153, 0.0, 0.0), 0.0, 50.0),
        "NaCl": ((75.5164, 0.0398321, -0.00265459, 2.848e-05), 0.0, 80.0),
        "KCl": ((88.619, -0.19334, 0.000899706, 0.0), 0.0, 90.0),
        "KNO3": ((96.3361, 0.0112371, -0.00484514, 0.0), 0.0, 50.0),
        "K2SO4": ((98.7792, -0.0590502, 0.0, 0.0), 0.0, 50.0),
    }
)
SALTS: Final = tuple(_SALTS)


def saturation_vapour_pressure_kpa(air_temperature_c: Numbers) -> Numbers:
    """Pressure of water vapour in equilibrium with ice (up to 0.01 C) or liquid water (above), in kPa.

    Source: ASHRAE Handbook - Fundamentals (2017), ch. 1, eq. 5 and 6 (Hyland and Wexler 1983). Valid from
    -100 to 200 C. Accuracy: within 300 ppm of the handbook's Table 3; FAO-56's simpler equation lies within
    0.15 % of it from 0 to 50 C. ASHRAE prints the change of equation at 0 C; here it is at the triple point,
    where the two meet. Errors: ValueError outside the valid range.
    """
    temperature_c = within("air_temperature_c", air_temperature_c, LOWEST_C, HIGHEST_C, nan_passes=True)
    return as_given(air_temperature_c, _saturation_kpa(temperature_c))


def vapour_pressure_deficit_kpa(air_temperature_c: Numbers, relative_humidity_pct: Numbers | float) -> Numbers:
    """How far the air's vapour pressure lies below saturation at its own temperature, in kPa.

    Deficit = saturation x (1 - relative humidity / 100): FAO Irrigation and Drainage Paper 56, ch. 3, with
    the saturation of this file. Valid from -100 to 200 C and from 0 to 100 %. This is the deficit of the air;
    that of a leaf needs the leaf's temperature. Errors: ValueError outside the valid ranges.
    """
    temperature_c, humidity_pct = _moist_air(air_temperature_c, relative_humidity_pct)
    return as_given(air_temperature_c, _saturation_kpa(temperature_c) * (1.0 - humidity_pct / 100.0))


def dew_point_c(air_temperature_c: Numbers, relative_humidity_pct: Numbers | float) -> Numbers:
    """Temperature at which this air would be saturated, in C; below 0.01 C it is the frost point.

    The inverse of ``saturation_vapour_pressure_kpa``, by Newton's method (closes to 1e-9 C). Valid from -100
    to 200 C and above 0 to 100 %: air without any vapour has no dew point. Errors: ValueError outside the
    valid ranges, and when the dew point would lie below -100 C.
    """
    temperature_c, humidity_pct = _moist_air(air_temperature_c, relative_humidity_pct, dry_excluded=True)
    vapour_kpa = _saturation_kpa(temperature_c) * humidity_pct / 100.0
    least_kpa = _saturation_kpa(np.float64(LOWEST_C)) * (1.0 - 1e-12)  # the bound itself may lose a last bit
    if np.any(vapour_kpa < least_kpa):
        raise ValueError(
            f"relative_humidity_pct is too small for a dew point of {LOWEST_C:g} C or more, "
            f"found {float(np.nanmin(humidity_pct))!r}"
        )
    return as_given(air_temperature_c, _saturated_at_c(vapour_kpa))


def absolute_humidity_g_m3(air_temperature_c: Numbers, relative_humidity_pct: Numbers | float) -> Numbers:
    """Mass of water vapour in a volume of air, in g/m3.

    Ideal gas: e / (R T) with R = 461.52 J/(kg K). Valid from -100 to 200 C and from 0 to 100 %. Accuracy:
    from 10 to 40 C the ideal gas gives 0.1 to 0.3 % less than steam tables do for saturated vapour. Errors:
    ValueError outside the valid ranges.
    """
    temperature_c, humidity_pct = _moist_air(air_temperature_c, relative_humidity_pct)
    vapour_pa = 1000.0 * _saturation_kpa(temperature_c) * humidity_pct / 100.0
    density_kg_m3 = vapour_pa / (_VAPOUR_GAS_CONSTANT * (temperature_c + KELVIN_AT_0_C))
    return as_given(air_temperature_c, 1000.0 * density_kg_m3)


def salt_humidity_pct(salt: str, air_temperature_c: Numbers) -> Numbers:
    """Relative humidity of air in equilibrium with a saturated salt solution, in %.

    ``salt`` by its formula: LiCl, CH3COOK, MgCl2, K2CO3, Mg(NO3)2, NaCl, KCl, KNO3 or K2SO4. Source:
    Greenspan (1977), J. Res. Natl. Bur. Stand. 81A:89-96, Table 1. Valid over that table's range for each
    salt (0 to 30 C for K2CO3, 10 to 30 C for CH3COOK, 0 to 50 C or more for the others). Accuracy between 15
    and 30 C, from Greenspan's Table 2: 0.12 to 0.18 % for NaCl and MgCl2, 0.3 to 0.7 % for CH3COOK, K2CO3 and
    K2SO4. Air, salt and sensor must share one temperature: 1 C between sensor and salt shifts 75 % by almost
    5 %. Errors: ValueError for an unknown salt or a temperature outside its range.
    """
    if salt not in _SALTS:
        raise ValueError(f"salt must be one of {', '.join(_SALTS)}, found {salt!r}")
    (a, b, c, d), low_c, high_c = _SALTS[salt]
    t = within(f"air_temperature_c over {salt}", air_temperature_c, low_c, high_c, nan_passes=True)
    return as_given(air_temperature_c, a + t * (b + t * (c + t * d)))


def _moist_air(
    air_temperature_c: Numbers, relative_humidity_pct: Numbers | float, *, dry_excluded: bool = False
) -> tuple[FloatArray, FloatArray]:
    temperature_c = within("air_temperature_c", air_temperature_c, LOWEST_C, HIGHEST_C, nan_passes=True)
    humidity_pct = within(
        "relative_humidity_pct",
        relative_humidity_pct,
        0.0,
        100.0,
        low_excluded=dry_excluded,
        nan_passes=True,
    )
    return temperature_c, humidity_pct


def _saturation_kpa(temperature_c: FloatArray | np.float64) -> FloatArray:
    kelvin = np.asarray(temperature_c + KELVIN_AT_0_C)
    frozen = temperature_c <= TRIPLE_POINT_C
    found = _log_pressure(kelvin, _OVER_WATER)
    if np.any(frozen):
        found = np.where(frozen, _log_pressure(kelvin, _OVER_ICE), found)
    return np.exp(found) / 1000.0


def _saturated_at_c(vapour_kpa: FloatArray) -> FloatArray:
    """The temperature whose saturation pressure this is; over ice and over water each equation is smooth."""
    target = np.log(1000.0 * vapour_kpa)
    frost = vapour_kpa <= _saturation_kpa(np.float64(TRIPLE_POINT_C))
    found = _solve(target, _OVER_WATER)
    if np.any(frost):
        found = np.where(frost, _solve(target, _OVER_ICE), found)
    return found - KELVIN_AT_0_C


def _solve(target: FloatArray, coefficients: tuple[float, ...]) -> FloatArray:
    # ln p is almost straight in 1/T, so Newton steps are taken in 1/T, starting from the triple point.
    inverse = np.full_like(target, 1.0 / (KELVIN_AT_0_C + TRIPLE_POINT_C))
    for _ in range(_NEWTON_STEPS):
        kelvin = 1.0 / inverse
        slope = -(kelvin**2) * _log_pressure_slope(kelvin, coefficients)
        step = (_log_pressure(kelvin, coefficients) - target) / slope
        inverse = inverse - step
        if not np.any(np.abs(step) > _NEWTON_DONE * inverse):  # the next step would be its square
            break
    return 1.0 / inverse


def _log_pressure(kelvin: FloatArray, coefficients: tuple[float, ...]) -> FloatArray:
    a, b, c, d, e, f, g = coefficients
    return a / kelvin + b + kelvin * (c + kelvin * (d + kelvin * (e + kelvin * f))) + g * np.log(kelvin)


def _log_pressure_slope(kelvin: FloatArray, coefficients: tuple[float, ...]) -> FloatArray:
    a, _, c, d, e, f, g = coefficients
    return -a / kelvin**2 + c + kelvin * (2.0 * d + kelvin * (3.0 * e + kelvin * 4.0 * f)) + g / kelvin
