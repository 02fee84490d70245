"""The pump by weighing: portions in, millilitres a step out, with an uncertainty budget and a verdict."""

import math
from dataclasses import asdict, dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from controller.errors import SettingsError
from controller.plan import Acceptance
from controller.science.blunders import blunders
from controller.science.budget import Combined, Share, combine
from controller.science.lines import Line, fit_line
from controller.science.volumetry import random_error_pct, systematic_error_pct, z_factor_ml_per_g

LARGEST_G = 5_000.0
PORTIONS_MIN = 6
EACH_MIN = 3


@dataclass(frozen=True, kw_only=True)
class Weighing:
    """One portion as it was given and weighed. ``steps`` are those the board counted."""

    dose_id: int
    steps: int
    mass_g: float


@dataclass(frozen=True, kw_only=True)
class Conditions:
    """What was measured beside the balance, and how well. Half widths are those of rectangular distributions."""

    water_temperature_c: float
    pressure_kpa: float
    water_temperature_standard_uncertainty_c: float = 0.3
    pressure_standard_uncertainty_kpa: float = 1.0
    balance_resolution_g: float = 0.01
    balance_error_max_fraction: float = 0.0005
    evaporated_g: float = 0.0  # in the time of one portion, from a weighing without delivery
    evaporated_standard_uncertainty_g: float = 0.002


@dataclass(frozen=True)
class Level:
    """All good portions of one number of steps."""

    steps: int
    portions_count: int
    mean_ml: float
    systematic_error_pct: float
    random_error_pct: float | None  # None where only one portion is left


@dataclass(frozen=True)
class PumpResult:
    """What came of a calibration. Volumes are in ml in the order of the weighings; ``set_aside`` marks blunders."""

    z_ml_per_g: float
    volumes_ml: tuple[float, ...]
    set_aside: tuple[bool, ...]
    line: Line
    line_with_all: Line
    intercept_p: float
    levels: tuple[Level, ...]
    budget: tuple[Share, ...]
    combined: Combined
    refused_because: tuple[str, ...]

    @property
    def ml_per_step(self) -> float:
        return self.line.slope

    @property
    def accepted(self) -> bool:
        return not self.refused_because


def judge_conditions(conditions: Conditions) -> list[str]:
    """One sentence for each figure that cannot be right."""
    found = []
    t, p = conditions.water_temperature_c, conditions.pressure_kpa
    if not 5.0 <= t <= 40.0:
        found.append(f"water_temperature_c is {t:g}, but must be from 5 to 40 (degrees Celsius).")
    if not 60.0 <= p <= 110.0:
        hint = f"; {p:g} hPa is {p / 10.0:g} kPa" if 600.0 <= p <= 1100.0 else ""
        found.append(f"pressure_kpa is {p:g}, but must be from 60 to 110 (kilopascals){hint}.")
    for name, value in asdict(conditions).items():
        if not math.isfinite(value) or (value < 0.0 and name not in ("water_temperature_c", "pressure_kpa")):
            found.append(f"{name} is {value:g}, but must be 0 or more.")
    return found


def judge_weighings(weighings: list[Weighing]) -> list[str]:
    """One sentence for each reason why no line can be drawn through these portions."""
    found = []
    for place, each in enumerate(weighings, 1):
        if not 0.0 < each.mass_g <= LARGEST_G:
            bound = f"above 0 and at most {LARGEST_G:g}"
            found.append(f"portion {place}: mass_g is {each.mass_g:g}, but must be {bound}.")
        if each.steps < 1:
            found.append(f"portion {place}: steps is {each.steps}, but must be 1 or more.")
    sizes = sorted({each.steps for each in weighings})
    counts = {size: sum(each.steps == size for each in weighings) for size in sizes}
    if len(weighings) < PORTIONS_MIN:
        found.append(f"there are {len(weighings)} portions, but a calibration needs {PORTIONS_MIN} or more.")
    elif sum(count >= EACH_MIN for count in counts.values()) < 2:
        found.append(f"a calibration needs two or more sizes of portion, each given {EACH_MIN} times or more.")
    if not found:
        medians = [float(np.median([w.mass_g for w in weighings if w.steps == size])) for size in sizes]
        if any(after <= before for before, after in pairwise(medians)):
            found.append("the masses do not rise with the steps; look at the order of the rows, the tube and the tare.")
    return found


