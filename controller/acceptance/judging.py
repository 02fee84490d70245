"""Whether an acceptance test passed: what the technician said, and what a bench run's journal holds."""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

from controller.acceptance.definition import SOAK_DAYS, SOAK_GAP_S_MAX, AcceptanceTest
from controller.control import model as m
from controller.records.journal import Journal
from controller.science.volumetry import water_density_kg_m3
from firmware_bridge import interlocks, limits

COVERAGE = 2.0  # expanded uncertainty of about 95 % (JCGM 100:2008, 6.3.3)
BALANCE_G = (
    0.1  # standard uncertainty taken for a balance that shows 0.1 g, evaporation and a drop at the tube included
)
WATER_C = 20.0  # 5 C more or less changes the volume by a tenth of a percent

Answers = dict[str, float | bool]


@dataclass(frozen=True)
class Outcome:
    """How one attempt ended and what stood behind it."""

    passed: bool
    words: str


def judge_answers(test: AcceptanceTest, answers: Answers) -> Outcome:
    """What the technician said, against the bounds that decide alone."""
    faults = []
    for question in test.questions:
        answer = answers[question.key]
        if not question.is_number and answer is not True:
            faults.append(f"no to: {question.words}")
        elif question.threshold is not None and not float(answer) <= question.threshold:
            faults.append(f"{question.words}: {answer:g} {question.unit}, at most {question.threshold:g}")
    return Outcome(not faults, "; ".join(faults) or "as it should be")


def judge_records(test: AcceptanceTest, answers: Answers, journal: Journal) -> Outcome:
    """A bench run's journal against what the test asks."""
    asked = judge_answers(test, answers)
    found = _RECORD_JUDGES[test.name](answers, journal)
    if asked.passed:
        return found
    return Outcome(False, f"{asked.words}; {found.words}")


def _doses(journal: Journal) -> tuple[dict[int, m.DoseIntended], list[m.DoseClosed]]:
    return {dose.dose_id: dose for dose in journal.records(m.DoseIntended)}, list(journal.outcomes().values())


def _lease(answers: Answers, journal: Journal) -> Outcome:
    trips = [trip for trip in journal.records(m.TripRecord) if trip.trip_reason == interlocks.LEASE_LOST]
    return Outcome(bool(trips), f"the run recorded {len(trips)} trip(s) of {interlocks.LEASE_LOST}")


def weighed_ml(water_g: float) -> float:
    """Volume of water from its mass at 20 C, buoyancy left out (0.1 %, inside ``BALANCE_G`` for a cup of 60 ml)."""
    return water_g / water_density_kg_m3(WATER_C) * 1000.0


def _delivery(answers: Answers, journal: Journal) -> Outcome:
    intended, closed = _doses(journal)
    if len(closed) < 3:
        return Outcome(False, f"only {len(closed)} portions were given; three are needed")
    recorded_ml = sum(dose.volume_ml for dose in closed)
    # one calibration stands behind all doses: their uncertainties add, they do not cancel
    dose_uncertainty_ml = sum(dose.volume_standard_uncertainty_ml for dose in closed)
    allowed_ml = COVERAGE * (dose_uncertainty_ml**2 + BALANCE_G**2) ** 0.5
    cup_ml = weighed_ml(float(answers["water_g"]))
    third = intended[closed[2].dose_id]
    limit_s = third.dose_steps / third.steps_per_s + limits.RUN_MARGIN_MS / 1000
    words = (
        f"cup {cup_ml:.2f} ml, recorded {recorded_ml:.2f} ml, difference allowed {allowed_ml:.2f} ml; "
        f"turned {answers['turned_s']:g} s, limit {limit_s:.1f} s"
    )
    return Outcome(abs(cup_ml - recorded_ml) <= allowed_ml and float(answers["turned_s"]) <= limit_s, words)


def _power_cut(answers: Answers, journal: Journal) -> Outcome:
    intended, closed = _doses(journal)
    uncertain = [dose for dose in closed if dose.steps_min < dose.steps_max]
    at_most_ml = sum(dose.volume_max_ml for dose in closed)
    cup_ml = weighed_ml(float(answers["water_g"]))
    words = f"{len(uncertain)} dose(s) closed as uncertain; cup {cup_ml:.2f} ml, recorded at most {at_most_ml:.2f} ml"
    open_doses = set(intended) - {dose.dose_id for dose in closed}
    if open_doses:
        return Outcome(False, f"{words}; dose {min(open_doses)} was never closed")
    return Outcome(bool(uncertain) and cup_ml <= at_most_ml + COVERAGE * BALANCE_G, words)


def _soak(answers: Answers, journal: Journal) -> Outcome:
    at_s = [reading.at.utc_ms / 1000 for reading in journal.records(m.ReadingRecord)]
    if len(at_s) < 2:
        return Outcome(False, "there are no readings")
    days = (at_s[-1] - at_s[0]) / 86_400
    gap_s = max(after - before for before, after in pairwise(at_s))
    trips = sum(1 for _ in journal.records(m.TripRecord))
    _, closed = _doses(journal)
    incomplete = sum(1 for dose in closed if dose.end_reason != interlocks.COMPLETE)
    words = f"{days:.2f} days, longest gap {gap_s:.0f} s, {trips} trip(s), {len(closed)} doses, {incomplete} incomplete"
    well = days >= SOAK_DAYS - 0.01 and gap_s <= SOAK_GAP_S_MAX and not trips and closed and not incomplete
    return Outcome(bool(well), words)


_RECORD_JUDGES: dict[str, Callable[[Answers, Journal], Outcome]] = {
    "lease": _lease,
    "delivery": _delivery,
    "power-cut": _power_cut,
    "soak": _soak,
}
