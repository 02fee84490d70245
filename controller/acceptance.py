"""The acceptance tests of a chamber that was just built: their one definition, their judges, their record file.

hardware/BENCH.md is written from ``TESTS``. A test is *watched* (the board or the computer's own pins must report
what the technician does), *judged from records* (a bench run's journal, with what was weighed or timed), or *asked*
(only the technician's word stands behind it); the record says which. Nothing here turns the pump: water moves only
in a run, under the law of host and board.
"""

import hashlib
import json
import os
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from controller import __version__
from controller.control import model as m
from controller.errors import SettingsError
from controller.records.journal import Journal
from controller.science.volumetry import water_density_kg_m3
from firmware_bridge import interlocks, limits, messages

COVERAGE = 2.0  # expanded uncertainty of about 95 % (JCGM 100:2008, 6.3.3)
BALANCE_G = (
    0.1  # standard uncertainty taken for a balance that shows 0.1 g, evaporation and a drop at the tube included
)
WATER_C = 20.0  # 5 C more or less changes the volume by a tenth of a percent
SOAK_DAYS = 7.0
SOAK_GAP_S_MAX = 300.0
WATCHED, RECORDS, ASKED = "watched", "judged from records", "asked"


@dataclass(frozen=True)
class Question:
    """What the technician is asked: yes or no, or a number with its unit and, where it alone decides, its bound."""

    key: str
    words: str
    unit: str = ""
    at_most: float | None = None

    @property
    def is_number(self) -> bool:
        return self.unit != ""


@dataclass(frozen=True)
class AcceptanceTest:
    """One test. ``trip_reason`` is what the board must report, ``local`` what the computer's own pin must show."""

    name: str
    title: str
    evidence: str
    do: tuple[str, ...]
    passes: str
    questions: tuple[Question, ...] = ()
    trip_reason: str = ""
    local: str = ""
    caution: str = ""


_BENCH_RUN = (
    "Start a run of config/bench.plan.toml in the folder runs/bench-{name}, with your chamber file, and sign "
    "cup-under-tube."
)