def evaluate(weighings: list[Weighing], conditions: Conditions, acceptance: Acceptance) -> PumpResult:
    """Millilitres a step from weighed portions. SettingsError with a sentence for each fault of the data.

    ISO 8655-6 for the volume of a mass and both errors; a least squares line through steps and volumes; JCGM
    100:2008 for the uncertainty. The absolute scatter of portions is taken as the same for all sizes (as Yoshikawa
    et al. 2023, Digital Discovery 2:1745, section 3.3, saw it for their pump); the residuals on the certificate
    show whether it is.
    """
    faults = judge_conditions(conditions) + judge_weighings(weighings)
    if faults:
        raise SettingsError(tuple(faults))
    z = z_factor_ml_per_g(conditions.water_temperature_c, conditions.pressure_kpa)
    steps = np.array([each.steps for each in weighings], dtype=float)
    volumes = z * (np.array([each.mass_g for each in weighings]) + conditions.evaporated_g)
    aside = blunders(steps, volumes)
    line, with_all = fit_line(steps[~aside], volumes[~aside]), fit_line(steps, volumes)
    df = float(np.sum(~aside)) - 2.0
    levels = tuple(_levels(steps[~aside], volumes[~aside], line))
    budget = _budget(steps[~aside], line, df, z, conditions)
    combined = combine(list(budget))
    p = _two_sided_p(line, df)
    refused = _refusals(line, combined, levels, float(np.mean(aside)), acceptance)
    return PumpResult(
        z, tuple(map(float, volumes)), tuple(map(bool, aside)), line, with_all, p, levels, budget, combined,
        tuple(refused),
    )  # fmt: skip


def _levels(steps: Any, volumes: Any, line: Line) -> list[Level]:
    found = []
    for size in np.unique(steps):
        of_size = volumes[steps == size]
        spread_pct = random_error_pct(of_size) if of_size.size > 1 else None
        error_pct = systematic_error_pct(of_size, float(size * line.slope))
        found.append(Level(int(size), int(of_size.size), float(np.mean(of_size)), error_pct, spread_pct))
    return found


def _two_sided_p(line: Line, df: float) -> float:
    """Chance of an intercept as far from zero as this one, if it is zero."""
    from scipy.special import stdtr

    if line.intercept_se == 0.0:
        return 1.0 if line.intercept == 0.0 else 0.0
    return float(2.0 * stdtr(df, -abs(line.intercept) / line.intercept_se))


def _budget(steps: Any, line: Line, df: float, z_ml_per_g: float, conditions: Conditions) -> tuple[Share, ...]:
    spread = math.sqrt(float(np.sum((steps - np.mean(steps)) ** 2)))
    mean_steps = float(np.mean(steps))
    return (
        Share("repeatability of the portions, through the line", "ml/step", line.slope_se, 1.0, df, "A: fit"),
        *_shares_of_balance_and_air(line.slope, z_ml_per_g / spread, mean_steps, z_ml_per_g, conditions),
    )


