"""The host killed at every boundary between two actions of a day with four doses and a first wetting.

The world goes on in virtual time; what the killed host knew is gone, and the next one has only the journal. Water is
judged by the physics' own count of steps, dose by dose, never by what host or board believe.
"""

import tempfile
from collections import Counter
from dataclasses import replace
from datetime import time
from pathlib import Path

from controller import __version__
from controller.chamber.keeper import Keeper
from controller.control import model as m
from controller.control.recovery import resume
from controller.deciding import Decider
from controller.plan import FixedTimes
from controller.records.journal import Journal
from controller.rehearse import MS_PER_DAY, START_UTC, Rehearsal
from tests import examples
from tests.campaigns.rows import Row

KEPT, RESET, LOST = "board kept", "board reset with its saved line", "board lost its saved line"
BOARDS = (KEPT, RESET, LOST)
AWAY_MS = (1_000, 20_000, 5_400_000)  # shorter than the lease, longer, and past a watering time
WATERING = replace(
    examples.PLAN.watering,
    dose_ml=6.0,
    rest_h=1.0,
    daily_cap_ml=24.0,  # four of the five times that the plan names: one too many always waits for its chance
    total_cap_ml=24.0,
    moisture=None,
    fallback=None,
    fixed=FixedTimes(times=[time(9), time(11), time(13), time(15), time(17)]),
)
FIRST_WETTING = replace(examples.PLAN.first_wetting, total_ml=12.0, aliquot_ml=6.0, pause_s=5.0, soak_s=5.0)
SETTINGS = examples.settings(
    steps=[], first_wetting=FIRST_WETTING, watering=WATERING, sample_every_s=600.0, length_days=1
)
PUMP = SETTINGS.chamber.pump


class Killed(Exception):
    """The host's process ends here; nothing of it is carried out any more."""


class Boundaries:
    """Counts the boundaries between actions and kills at one of them."""

    def __init__(self, kill_at: int | None) -> None:
        self.kill_at = kill_at
        self.crossed = 0
        self.names: list[str] = []

    def cross(self, name: str) -> None:
        self.crossed += 1
        self.names.append(name)
        if self.crossed == self.kill_at:
            raise Killed(name)


class GuardedJournal:
    """The journal, with a boundary on both sides of every record."""

    def __init__(self, journal: Journal, boundaries: Boundaries) -> None:
        self._journal = journal
        self._boundaries = boundaries

    def append(self, record):
        self._boundaries.cross(f"before {type(record).__name__}")
        self._journal.append(record)
        self._boundaries.cross(f"after {type(record).__name__}")


class GuardedDecider(Decider):
    """The shipped runner, with a boundary on both sides of every other action."""

    def __init__(self, chamber, journal, settings, state, boot_id, boundaries):
        super().__init__(chamber, GuardedJournal(journal, boundaries), settings, state, boot_id)
        self._boundaries = boundaries

    def _act(self, action):
        name = action.kind if isinstance(action, m.SendToBoard) else type(action).__name__
        self._boundaries.cross(f"before {name}")
        super()._act(action)
        self._boundaries.cross(f"after {name}")


class Attentive(Keeper):
    """A person who comes every minute: nothing stays safe only because nobody clears a trip."""

    def _visit(self, state):
        self._to_clear = list(dict.fromkeys(reason for reason, _ in state.trips))


