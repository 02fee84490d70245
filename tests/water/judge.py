"""The judge of the water law: it counts the motor's steps itself and knows the true time.

What it holds, in words, stands at the top of ``tests/campaigns/water_life.py``. It reads rows, frames and the motor;
of the law's own memory it reads only what it compares with the rows (``durable``).
"""

from typing import TYPE_CHECKING

from controller.control import model as m
from controller.control import recovery
from firmware_bridge import limits
from tests.water import plans
from tests.water.board_side import Turn
from tests.water.durable import differences
from tests.water.ledger import Ledger
from tests.water.rows_judge import DAY_MS, BrokenError, RowsJudge

if TYPE_CHECKING:
    from tests.water.host_side import Host
    from tests.water.world import World


QUIET_MS = 30_000
LEASE_BOUND_MS = limits.LEASE_MS_MAX + 2 * limits.TICK_MS
STOP_BOUND_MS = 200  # on a sound line: the latency of one frame and the stride of this world

CLOSED_WITHIN_MS = 16 * 60_000  # ten minutes for the account, once more the longest dose, and the seconds before
ANSWERED_WITHIN_MS = 20_000  # fifteen seconds for the board, and this loop's seconds around them
STRANGE = (m.JOURNAL_STRANGE, m.SECOND_CONTROLLER, m.BOARD_EXCHANGED, m.JOURNAL_BEHIND)


