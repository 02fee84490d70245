"""The controller killed at every boundary between two of its actions, on a day with a wetting and four doses.

The day runs in virtual time with the shipped law, journal and board program. At the boundary nothing more of the
controller happens, not even its farewell; the board goes on, restarts with what it saved, or comes back with an empty
memory. Then a new life of the controller rebuilds its state from the journal and lives on to the end of the day,
while a person clears each trip within the hour. What the physics counted is held against plan and journal.
"""

import itertools
import tempfile
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from datetime import time
from pathlib import Path
from typing import Any

from controller import plan as p
from controller.chamber.simulated import SimulatedChamber
from controller.control import model as m
from controller.control.line import SETTLED
from controller.control.recovery import resume
from controller.deciding import Decider
from controller.plan import Settings
from controller.records.journal import Journal
from tests import examples
from tests.campaigns.rows import Row

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
SAMPLE_MS = 30 * 60_000
BOARD_FATES = ("kept", "restarted", "lost its memory")
AWAY_MS = (1_000, 60_000)  # how long no controller runs: within the lease, and far beyond it
WETTING_ML, DOSE_ML, DOSES = 30.0, 3.0, 4

DAY = examples.settings(
    examples.DRY_HANDS,
    first_wetting=replace(
        examples.PLAN.first_wetting, total_ml=WETTING_ML, aliquot_ml=15.0, pause_s=60, soak_s=60, drain=False
    ),
    watering=p.Watering(
        dose_ml=DOSE_ML, rest_h=1, daily_cap_ml=DOSES * DOSE_ML, total_cap_ml=DOSES * DOSE_ML, moisture=None,
        fixed=p.FixedTimes(times=[time(10), time(13), time(16), time(19)]), fallback=None,
    ),
)  # fmt: skip


class KilledError(Exception):
    """The controller's process is gone."""


class Mortal(Decider):
    """The shipped decider, which dies just before its n-th action."""

    dies_before = -1

    def __init__(self, *given: Any) -> None:
        super().__init__(*given)
        self.actions = 0
        append = self.journal.append

        def counted(*records: Any) -> None:
            self._count()
            append(*records)

        self.journal.append = counted  # type: ignore[method-assign]

    def _count(self) -> None:
        if self.actions == self.dies_before:
            raise KilledError
        self.actions += 1

    def _act(self, action: m.Action) -> None:
        self._count()
        super()._act(action)