def _shares_of_balance_and_air(
    slope: float, sensitivity: float, steps: float, z_ml_per_g: float, conditions: Conditions
) -> tuple[Share, ...]:
    """What does not come from the scatter. ``sensitivity`` is how much a gram in one reading moves the result."""
    t, p = conditions.water_temperature_c, conditions.pressure_kpa
    warmer, higher, lower = min(t + 0.5, 40.0), min(p + 1.0, 110.0), max(p - 1.0, 60.0)
    dz_dt = (z_factor_ml_per_g(warmer, p) - z_factor_ml_per_g(t - 0.5, p)) / (warmer - t + 0.5)
    dz_dp = (z_factor_ml_per_g(t, higher) - z_factor_ml_per_g(t, lower)) / (higher - lower)
    resolution_g = conditions.balance_resolution_g / math.sqrt(6.0)
    u_t, u_p = conditions.water_temperature_standard_uncertainty_c, conditions.pressure_standard_uncertainty_kpa
    error = conditions.balance_error_max_fraction / math.sqrt(3.0)
    u_evaporated_g = conditions.evaporated_standard_uncertainty_g
    return (
        Share("balance, error of its scale", "1", error, slope, math.inf, "B: rectangular"),
        Share("balance, resolution", "g", resolution_g, sensitivity, math.inf, "B: two rectangular"),
        Share("water temperature", "°C", u_t, slope * dz_dt / z_ml_per_g, math.inf, "B: stated"),
        Share("air pressure", "kPa", u_p, slope * dz_dp / z_ml_per_g, math.inf, "B: stated"),
        Share("evaporation, as if it went with the steps", "g", u_evaporated_g, z_ml_per_g / steps, math.inf,
              "B: stated"),
    )  # fmt: skip


def _refusals(
    line: Line, combined: Combined, levels: tuple[Level, ...], aside_fraction: float, limits: Acceptance
) -> list[str]:
    found = []
    if line.slope <= 0.0:
        return ["The volume does not rise with the steps."]
    expanded_pct = 100.0 * combined.expanded / line.slope
    if expanded_pct > limits.pump_expanded_uncertainty_max_pct:
        found.append(
            f"The expanded uncertainty is {expanded_pct:.2f} % of the result; at most "
            f"{limits.pump_expanded_uncertainty_max_pct:g} % is accepted "
            "(acceptance.pump_expanded_uncertainty_max_pct)."
        )
    for level in levels:
        if abs(level.systematic_error_pct) > limits.pump_systematic_error_max_pct:
            found.append(
                f"At {level.steps} steps the systematic error is {level.systematic_error_pct:+.2f} %; at most "
                f"{limits.pump_systematic_error_max_pct:g} % is accepted (acceptance.pump_systematic_error_max_pct): "
                "air in the line, slack, or a bent response."
            )
        if level.random_error_pct is None:
            found.append(f"At {level.steps} steps only one portion lies on the line: no random error can be told.")
        elif level.random_error_pct > limits.pump_random_error_max_pct:
            found.append(
                f"At {level.steps} steps the random error is {level.random_error_pct:.2f} %; at most "
                f"{limits.pump_random_error_max_pct:g} % is accepted (acceptance.pump_random_error_max_pct)."
            )
    if aside_fraction > limits.pump_set_aside_max_fraction + 1e-9:
        found.append(
            f"{100 * aside_fraction:.0f} % of the portions lie off the line; at most "
            f"{100 * limits.pump_set_aside_max_fraction:.0f} % is accepted (acceptance.pump_set_aside_max_fraction)."
        )
    return found


def quick_check(
    weighing: Weighing, conditions: Conditions, ml_per_step: float, scatter_ml: float
) -> tuple[float, float, float]:
    """One portion: (millilitres a step, their standard uncertainty, difference from the factor in use in %).

    ``scatter_ml`` is the standard deviation of single portions about the line of the calibration in use.
    """
    faults = judge_conditions(conditions)
    if not 0.0 < weighing.mass_g <= LARGEST_G:
        faults.append(f"mass_g is {weighing.mass_g:g}, but must be above 0 and at most {LARGEST_G:g}.")
    if weighing.steps < 1:
        faults.append(f"steps is {weighing.steps}, but must be 1 or more.")
    if faults:
        raise SettingsError(tuple(faults))
    z = z_factor_ml_per_g(conditions.water_temperature_c, conditions.pressure_kpa)
    found_ml_per_step = z * (weighing.mass_g + conditions.evaporated_g) / weighing.steps
    shares = [
        Share("scatter of one portion", "ml", scatter_ml, 1.0 / weighing.steps, math.inf, "A: calibration in use"),
        *_shares_of_balance_and_air(found_ml_per_step, z / weighing.steps, float(weighing.steps), z, conditions),
    ]
    difference_pct = 100.0 * (found_ml_per_step / ml_per_step - 1.0)
    return found_ml_per_step, combine(shares).standard_uncertainty, difference_pct