class Day(Rehearsal):
    """One day of the plan, its host killed once at a boundary."""

    def __init__(self, folder: Path, kill_at: int | None, board: str = KEPT, away_ms: int = 1_000) -> None:
        super().__init__(SETTINGS, folder, 1, [], START_UTC)
        self.keeper = Attentive(self.chamber, SETTINGS, self._strike, self._ask)
        self.boundaries = Boundaries(kill_at)
        self.board = board
        self.away_ms = away_ms
        self.true_steps: Counter[int] = Counter()
        self._turn = self.chamber.box.physics.turn
        self.chamber.box.physics.turn = self._count  # the pump head has a counter of its own
        self._wake(m.State(now=self._first_moment()), 1)

    def _count(self, steps: int) -> None:
        if steps:
            self.true_steps[self.chamber._board.law.last_dose_id] += steps
        self._turn(steps)

    def _wake(self, state: m.State, boot_id: int) -> None:
        self.decider = GuardedDecider(self.chamber, self.journal, SETTINGS, state, boot_id, self.boundaries)

    def live(self) -> None:
        """To the end of the day, through the kill."""
        end_ms = MS_PER_DAY + 60_000
        started = False
        while self.chamber.monotonic_ms < end_ms and self.decider.state.phase != m.ENDED:
            try:
                if not started:
                    started = True
                    self._start()
                self._advance(end_ms)
            except Killed:
                self._crash()
                started = False
        self.journal.flush()

    def _start(self) -> None:
        decider = self.decider
        decider.handle(m.Started(decider.moment(), __version__))
        decider.hear()
        self._set_up_schedule()
        for request in self.journal.open_requests():
            decider.handle(m.RequestMade(decider.moment(), request))

    def _crash(self) -> None:
        self.journal.connection.close()  # readings that waited for their batch are gone with the process
        if self.board != KEPT:
            self.chamber.reset_board(lose_memory=self.board == LOST)
        self.chamber.unplug_line()
        self.chamber._happenings.clear()  # nobody was there to notice
        self.chamber.advance_to(self.chamber.monotonic_ms + self.away_ms)
        self.chamber._board.take_output()  # opening the port throws away what had come in
        self.journal = Journal.open(self.journal.path)
        self.journal.wait_for_disk(False)
        boot_id = self.journal.next_boot_id()
        at = self._first_moment()._replace(boot_id=boot_id)
        self._wake(resume(at, self.journal.history(), self.journal.last_reading(), SETTINGS), boot_id)

    def faults_found(self) -> list[str]:
        """What is wrong with this day; an empty list when nothing is."""
        intents = list(self.journal.records(m.DoseIntended))
        closed = list(self.journal.records(m.DoseClosed))
        found = []
        for what, ids in (("intended", [d.dose_id for d in intents]), ("closed", [c.dose_id for c in closed])):
            if len(ids) != len(set(ids)):
                found.append(f"a dose id {what} twice: {ids}")
        purposes = {d.dose_id: d.purpose for d in intents}
        if unclosed := set(purposes) - {c.dose_id for c in closed}:
            found.append(f"doses never closed: {sorted(unclosed)}")
        if unknown := set(self.true_steps) - set(purposes):
            found.append(f"water without an intent: {sorted(unknown)}")
        for each in closed:
            true_steps = self.true_steps[each.dose_id]
            if not each.steps_min <= true_steps <= each.steps_max:
                found.append(f"dose {each.dose_id} turned {true_steps}, not {each.steps_min}..{each.steps_max}")
        for first, cap_ml in ((True, FIRST_WETTING.total_ml), (False, WATERING.total_cap_ml)):
            given = sum(
                steps for number, steps in self.true_steps.items()
                if (purposes.get(number) == m.FIRST_WETTING) == first
            )  # fmt: skip
            if given * PUMP.ml_per_step > cap_ml + 1e-9:
                found.append(f"{given * PUMP.ml_per_step:g} ml turned where {cap_ml:g} ml are the cap")
        tolerance = 1 + 3 * PUMP.ml_per_step_standard_uncertainty / PUMP.ml_per_step
        if self.chamber.box.physics.pumped_ml > (FIRST_WETTING.total_ml + WATERING.total_cap_ml) * tolerance:
            found.append(f"{self.chamber.box.physics.pumped_ml:g} ml pumped, more than all caps together")
        return found

    def end(self) -> None:
        self.journal.close()
        self.chamber.close()


def play(kill_at: int | None, board: str = KEPT, away_ms: int = 1_000) -> tuple[list[str], Day]:
    """One day; (what went wrong, the day)."""
    with tempfile.TemporaryDirectory() as folder:
        day = Day(Path(folder), kill_at, board, away_ms)
        try:
            day.live()
            return day.faults_found(), day
        finally:
            day.end()


def boundaries_of_a_quiet_day() -> list[str]:
    """The names of all boundaries of a day without a kill; its own water is checked on the way."""
    found, day = play(None)
    assert found == [], found
    doses = sum(steps > 0 for steps in day.true_steps.values())
    assert doses >= 4, f"only {doses} doses"
    return day.boundaries.names


def chosen(names: list[str], scale: float) -> list[int]:
    """Boundary numbers to kill at: all, or evenly spread ones and always those round one dose's command."""
    if scale >= 1.0:
        return list(range(1, len(names) + 1))
    command = names.index("before dose") + 1
    round_a_dose = [command - 1, command, command + 1]
    wanted = max(1, round(scale * len(names)))
    return sorted({*round_a_dose, *range(1, len(names) + 1, max(1, len(names) // wanted))})


def campaign(scale: float = 1.0) -> list[Row]:
    names = boundaries_of_a_quiet_day()
    rows = []
    for board in BOARDS:
        numbers = chosen(names, scale)
        bad: list[str] = []
        widest = 0.0
        for number in numbers:
            found, day = play(number, board, AWAY_MS[number % len(AWAY_MS)])
            widest = max(widest, day.chamber.box.physics.pumped_ml)
            if found:
                bad.append(f"{names[number - 1]} (boundary {number}): {'; '.join(found)}")
        worst = bad[0] if bad else f"{widest:.2f} ml pumped of {FIRST_WETTING.total_ml + WATERING.total_cap_ml:g} ml"
        rows.append(Row(f"host killed between two actions, {board}", len(numbers), len(numbers) - len(bad), worst))
    return rows
