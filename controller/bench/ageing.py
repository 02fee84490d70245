"""How a pump's factor moves over calibrations and checks: control charts, and when to calibrate again."""

from datetime import datetime
from typing import Any, NamedTuple

from controller.science.lines import ControlChart, ewma_limits, individuals_limits

HISTORY_MIN = 5  # individuals limits of fewer points are too wide to tell anything (choice, no source)
BASE_MAX = 10  # limits are set from the first so many points of a tube, and then stand (choice, no source)
EWMA_WEIGHT = 0.3  # NIST/SEMATECH e-Handbook 6.3.2.4 uses this weight and 3 sigma
EWMA_WIDTH = 3.0
MOVED_UNCERTAINTIES = 3.0
TUBE_WARNS_FRACTION = 0.8


class Point(NamedTuple):
    at_utc: datetime
    ml_per_step: float
    ml_per_step_standard_uncertainty: float
    tubing_lot: str
    record_id: str


class Standing(NamedTuple):
    """What the charts say: both charts when there are points enough, and plain sentences."""

    points: tuple[Point, ...]
    individuals: ControlChart | None
    ewma: ControlChart | None
    advice: tuple[str, ...]


def is_all_simulated(records: list[dict[str, Any]]) -> bool:
    """Whether there are calibrations or checks of a pump, and none of them of a real one."""
    of_pumps = [record for record in records if record["kind"] in ("pump", "check")]
    return bool(of_pumps) and all(record.get("simulated") for record in of_pumps)


def points_of(records: list[dict[str, Any]], *, simulated: bool) -> list[Point]:
    """The factor of every accepted calibration and every check, oldest first: of simulated pumps, or of real ones."""
    found = []
    for record in records:
        is_factor = record["kind"] in ("pump", "check") and record["accepted"]
        if is_factor and bool(record.get("simulated")) == simulated:
            result = record["result"]
            at_utc = datetime.fromisoformat(record["at_utc"])
            u_ml_per_step = result["ml_per_step_standard_uncertainty"]
            found.append(Point(at_utc, result["ml_per_step"], u_ml_per_step, record["tubing_lot"], record["id"]))
    return found


def judge_factors(points: list[Point], tubing_lot: str, in_use: str = "") -> Standing:
    """Charts and advice for one tubing lot.

    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (individuals) and 6.3.2.4 (EWMA). Limits come from the
    first points of the tube, never from the newest one; the target of the EWMA is their mean, its sigma that of the
    moving range. When the newest point is the calibration in use, what moved is taken account of, and nothing is asked
    for.
    """
    advice = []
    of_lot = tuple(each for each in points if each.tubing_lot == tubing_lot)
    individuals = ewma = None
    if len(of_lot) > HISTORY_MIN:
        values = [each.ml_per_step for each in of_lot]
        base = individuals_limits(values[:-1][:BASE_MAX])
        individuals = ControlChart(individuals_limits(values).points, base.centre, base.low, base.high)
        sigma = (base.high - base.centre) / 3.0
        if individuals.outside[-1]:
            advice.append("The newest factor lies outside the limits of those before it: calibrate again.")
        if sigma > 0.0:
            ewma = ewma_limits(values, base.centre, sigma, EWMA_WEIGHT, EWMA_WIDTH)
            if ewma.outside[-1]:
                advice.append("The factor drifts (moving average outside its limits): calibrate again.")
    elif len(of_lot) >= 2:
        first, last = of_lot[0], of_lot[-1]
        spread = (first.ml_per_step_standard_uncertainty**2 + last.ml_per_step_standard_uncertainty**2) ** 0.5
        if abs(last.ml_per_step - first.ml_per_step) > MOVED_UNCERTAINTIES * spread:
            advice.append("The factor moved by more than three standard uncertainties: calibrate again.")
    if of_lot and of_lot[-1].record_id == in_use:
        advice = []
    return Standing(of_lot, individuals, ewma, tuple(advice))


def judge_hours(turned_h: float, tube_life_h: float) -> tuple[str, ...]:
    """What the hours of the tube ask for."""
    if turned_h > tube_life_h:
        return (f"The tube has turned {turned_h:.1f} h, more than its {tube_life_h:g} h: new tube, calibrate.",)
    if turned_h > TUBE_WARNS_FRACTION * tube_life_h:
        return (f"The tube has turned {turned_h:.1f} h of its {tube_life_h:g} h: have a new one ready.",)
    return ()