TESTS: tuple[AcceptanceTest, ...] = (
    AcceptanceTest(
        "look", "Look before power", ASKED,
        ("Pull the supply's plug. Walk along every cable with WIRING.md in hand.",),
        "every answer is yes",
        (
            Question("supply", "Is the supply closed, certified, extra-low voltage, and no mains wire in the chamber?"),
            Question("residual", "Did the residual-current device of its socket trip when its test button was pressed?"),
            Question("loops", "Does every cable hang in a drip loop, electronics above the highest water level?"),
            Question("tray", "Does the tray hold more than the full reservoir?"),
            Question("continuity", "Did every wire of the three sheets ring through, and no pin against 24 V?"),
        ),
        caution="Only the supply's plug carries mains. Do not open the supply.",
    ),
    AcceptanceTest(
        "leak-rope", "Leak rope, wet", WATCHED,
        ("Lay a wet cloth with the water you will use across the middle of the leak rope B3.",),
        "the board reports leak_wet", trip_reason=interlocks.LEAK_WET,
    ),
    AcceptanceTest(
        "leak-rope-cut", "Leak rope, wire cut", WATCHED, ("Unplug B3 at the board.",),
        "the board reports leak_wire_open", trip_reason=interlocks.LEAK_WIRE_OPEN,
    ),
    AcceptanceTest(
        "tray-float", "The computer's own leak float", WATCHED, ("Lift the float B6 in the tray as 5 mm of water would.",),
        "the computer's pin reads wet", local="leak",
    ),
    AcceptanceTest(
        "float", "Overfill float, raised", WATCHED, ("Raise the float B4 alone, B7 left hanging.",),
        "the board reports overfill_float_up", trip_reason=interlocks.OVERFILL_FLOAT_UP,
    ),
    AcceptanceTest(
        "float-cut", "Overfill float, wire cut", WATCHED, ("Unplug B4 at the board.",),
        "the board reports float_wire_open", trip_reason=interlocks.FLOAT_WIRE_OPEN,
    ),
    AcceptanceTest(
        "float-supply", "Second float breaks the pump's supply", WATCHED,
        ("Raise the float B7 alone, B4 left hanging. Measure between VMOT of A3 and 0 V after five seconds.",),
        "the computer's pin reads wet and VMOT is at most 1 V",
        (Question("vmot_v", "Volts at VMOT", "V", 1.0),), local="overfill_float",
    ),
    AcceptanceTest(
        "reservoir", "Reservoir float", WATCHED, ("Lower the reservoir's float B5 as an empty reservoir would.",),
        "the board reports reservoir_empty", trip_reason=interlocks.RESERVOIR_EMPTY,
    ),
    AcceptanceTest(
        "stop", "Emergency stop", ASKED,
        ("Press S1. Measure at VMOT of A3 and at the supply input of A4, against 0 V, after five seconds.",),
        "both are at most 1 V, the computer stays on, S1 stays pressed",
        (
            Question("vmot_v", "Volts at VMOT", "V", 1.0),
            Question("lamp_v", "Volts at the lamp driver's input", "V", 1.0),
            Question("computer", "Is the computer still on, and does the button stay pressed?"),
        ),
    ),
    AcceptanceTest(
        "lamp-dark", "Lamp dark without the computer", ASKED,
        ("With the lamp driver supplied, stop the service and unplug the computer.",),
        "the lamp stays dark",
        (Question("dark", "Is the lamp dark while the computer is off and while it starts?"),),
        caution="Do not look into the lamp; look at the wall.",
    ),
    AcceptanceTest(
        "lamp-thermal", "Lamp's thermal cut-out", ASKED,
        (
            "Warm the cut-out F5 alone, taken off the heat sink, in a closed bag in hot water, a thermometer beside it; "
            "lamp on at low duty.",
            "Let it cool before you reset it by hand.",
        ),
        "it opens at or below 75 C and stays open when cold until it is reset",
        (
            Question("opened_c", "Temperature at which the lamp went out", "C", 75.0),
            Question("latched", "Did the lamp stay out, when cold, until the reset was pressed?"),
        ),
        caution="Hot water scalds: gloves, and no children at this test. The bag keeps water off 24 V.",
    ),
    AcceptanceTest(
        "lease", "The controller falls silent in mid dose", RECORDS,
        (
            _BENCH_RUN,
            "While the pump turns, in another terminal: kill -STOP and the process id of wardian run; stop-watch until "
            "the pump stands. Then kill -CONT and the same id, and let it answer; end it with ctrl-C.",
        ),
        f"the pump stands within {limits.LEASE_MS_MAX / 1000 + 1:.0f} s and the run records the trip lease_lost",
        (Question("stood_s", "Seconds from the signal until the pump stood", "s", limits.LEASE_MS_MAX / 1000 + 1),),
    ),
    AcceptanceTest(
        "delivery", "Delivery against the balance, and its run limit", RECORDS,
        (
            _BENCH_RUN,
            "Stop-watch the third portion. After it, end the run with ctrl-C and weigh the cup: mass of water alone.",
        ),
        "mass and records agree within twice their standard uncertainty, and no portion turned longer than its limit",
        (
            Question("water_g", "Mass of the water in the cup", "g"),
            Question("turned_s", "Seconds that the pump turned for the third portion", "s"),
        ),
    ),
    AcceptanceTest(
        "power-cut", "Power cut in mid dose", RECORDS,
        (
            _BENCH_RUN,
            "In the middle of the second portion pull the supply's plug; wait a minute; put it in again.",
            "When the run has gone on, read what it recorded (wardian status), end it, weigh the cup.",
        ),
        "the cut dose is closed as uncertain, none is repeated, and the cup holds no more than was recorded at most",
        (Question("water_g", "Mass of the water in the cup", "g"),),
        caution="Pull the plug of the certified supply, with dry hands; cut no wire.",
    ),
    AcceptanceTest(
        "soak", "A week without hands", RECORDS,
        ("Put the tube's end back into the reservoir. " + _BENCH_RUN, "Leave it for seven days; touch nothing."),
        f"{SOAK_DAYS:.0f} days of readings, no gap above {SOAK_GAP_S_MAX / 60:.0f} min, no trip, every dose complete",
        (Question("dry", "Is the tray dry, and no cable, plug or box warm, wet or corroded?"),),
    ),
)  # fmt: skip
BY_NAME = {test.name: test for test in TESTS}
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
        elif question.at_most is not None and not float(answer) <= question.at_most:
            faults.append(f"{question.words}: {answer:g} {question.unit}, at most {question.at_most:g}")
    return Outcome(not faults, "; ".join(faults) or "as it should be")


