"""Thermal time: degree-days from daily extremes, or from a record of air temperature.

The sums are shifts and means, so the same functions serve Fahrenheit figures if every argument is Fahrenheit.
A missing temperature (NaN) makes the degree-days it touches NaN: a gap is never counted as a cold day.
"""

from typing import Final

import numpy as np

from controller.science.ranges import FloatArray, Numbers, as_given, same_length, series, within

LOWEST_C: Final = -100.0
HIGHEST_C: Final = 200.0
H_PER_DAY: Final = 24.0


def degree_days_simple(
    minimum_c: Numbers,
    maximum_c: Numbers | float,
    base_c: float,
    upper_c: float | None = None,
    floor_first: bool = False,
) -> Numbers:
    """Degree-days of one day from the mean of its extremes, in C day.

    Source: McMaster and Wilhelm (1997), Agric. For. Meteorol. 87:291-300. ``floor_first=False`` is their
    method 1: the mean is taken, and counts as the base if it lies below it. ``floor_first=True`` is their
    method 2: each extreme below the base is raised to the base before the mean. The two differ whenever the
    night falls below the base, so a result without its method says little. ``upper_c`` lowers each extreme
    above it to itself first; with ``floor_first`` and 86 and 50 F that is the modified growing degree-day of
    maize (Gilmore and Rogers 1958, Barger 1969). Temperatures from -100 to 200, the minimum not above the
    maximum. Errors: ValueError naming the argument otherwise.
    """
    low, high = _daily_extremes(minimum_c, maximum_c)
    base = _thresholds("base_c", base_c, upper_c)
    if upper_c is not None:
        low, high = np.minimum(low, upper_c), np.minimum(high, upper_c)
    if floor_first:
        low, high = np.maximum(low, base), np.maximum(high, base)
    return as_given(minimum_c, np.maximum((low + high) / 2.0 - base, 0.0))


def degree_days_single_sine(
    minimum_c: Numbers, maximum_c: Numbers | float, lower_c: float, upper_c: float | None = None
) -> Numbers:
    """Degree-days of one day from a sine wave through its extremes, horizontal cut-off, in C day.

    The area between the lower threshold and the sine, with the part above the upper threshold cut off level.
    Source: Zalom, Goodell, Wilson, Barnett and Bentley (1983), Degree-days: the calculation and use of heat
    units in pest management, University of California Leaflet 21373 (single sine; the cut-off is the
    difference of the areas above the two thresholds). Agrees with their Table 7 to its two decimals.
    Temperatures from -100 to 200, the minimum not above the maximum. Errors: ValueError naming the argument
    otherwise.
    """
    low, high = _daily_extremes(minimum_c, maximum_c)
    lower = _thresholds("lower_c", lower_c, upper_c)
    above = _sine_above(low, high, lower)
    if upper_c is not None:
        above = above - _sine_above(low, high, float(upper_c))
    return as_given(minimum_c, above)


def degree_days_from_series(hours_h: FloatArray, air_temperature_c: FloatArray, base_c: float) -> float:
    """Degree-days of a whole record, in C day: the integral of the temperature above the base.

    ``hours_h`` are the moments of the readings on any clock, in hours, strictly rising, at least two; between
    two readings the temperature is taken as a straight line, and its crossing of the base is exact. A reading
    that is missing (NaN) makes the sum NaN. A gap in the readings is bridged by the line as well: whoever
    allows no such bridge cuts the record at the gap. By definition of the degree-day; no source is needed.
    Temperatures from -100 to 200 C. Errors: ValueError naming the argument otherwise.
    """
    hours = series("hours_h", hours_h, at_least=2)
    temperature_c = within("air_temperature_c", air_temperature_c, LOWEST_C, HIGHEST_C, nan_passes=True)
    same_length("hours_h", hours, "air_temperature_c", temperature_c)
    steps_h = np.diff(hours)
    if not (steps_h > 0.0).all():
        raise ValueError(f"hours_h must rise at every reading, found a step of {float(steps_h.min())!r} h")
    excess_c = temperature_c - _thresholds("base_c", base_c, None)
    start, end = excess_c[:-1], excess_c[1:]
    both_sides = start * end < 0.0
    fall = np.where(both_sides, np.abs(end - start), 1.0)
    crossing = np.maximum(start, end) ** 2 / (2.0 * fall)  # the triangle that stands above the base
    one_side = np.maximum((start + end) / 2.0, 0.0)
    return float(np.sum(np.where(both_sides, crossing, one_side) * steps_h) / H_PER_DAY)


def _daily_extremes(minimum_c: Numbers, maximum_c: Numbers | float) -> tuple[FloatArray, FloatArray]:
    low = within("minimum_c", minimum_c, LOWEST_C, HIGHEST_C, nan_passes=True)
    high = within("maximum_c", maximum_c, LOWEST_C, HIGHEST_C, nan_passes=True)
    crossed = low > high
    if np.any(crossed):
        cold, warm = (np.broadcast_to(side, crossed.shape)[crossed].flat[0] for side in (low, high))
        raise ValueError(f"minimum_c must not exceed maximum_c ({float(warm)!r}), found {float(cold)!r}")
    return low, high


def _thresholds(name: str, lower_c: float, upper_c: float | None) -> float:
    lower = float(within(name, lower_c, LOWEST_C, HIGHEST_C))
    if upper_c is not None and float(within("upper_c", upper_c, LOWEST_C, HIGHEST_C)) <= lower:
        raise ValueError(f"upper_c must lie above {name} ({lower!r}), found {upper_c!r}")
    return lower


def _sine_above(low: FloatArray, high: FloatArray, threshold: float) -> FloatArray:
    """Mean height, over the day, of the sine above a threshold."""
    mean, amplitude = (low + high) / 2.0, (high - low) / 2.0
    swing = np.where(amplitude > 0.0, amplitude, 1.0)
    angle = np.arcsin(np.clip(threshold - mean, -amplitude, amplitude) / swing)
    crossing = ((mean - threshold) * (np.pi / 2.0 - angle) + amplitude * np.cos(angle)) / np.pi
    known = [np.isnan(mean), low >= threshold, high <= threshold]
    return np.select(known, [mean, mean - threshold, np.zeros_like(mean)], crossing)
