"""Portions for a calibration, given by the chamber itself: the same law, board, lease, limits and write-ahead.

A session has a folder and a journal of its own. Its lamp stays off, no plan waters, and each portion is a request
that ``step`` grants or refuses. What other sessions and the chamber's runs gave in the board's last day counts against
the chamber's limit.
"""

import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, Protocol

from controller import __version__
from controller.bench.session_file import GIVEN, SHOWN, add_row
from controller.bench.tube import NOTHING, TURNED, TURNING, Elsewhere, given_lately
from controller.chamber.seam import ChamberSeam
from controller.control import model as m
from controller.control.hands_on import portion_steps
from controller.control.watering import board_reason
from controller.control.words import watering_words
from controller.deciding import Decider
from controller.errors import ChamberError, SettingsError
from controller.plan import Settings
from controller.records.journal import Journal
from controller.run import lock_run
from controller.settings import settings_from_text

READY_WITHIN_S = 30
PORTION_WITHIN_S = 660  # longer than the law waits for the account of any dose
STOP_WITHIN_S = 3
NOT_WEIGHED = "not weighed"  # the note of a request for a portion that only fills the tube

# The law needs a plan; in a calibration none of it is acted on.
NO_PLAN = """
name = "Calibration"
length_days = 1
sample_every_s = 1
[[positions]]
number = 1
species = "none"
[medium]
bed_area_cm2 = 100
bed_depth_cm = 5
texture = "sandy loam"
[first_wetting]
total_ml = 1
drain = false
aliquot_ml = 1
push_rate_max_ml_per_min = 500
[watering]
dose_ml = 1
rest_h = 24
daily_cap_ml = 1
total_cap_ml = 1
[watering.fixed]
times = [12:00:00]
[photoperiod]
light_h = 0
start = 06:00:00
duty_fraction = 0.0
[climate]
air_temperature_low_c = 5
air_temperature_high_c = 40
air_temperature_alarm_low_c = 0
air_temperature_alarm_high_c = 45
lamp_off_above_c = 50
relative_humidity_low_pct = 0
relative_humidity_high_pct = 100
[[steps]]
name = "weigh"
title = "Weigh every portion"
due = "before_wetting"
gate = true
[observation]
days = []
"""


def settings_for(chamber_text: str, chamber_name: str) -> Settings:
    """Settings of a session in this chamber."""
    return settings_from_text(NO_PLAN, chamber_text, chamber_name=chamber_name)


class Vessel(Protocol):
    """A simulated vessel on a simulated balance; on a real bench a person sees to both."""

    def empty(self) -> None:
        """Empty it, dry it and set the balance to zero."""

    def shown_mass_g(self) -> float:
        """What the balance shows now."""