class Judge(RowsJudge):
    def __init__(self, world: "World") -> None:
        self.world = world
        self.is_broken = False
        self.ledger = Ledger()
        self.turns: list[Turn] = []
        self.seconds: dict[tuple[int, int, int], int] = {}  # (second, journal, dose) -> steps
        self.all_intents: dict[tuple[int, int], m.DoseIntended] = {}
        self.asked_ms: dict[int, int] = {}
        self.clock_was_wrong = False
        self.records_were_lost = False  # and the board has not been asked since
        self.excused_steps = 0  # turned for this journal, and nobody can know it any more
        self.counts_since_ms = -1  # the caps count what was turned since then: before it somebody had to look
        self.flash_has_lied = False
        self.no_since_ms: int | None = None
        self.records_ok_since_ms = 0
        self.is_refused = False
        self._alive_since_ms = 0
        self._host: Host | None = None
        self._folded: m.State | None = None
        self._unfolded: list[m.Record] = []
        self._unfolded_run_ms = 0
        self._cleared_number: int | None = None

    def _hold(self, holds: bool, words: str) -> None:
        if not holds:
            self.is_broken = True
            raise BrokenError(f"at {self.world.now_ms / 1000:.2f} s: {words}")

    def take_over(self, other: "Judge", journal_id: int) -> None:
        """Go on with what another judge has counted, for a journal of this number."""
        for each in other.turns:
            turn = Turn(each.board_id, journal_id, each.dose_id, each.asked_steps, each.first_ms)
            turn.steps, turn.last_ms = each.steps, each.last_ms
            self.turns.append(turn)
        self.seconds = {(second, journal_id, dose): steps for (second, _, dose), steps in other.seconds.items()}

    # -- the life of a controller ----

    def host_begins(self, host: "Host") -> None:
        world = self.world
        self._host = host
        self.ledger = Ledger()
        for true_ms, record in world.disk.written:
            self.ledger.add(true_ms, record)
        for dose_id, (_, intent) in self.ledger.intents.items():
            self.all_intents[world.disk.number, dose_id] = intent
        state = host.decider.state
        blank = m.State(now=state.now, journal_id=world.disk.number)
        self._folded = recovery.fold(blank, world.disk.history(), host.settings)
        self._unfolded = []
        self._unfolded_run_ms += max(0, state.run_ms - self._folded.run_ms)
        self._alive_since_ms = self.records_ok_since_ms = world.now_ms
        self.is_refused = False
        self.no_since_ms = None
        self._look_at_no(state)

    def host_is_gone(self) -> None:
        self._host = None
        self.no_since_ms = None

    def journal_is_replaced(self) -> None:
        self.records_were_lost = False
        self.excused_steps, self.counts_since_ms = 0, -1
        self.asked_ms.clear()
        self._unfolded_run_ms = 0

    def records_are_lost(self) -> None:
        """What another board turned can be asked of nobody, nor what this one turned before it served other records."""
        self.records_were_lost = True
        number, board_id = self.world.disk.number, self.world.board.board_id
        of_board = [each for each in self.turns if each.board_id == board_id]
        if of_board and of_board[-1].journal_id != number:
            self._excuse_what_is_lost()
        ours = [each for each in self.turns if each.journal_id == number]
        self._excuse_what_is_lost(sum(each.steps for each in ours if each.board_id != board_id))

    def board_is_exchanged(self, how: str) -> None:
        """Whoever lost records before, and never asked this board, cannot learn from it any more."""
        self._excuse_what_is_lost()

    def flash_lied(self) -> None:
        self.flash_has_lied = True
        self.counts_since_ms = self.world.now_ms  # what it forgot nobody can count, and no cap can hold for it
        self._excuse_what_is_lost()

    def _excuse_what_is_lost(self, most_steps: int = 10**9) -> None:
        if self.records_were_lost:
            ledger = Ledger()
            for true_ms, record in self.world.disk.written:
                ledger.add(true_ms, record)
            lacking_steps = self.true_steps(self.world.disk.number) - ledger.account_steps()
            if min(lacking_steps, most_steps) > self.excused_steps:
                self.excused_steps = min(lacking_steps, most_steps)
                self.counts_since_ms = self.world.now_ms

    # -- what the world tells ----

    def was_asked(self, request_id: int) -> None:
        self.asked_ms[request_id] = self.world.now_ms

    def true_steps(self, journal_id: int, since_ms: int = -1, purposes: tuple[str, ...] = ()) -> int:
        """What the motor turned for a journal since a moment, counted at the motor."""
        return sum(
            steps
            for (second, journal, dose_id), steps in self.seconds.items()
            if journal == journal_id
            and second * 1000 >= since_ms
            and (not purposes or self._purpose(journal, dose_id) in purposes)
        )

    def _purpose(self, journal_id: int, dose_id: int) -> str:
        intent = self.all_intents.get((journal_id, dose_id))
        return "" if intent is None else intent.purpose

    def turned(self, turn: Turn, steps: int) -> None:
        """Steps at the motor: the board's own bounds, the lease, and whose water it is."""
        now_ms, board = self.world.board.now_ms, self.world.board
        if turn not in self.turns[-3:]:
            self.turns.append(turn)
            self._dose_begins(turn)
        key = now_ms // 1000, turn.journal_id, turn.dose_id
        self.seconds[key] = self.seconds.get(key, 0) + steps
        self._hold(board.program.law.trip_reason is None, "the motor turned while the board was tripped")
        self._hold(turn.steps <= min(turn.asked_steps, limits.DOSE_STEPS_MAX), f"dose {turn.dose_id} turned too far")
        self._hold(now_ms - turn.first_ms <= limits.RUN_MS_MAX, f"dose {turn.dose_id} ran too long")
        since_frame_ms = now_ms - board.lease_frame_ms
        self._hold(since_frame_ms <= LEASE_BOUND_MS, f"the motor turned {since_frame_ms} ms after its last lease")
        if turn.journal_id == self.world.disk.number and self.no_since_ms is not None:
            late_ms = now_ms - self.no_since_ms
            sound = self.world.to_board.is_sound(self.no_since_ms) and self.world.port_is_there
            self._hold(not sound or late_ms <= STOP_BOUND_MS, f"the motor turned {late_ms} ms after the host said no")

    def day_is_within_bounds(self) -> None:
        since = (self.world.now_ms - DAY_MS) // 1000 + 1
        by_board: dict[int, int] = {}
        for turn in self.turns:
            if turn.first_ms // 1000 >= since:
                by_board[turn.board_id] = by_board.get(turn.board_id, 0) + turn.steps
        for board_id, steps in by_board.items():
            lied = self.flash_has_lied  # what a lying flash forgot the board cannot count
            self._hold(lied or steps <= limits.WINDOW_STEPS_MAX, f"board {board_id} turned {steps} steps in a day")

    def _dose_begins(self, turn: Turn) -> None:
        """A dose's first step: whose journal, which board, and whether somebody had to look first."""
        if turn.journal_id != self.world.disk.number:
            self._excuse_what_is_lost()
        if turn.journal_id != self.world.disk.number:
            return
        ledger, board = self.ledger, self.world.board
        if self.records_were_lost:
            return  # a command that left before the loss; what it turned is asked for at the next greeting
        self._hold(turn.dose_id in ledger.intents, f"dose {turn.dose_id} turned without a row")
        known_id = ledger.boards[-1].board_id if ledger.boards else None
        self._hold(known_id == board.board_id, f"dose {turn.dose_id} turned on a strange board ({board.board_id})")
        if self.world.kind == plans.PORTIONS:
            return  # a technician's portion goes into a vessel: whatever bed was watered before
        beside = {disk.number for disk in self.world.beside}
        foreign = [
            each
            for each in self.turns[:-1]
            if each.board_id == board.board_id and each.journal_id != turn.journal_id and each.journal_id not in beside
        ]
        if foreign:
            last_ms = foreign[-1].last_ms
            looked = any(at_ms >= last_ms and reason in STRANGE for at_ms, reason in ledger.cleared)
            words = f"dose {turn.dose_id} turned after water for another journal, and nobody had looked"
            self._hold(looked or turn.first_ms < last_ms, words)

    # -- frames ----

    def frame_leaves(self, kind: str, values: tuple[int | str, ...]) -> None:
        if kind == "dose":
            _, _, dose_id, steps, _ = values
            intent = self.ledger.intents.get(int(dose_id))
            self._hold(intent is not None and intent[1].dose_steps == steps, f"dose {dose_id} was sent without a row")
            self._hold(dose_id not in self.ledger.closed, f"dose {dose_id} was sent and is closed")
            self._hold(self.no_since_ms is None, f"dose {dose_id} was sent while the host says no")
        elif kind == "renew":
            dose_id = values[2]
            self._hold(dose_id in self.ledger.open_ids, f"the lease of dose {dose_id} was renewed, which is not open")
            self._hold(self.no_since_ms is None, f"the lease of dose {dose_id} was renewed while the host says no")
        elif kind == "clear":
            self._cleared_number = int(values[2])

    # -- after each event ----

    def event_was_decided(self, event: m.Event, state: m.State) -> None:
        self._fold(state)
        if self.is_refused and not state.records_failed:
            self.is_refused = False
            self.records_ok_since_ms = self.world.now_ms
        self._look_at_no(state)
        if isinstance(event, m.Ticked) and not self.is_refused:
            self._nothing_waits_too_long()
            self.day_is_within_bounds()
        if state.line.state == "settled":
            self.records_were_lost = False

    def _fold(self, state: m.State) -> None:
        host = self._host
        if host is None or self._folded is None:
            return
        self._folded = recovery.fold(self._folded, self._unfolded, host.settings)
        self._unfolded = []
        if state.records_failed or state.unwritten:
            return
        found = differences(state, self._folded, self._unfolded_run_ms)
        self._hold(not found, f"what lives and what would be rebuilt differ: {found}")

    def _look_at_no(self, state: m.State) -> None:
        host = self._host
        leaving = host is not None and host.is_leaving
        says_no = bool(self.ledger.trips) or self.is_refused or self.ledger.phase == m.ENDED or leaving
        if not says_no:
            self.no_since_ms = None
        elif self.no_since_ms is None:
            self.no_since_ms = self.world.now_ms

    def _nothing_waits_too_long(self) -> None:
        now_ms, since_ms = self.world.now_ms, max(self._alive_since_ms, self.records_ok_since_ms)
        for dose_id in self.ledger.open_ids:
            open_ms = now_ms - max(since_ms, self.ledger.intents[dose_id][0])
            self._hold(open_ms <= CLOSED_WITHIN_MS, f"dose {dose_id} has been open for {open_ms / 1000:.0f} s")
        for request in self.world.disk.requests:
            number = request.request_id
            if number in self.asked_ms and not self.ledger.answers[number]:
                waits_ms = now_ms - max(since_ms, self.asked_ms[number])
                self._hold(waits_ms <= ANSWERED_WITHIN_MS, f"request {number} has waited for {waits_ms / 1000:.0f} s")

    # -- when it is quiet ----

    def _nothing_is_lacking(self, when: str) -> None:
        lacking_steps = self.true_steps(self.world.disk.number) - self.ledger.account_steps() - self.excused_steps
        if self.flash_has_lied:
            return  # a board whose flash lied tells less than it turned, and nobody else has counted
        self._hold(lacking_steps <= 0, f"{lacking_steps} steps that were turned stand in no row {when}")

    def is_quiet(self) -> None:
        """The line has been whole for half a minute: nothing is lacking, or a trip stands; and it is told."""
        host = self._host
        if host is None or self.is_refused or host.is_leaving:
            return
        if self.world.now_ms - max(self._alive_since_ms, self.records_ok_since_ms) < QUIET_MS:
            return  # it has just begun, or just begun to write again
        if not self.ledger.trips:
            self._nothing_is_lacking("when it was quiet")
        line = host.decider.state.line.state
        self._hold(line == "settled", f"on a whole line the conversation stayed {line}")
        for trip in self.ledger.trips:
            self._hold(f"trip_{trip.reason}" in self.ledger.alarms, f"the trip {trip.reason} was not told")

    def standing_reasons(self) -> list[str]:
        return list(dict.fromkeys(trip.reason for trip in self.ledger.trips))