def judge_records(test: AcceptanceTest, answers: Answers, journal: Journal) -> Outcome:
    """A bench run's journal against what the test asks."""
    asked = judge_answers(test, answers)
    found = _RECORD_JUDGES[test.name](answers, journal)
    if asked.passed:
        return found
    return Outcome(False, f"{asked.words}; {found.words}")


def _doses(journal: Journal) -> tuple[dict[int, m.DoseIntended], list[m.DoseClosed]]:
    return {dose.dose_id: dose for dose in journal.records(m.DoseIntended)}, list(journal.records(m.DoseClosed))


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
    gap_s = max(after - before for before, after in zip(at_s, at_s[1:], strict=False))
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


class BenchRecord:
    """The record file beside the chamber file: one line of JSON an attempt, only ever added to, each naming the
    SHA-256 of the line before it. It shows a careless change, not a determined one."""

    def __init__(self, chamber_path: Path) -> None:
        self.path = chamber_path.with_name(chamber_path.name.removesuffix(".toml").removesuffix(".chamber") + ".bench")
        self._chamber_sha256 = hashlib.sha256(chamber_path.read_bytes()).hexdigest()

    def attempts(self) -> list[dict[str, Any]]:
        """Every attempt, oldest first; SettingsError when a line was changed or taken out."""
        if not self.path.exists():
            return []
        before = ""
        found = []
        for number, line in enumerate(self.path.read_bytes().splitlines(keepends=True), 1):
            try:
                attempt = json.loads(line)
                whole = line.endswith(b"\n") and attempt["line_before_sha256"] == before
            except (ValueError, KeyError, TypeError):
                whole = False
            if not whole:
                sentence = f"{self.path}: line {number} is not what was written; keep the file and begin another."
                raise SettingsError((sentence,))
            found.append(attempt)
            before = hashlib.sha256(line).hexdigest()
        return found

    def add(self, test: AcceptanceTest, answers: Answers, outcome: Outcome, done_by: str, note: str = "") -> None:
        """Write one attempt and have it on the disk."""
        self.attempts()  # an altered file is told before anything is added to it
        lines = self.path.read_bytes().splitlines(keepends=True) if self.path.exists() else []
        attempt = {
            "at_utc": datetime.now(UTC).isoformat(timespec="seconds"),
            "test": test.name,
            "passed": outcome.passed,
            "evidence": test.evidence,
            "found": outcome.words,
            "answers": answers,
            "by": done_by,
            "note": note,
            "chamber_sha256": self._chamber_sha256,
            "version": __version__,
            "limits_checksum": messages.LIMITS_CHECKSUM,
            "line_before_sha256": hashlib.sha256(lines[-1]).hexdigest() if lines else "",
        }
        with self.path.open("ab") as file:
            file.write(json.dumps(attempt, ensure_ascii=False).encode() + b"\n")
            file.flush()
            os.fsync(file.fileno())

    def last(self) -> dict[str, dict[str, Any]]:
        """test -> its last attempt."""
        return {attempt["test"]: attempt for attempt in self.attempts()}
