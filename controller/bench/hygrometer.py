"""The air sensor against saturated salts and against a reference thermometer."""

import math
from typing import Any

import numpy as np

from controller.bench.budgets import told
from controller.errors import SettingsError
from controller.science.air import salt_humidity_pct, saturation_vapour_pressure_kpa
from controller.science.budget import Share, combine, student_quantile
from controller.science.lines import fit_line

READINGS_MIN = 6
SALT_STANDARD_UNCERTAINTY_PCT = 0.5  # covers Greenspan (1977), Table 2, for all salts used here (there 0.12 to 0.7)
APART_STANDARD_UNCERTAINTY_C = 0.05  # of sensor and salt, in a small closed vessel left alone (a choice, no source)
DRIFT_MAX_PCT_PER_H = 0.5  # a slope larger than this, and larger than its own uncertainty, is no equilibrium (choice)
CAUTIONS = (
    "Salt solutions irritate eyes and skin: gloves and goggles, no food near. LiCl and nitrates are harmful: read the "
    "supplier's safety sheet. Nitrates feed fire: away from anything that burns. Salt on electronics corrodes: keep "
    "the sensor above the solution and take waste where your local rules say."
)


def settled(elapsed_min: list[float], humidity_pct: list[float]) -> str:
    """Why the air over the salt is not in equilibrium yet, or an empty string: a drift test by the slope's t."""
    line = fit_line([each / 60.0 for each in elapsed_min], humidity_pct)
    if line.slope_se == 0.0:
        moves = line.slope != 0.0
    else:
        moves = abs(line.slope) / line.slope_se > student_quantile(0.975, len(elapsed_min) - 2.0)
    if moves and abs(line.slope) > DRIFT_MAX_PCT_PER_H:
        return f"The humidity still moves by {line.slope:+.2f} % an hour; wait, and take new readings."
    return ""


def check_humidity(
    salt: str, temperature_c: float, elapsed_min: list[float], humidity_pct: list[float], stated_accuracy_pct: float,
    apart_standard_uncertainty_c: float = APART_STANDARD_UNCERTAINTY_C,
) -> dict[str, Any]:  # fmt: skip
    """Difference of the sensor from the salt's humidity with its expanded uncertainty, and whether it passes.

    Greenspan (1977) for the salt. Passes when the difference is within the sensor's stated accuracy widened by the
    expanded uncertainty. SettingsError for data that cannot be judged.
    """
    if len(elapsed_min) < READINGS_MIN:
        raise SettingsError(
            (f"there are {len(elapsed_min)} readings, but a humidity check needs {READINGS_MIN} or more.",)
        )
    _within("elapsed_min", elapsed_min, 0.0, 1e6)
    _within("relative_humidity_pct", humidity_pct, 0.0, 100.0)
    if len(set(elapsed_min)) < READINGS_MIN:
        raise SettingsError(
            ("elapsed_min holds one moment more than once; a drift needs readings at different times.",)
        )
    try:
        reference_pct = salt_humidity_pct(salt, temperature_c)
    except ValueError as error:
        raise SettingsError((f"{error}.",)) from error
    waits = settled(elapsed_min, humidity_pct)
    mean = _mean_share("mean of the readings", humidity_pct, "%")
    shares = [
        Share(f"humidity over {salt} (Greenspan 1977)", "%", SALT_STANDARD_UNCERTAINTY_PCT, 1.0, math.inf, "B: table"),
        Share("sensor warmer or colder than the salt", "°C", apart_standard_uncertainty_c,
              reference_pct * _steepness_per_c(temperature_c), math.inf, "B: stated"),
        mean,
    ]  # fmt: skip
    return _verdict(
        float(np.mean(humidity_pct)) - reference_pct, shares, stated_accuracy_pct, "%", reference_pct, waits
    )


def check_temperature(
    sensor_c: list[float], reference_c: list[float], reference_standard_uncertainty_c: float, stated_accuracy_c: float
) -> dict[str, Any]:
    """Difference of the sensor from a reference thermometer, pair by pair."""
    if len(sensor_c) < READINGS_MIN or len(sensor_c) != len(reference_c):
        raise SettingsError((f"a temperature check needs {READINGS_MIN} or more pairs of readings.",))
    _within("sensor_c", sensor_c, -50.0, 150.0)
    _within("reference_c", reference_c, -50.0, 150.0)
    apart_c = [a - b for a, b in zip(sensor_c, reference_c, strict=True)]
    shares = [
        Share("reference thermometer", "°C", reference_standard_uncertainty_c, 1.0, math.inf, "B: stated"),
        _mean_share("mean of the differences", apart_c, "°C"),
    ]
    return _verdict(float(np.mean(apart_c)), shares, stated_accuracy_c, "C", float(np.mean(reference_c)), "")


def _within(name: str, values: list[float], low: float, high: float) -> None:
    for place, value in enumerate(values, 1):
        if not low <= value <= high:
            raise SettingsError((f"reading {place}: {name} is {value:g}, but must be from {low:g} to {high:g}.",))


def _mean_share(source: str, values: list[float], unit: str) -> Share:
    count = len(values)
    return Share(source, unit, float(np.std(values, ddof=1)) / math.sqrt(count), 1.0, count - 1.0, "A: readings")


def _steepness_per_c(temperature_c: float) -> float:
    """By which share of itself the saturation pressure changes in one degree."""
    below, above = (saturation_vapour_pressure_kpa(temperature_c + each) for each in (-0.5, 0.5))
    return 2.0 * (above - below) / (above + below)


def _verdict(
    difference: float, shares: list[Share], bound: float, unit: str, centre: float, waits: str
) -> dict[str, Any]:
    combined = combine(shares)
    refused = [waits] if waits else []
    if abs(difference) > bound + combined.expanded:
        refused.append(
            f"The sensor is off by {difference:+.2f} {unit}, more than its accuracy of {bound:g} {unit} and the "
            f"expanded uncertainty of {combined.expanded:.2f}."
        )
    return {
        "accepted": not refused,
        "refused_because": refused,
        "result": {
            "reference": centre, "difference": difference, "stated_accuracy": bound, "unit": unit,
            **told(shares, combined),
        },
    }  # fmt: skip