class Day:
    """One chamber through one day, whoever controls it."""

    def __init__(self, folder: Path, settings: Settings = DAY) -> None:
        self.settings = settings
        self.chamber = SimulatedChamber(settings, 1, examples.START_UTC_MS)
        self.path = folder / "journal.sqlite"
        Journal.create(self.path, "day", settings, "test", simulated=True).close()
        self.turned_steps: Counter[int] = Counter()  # by dose id, as the motor truly turned
        turn = self.chamber.box.physics.turn

        def watched(steps: int) -> None:
            self.turned_steps[self.chamber._board.law.last_dose_id] += steps
            turn(steps)

        self.chamber.box.physics.turn = watched  # type: ignore[method-assign]
        self.found: list[str] = []

    def live(self, until_ms: int, dies_before: int = -1) -> int:
        """One life of a controller; answers how many actions it did. Raises KilledError when it was killed."""
        journal = Journal.open(self.path)
        journal.wait_for_disk(False)
        journal.readings_per_batch = 1
        self.chamber.open_line_anew()
        boot_id = journal.next_boot_id()
        clock = self.chamber.now()
        at = m.Moment(clock.utc_ms, clock.monotonic_ms, boot_id, clock.utc_trusted)
        state = resume(at, journal.history(), journal.last_reading(), self.settings, journal.number)
        decider = Mortal(self.chamber, journal, self.settings, state, boot_id)
        decider.dies_before = dies_before
        try:
            decider.handle(m.Started(decider.moment(), "test"))
            decider.hear()
            self._deciding(decider, until_ms)
        finally:
            journal._connection.close()  # the kernel closes the file of a killed process; nothing is flushed
        return decider.actions

    def _deciding(self, decider: Decider, until_ms: int) -> None:
        chamber = self.chamber
        while chamber.monotonic_ms < until_ms:
            now_ms = chamber.monotonic_ms
            if now_ms % SAMPLE_MS == 0:
                decider.sample()
            state = decider.state
            settled = state.open_dose is None and state.line.state == SETTLED and state.asked_clear is None
            stride_ms = 60_000 if settled and state.phase == m.GROWING else 1_000
            chamber.advance_to(min(until_ms, now_ms + stride_ms - now_ms % stride_ms))
            decider.tick()
            if chamber.monotonic_ms % HOUR_MS == 0:
                self._clear_trips(decider)

    def _clear_trips(self, decider: Decider) -> None:
        for reason in dict.fromkeys(reason for reason, _ in decider.state.trips):
            at = decider.moment()
            request = m.Request(at=at, request_id=0, request=m.CLEAR_TRIP, asked_by="LK", subject=reason)
            number = decider.journal.ask(request)
            decider.handle(m.RequestMade(at, replace(request, request_id=number)))
            decider.hear()

    def board_meets(self, fate: str) -> None:
        if fate != "kept":
            self.chamber.reset_board(lose_memory=fate == "lost its memory")

    def faults(self) -> list[str]:
        """What does not agree at the end of the day: plan, journal and what the motor truly turned."""
        journal = Journal.open(self.path)
        closed = list(journal.records(m.DoseClosed))
        intents = list(journal.records(m.DoseIntended))
        journal.close()
        found = []
        ids = [intent.dose_id for intent in intents]
        if len(set(ids)) != len(ids):
            found.append("an id was intended twice")
        by_id = {each.dose_id: each for each in closed}
        if len(by_id) != len(closed):
            found.append("a dose was closed twice")
        for dose_id, steps in self.turned_steps.items():
            if steps and dose_id not in by_id:
                found.append(f"dose {dose_id} turned {steps} steps and is in no record")
            elif steps and not by_id[dose_id].steps_min <= steps <= by_id[dose_id].steps_max:
                found.append(f"dose {dose_id} turned {steps} steps, recorded {by_id[dose_id]}")
        pump = self.settings.chamber.pump
        wetted = sum(self.turned_steps[i.dose_id] for i in intents if i.purpose == m.FIRST_WETTING) * pump.ml_per_step
        watered = sum(self.turned_steps[i.dose_id] for i in intents if i.purpose != m.FIRST_WETTING) * pump.ml_per_step
        if wetted > WETTING_ML + 1e-6:
            found.append(f"the wetting gave {wetted:.2f} ml")
        if watered > DOSES * DOSE_ML + 1e-6:
            found.append(f"the day gave {watered:.2f} ml")
        physics = self.chamber.box.physics
        if abs(sum(self.turned_steps.values()) * physics.true_ml_per_step - physics.pumped_ml) > 1e-6:
            found.append("the physics counted other water than the motor")
        return found

    def end(self) -> None:
        """Judge the day and let go of the chamber's pins."""
        self.found = self.faults()
        self.chamber.close()

    def given_ml(self) -> float:
        """What the motor truly turned, by the calibration."""
        return sum(self.turned_steps.values()) * self.settings.chamber.pump.ml_per_step


def with_folder(what: Callable[[Path], Any]) -> Any:
    with tempfile.TemporaryDirectory() as folder:
        return what(Path(folder))


def whole_day(folder: Path) -> tuple[int, Day]:
    """(actions, the day) of a day on which nobody is killed."""
    day = Day(folder)
    actions = day.live(DAY_MS)
    day.end()
    return actions, day


def killed(folder: Path, dies_before: int, fate: str, away_ms: int) -> Day:
    """A day on which the controller dies before that action, and another takes over."""
    day = Day(folder)
    try:
        day.live(DAY_MS, dies_before)
    except KilledError:
        if fate != "kept":
            day.board_meets(fate)
        day.chamber.advance_to(min(DAY_MS - HOUR_MS, day.chamber.monotonic_ms + away_ms))
        day.live(DAY_MS)
    day.end()
    return day


def campaign(scale: float = 1.0) -> list[Row]:
    actions, undisturbed = with_folder(whole_day)
    assert undisturbed.found == []
    assert undisturbed.given_ml() > WETTING_ML + DOSES * DOSE_ML - 0.02
    every = max(1, round(1 / scale))
    rows = []
    for fate in BOARD_FATES:
        cases = list(itertools.product(range(actions), AWAY_MS))[::every]
        faults: list[str] = []
        least_ml = most_ml = undisturbed.given_ml()
        for dies_before, away_ms in cases:
            day = with_folder(lambda folder, n=dies_before, f=fate, a=away_ms: killed(folder, n, f, a))
            faults += [f"before action {dies_before}, away {away_ms} ms: {fault}" for fault in day.found[:1]]
            least_ml, most_ml = min(least_ml, day.given_ml()), max(most_ml, day.given_ml())
        worst = faults[0] if faults else f"{least_ml:.1f} to {most_ml:.1f} ml given of {WETTING_ML + DOSES * DOSE_ML:g}"
        rows.append(
            Row(f"controller killed between actions, board {fate}", len(cases), len(cases) - len(faults), worst)
        )
    return rows