class BenchSession:
    """Gives portions when asked. ``wait`` lets one second pass, on the computer's clock or on a simulated one."""

    def __init__(
        self, settings: Settings, chamber: ChamberSeam, folder: Path, by: str, wait: Callable[[], None], *,
        simulated: bool, elsewhere: Elsewhere = NOTHING, vessel: Vessel | None = None,
    ) -> None:  # fmt: skip
        self.folder = folder
        self._settings = settings
        self._simulated = simulated
        self._turns = 0
        self.by = by
        self._given = 0
        self._wait = wait
        self._chamber = chamber
        self._vessel = vessel
        self._asked_monotonic_ms = chamber.now().monotonic_ms
        folder.mkdir(parents=True, exist_ok=True)
        self._lock = lock_run(folder.parent)
        self.journal = Journal.create(folder / "journal.sqlite", folder.name, settings, __version__, simulated)
        clock = chamber.now()
        at = m.Moment(clock.utc_ms, clock.monotonic_ms, 1, clock.utc_trusted)
        given = given_lately(elsewhere, at.utc_ms, 0, utc_trusted=at.utc_trusted)
        state = m.State(
            now=at, phase=m.CALIBRATING, given_lately=given, journal_id=self.journal.number,
            known_doses=elsewhere.known_doses,
        )  # fmt: skip
        self.journal.append(m.PhaseRecord(at, m.CALIBRATING, 0))
        self._decider = Decider(chamber, self.journal, settings, state, 1)
        self._decider.handle(m.Started(self._decider.moment(), __version__))

    def _second(self) -> None:
        self._wait()
        self._decider.notice_clock()
        self._decider.sample()
        self._decider.tick()

    def get_ready(self) -> None:
        """Wait for the board's greeting. ChamberError with the reason when there may be no water."""
        self._decider.hear()
        for _ in range(READY_WITHIN_S):
            refusal = self._refusal()
            if not refusal:
                return
            if refusal.startswith("tripped:"):
                break  # no trip goes away by itself
            self._second()
        raise ChamberError(watering_words(self._refusal()))

    def _refusal(self) -> str:
        return board_reason(self._decider.state, self._settings)

    def give(self, steps: int, asked: m.Request | None = None) -> m.DoseClosed:
        """One portion of so many steps. ChamberError with the law's answer when it is refused or cut short.

        ``asked`` is the request of somebody else that this portion answers; without it the session asks itself.
        """
        self._decider.notice_clock()
        self._decider.hear()  # people take their time between portions: what the board said meanwhile comes first
        self._decider.sample()
        if self._vessel is not None:
            self._vessel.empty()
        moment = self._decider.moment()
        pump = self._settings.chamber.pump
        self._turns += 1
        self.note(
            TURNING, turn=self._turns, dose_steps=steps, steps_per_s=pump.steps_per_s,
            volume_max_ml=steps * pump.ml_per_step, tubing_lot=pump.tubing_lot, simulated=self._simulated,
            utc_trusted=moment.utc_trusted,
        )  # fmt: skip
        request = asked or m.Request(moment, 0, m.GIVE_PORTION, self.by, subject=str(steps))
        number = self.journal.ask(request) if asked is None else asked.request_id
        self._decider.handle(m.RequestMade(moment, replace(request, request_id=number)))
        answer = self.journal.answer_to(number)
        if self._decider.state.open_dose is None:
            self.note(TURNED, turn=self._turns, dose_id=0, dose_steps=0, volume_max_ml=0.0)
            raise ChamberError("The records cannot be written." if answer is None else answer.words)
        opened = self._decider.state.open_dose
        for _ in range(PORTION_WITHIN_S):
            self._second()
            if self._decider.state.open_dose is None:
                break
            self._judge_others()
        else:
            raise ChamberError("The board did not tell how the portion ended; it is counted in full.")
        closed = self.journal.outcomes()[opened.dose_id]
        self.note(
            TURNED, turn=self._turns, dose_id=closed.dose_id, dose_steps=closed.steps_max,
            volume_max_ml=closed.volume_max_ml,
        )  # fmt: skip
        if closed.end_reason != "complete" or closed.steps_min != closed.steps_max:
            raise ChamberError(f"The portion was not given in full ({closed.end_reason}); do not weigh it.")
        return closed

    def take_requests(self) -> list[str]:
        """Let a second pass, then judge what people asked meanwhile; a sentence for each portion and what came of it.

        A portion that was given in full is kept as one to be weighed, unless its request says that it is not.
        """
        self._second()
        said: list[str] = []
        if self._decider.state.records_failed:
            return said  # no answer could be written; whoever asked is told to ask again
        for request in self.journal.open_requests():
            if self.journal.answer_to(request.request_id) is not None:
                continue  # judged while the portion before it was under way
            self._asked_monotonic_ms = self._chamber.now().monotonic_ms
            steps = portion_steps(request.subject)
            if request.request != m.GIVE_PORTION or steps is None:
                self._judge(request)
                continue
            try:
                closed = self.give(steps, request)
            except ChamberError as error:
                said.append(f"Asked for by {request.asked_by}: {error}")
                continue
            said.append(f"Portion {closed.dose_id}, {closed.steps_max} steps, asked for by {request.asked_by}: given.")
            if request.note != NOT_WEIGHED:
                self._given += 1
                self.note(GIVEN, portion=self._given, dose_id=closed.dose_id, steps=closed.steps_max)
                if self._vessel is not None:
                    self.note(SHOWN, portion=self._given, mass_g=round(self._vessel.shown_mass_g(), 2))
            self._asked_monotonic_ms = self._chamber.now().monotonic_ms
        return said

    @property
    def idle_s(self) -> float:
        """How long nobody has asked for anything."""
        return (self._chamber.now().monotonic_ms - self._asked_monotonic_ms) / 1000.0

    @property
    def is_over(self) -> bool:
        """Whether somebody asked for the end: the law has granted it and gives no portion any more."""
        return self._decider.state.phase == m.ENDED

    def end(self, why: str) -> None:
        """Ask for the end, as anybody may."""
        request = m.Request(self._decider.moment(), 0, m.END_RUN, self.by, note=why)
        self._judge(replace(request, request_id=self.journal.ask(request)))

    def _judge_others(self) -> None:
        """While a portion is under way the law refuses the next at once: none comes later, when nobody expects it."""
        for request in self.journal.open_requests():
            self._judge(request)

    def _judge(self, request: m.Request) -> None:
        self._decider.handle(m.RequestMade(self._decider.moment(), request))

    def note(self, what: str, **values: Any) -> None:
        """Keep what a person typed, at once and for good, in ``bench.jsonl`` beside the journal."""
        add_row(self.folder, self._chamber.now().utc_ms, self.by, what, **values)

    def close(self) -> None:
        """Stop what turns, let go of the chamber, close the records."""
        self._decider.handle(m.Leaving(self._decider.moment()))
        for _ in range(STOP_WITHIN_S):
            if self._decider.state.open_dose is None:
                break
            self._second()
        self._chamber.close()
        self.journal.close()
        os.close(self._lock)


def spread_steps(sizes_steps: list[int], times: int) -> list[int]:
    """The order of portions: each round turned about, so that a slow drift does not pass for a slope."""
    if times < 1 or not sizes_steps:
        raise SettingsError(("a calibration needs one or more sizes of portion, each given once or more.",))
    rounds = [sizes_steps if turn % 2 == 0 else sizes_steps[::-1] for turn in range(times)]
    return [steps for each in rounds for steps in each]
