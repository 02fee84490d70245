"""A board with its flash and its motor: the shipped program, power that goes, a memory that may have lied."""

from collections.abc import Callable

from firmware_bridge import interlocks, limits, messages
from firmware_bridge.board import Board

DRY_COUNTS, WET_COUNTS, OPEN_COUNTS, WATER_COUNTS = 2000, 600, 4000, 1000


class Turn:
    """What one dose truly turned on one board."""

    def __init__(self, board_id: int, journal_id: int, dose_id: int, asked_steps: int, at_ms: int) -> None:
        self.board_id = board_id
        self.journal_id = journal_id
        self.dose_id = dose_id
        self.asked_steps = asked_steps
        self.steps = 0
        self.first_ms = at_ms
        self.last_ms = at_ms


class PumpBoard:
    """The board program with power, flash and motor. ``on_turn`` hears each step where the motor is."""

    def __init__(self, saved_line: bytes | None, identity: int, on_turn: Callable[[Turn, int], None]) -> None:
        self.flash: list[bytes] = [] if saved_line is None else [saved_line]  # newest last
        self._identity = identity
        self._on_turn = on_turn
        self.now_ms = 0
        self.is_on = False
        self.leak_counts, self.float_counts, self.reservoir_counts = DRY_COUNTS, DRY_COUNTS, WATER_COUNTS
        self.moisture_counts = 2000
        self.cut_after_saves = -1  # the power goes at the save after so many more; -1: it stays
        self.cut_save_is_kept = False
        self.lease_frame_ms = -1_000_000  # when the last frame came that may give a lease
        self.trip_raised_ms: dict[int, int] = {}  # trip number -> true moment
        self._asked: dict[int, tuple[int, int]] = {}  # dose id -> (journal, steps) of the last command heard
        self._greeted_by = 0
        self._turn: Turn | None = None
        self._rotor_steps = 0
        self._half = messages.LineReader()
        self._said: list[bytes] = []

    @property
    def board_id(self) -> int:
        return self.program.board_id

    def power_on(self, now_ms: int) -> None:
        self.now_ms = now_ms
        self.program = Board(self.flash[-1] if self.flash else None, self._identity)
        self.is_on = True
        self._rotor_steps = 0
        self._turn = None
        self._half = messages.LineReader()
        self._save()
        if self.is_on:
            self._tick(0)

    def power_off(self, *, saves_lost: int = 0) -> None:
        """The power goes; of the acknowledged saves the last ones were never on the flash."""
        self.is_on = False
        self._said.clear()
        if saves_lost and len(self.flash) > 1:
            del self.flash[-min(saves_lost, len(self.flash) - 1) :]

    @property
    def dose_in_hand(self) -> bool:
        return self.is_on and self.program.law.state in (interlocks.SAVING, interlocks.TURNING)

    @property
    def owes(self) -> bool:
        return self.is_on and not self.program._done_seen

    def pass_to(self, now_ms: int) -> None:
        """Let time pass up to a moment, in one tick unless a dose is in hand."""
        while self.is_on and self.dose_in_hand and now_ms - self.now_ms > limits.TICK_MS:
            self._tick(limits.TICK_MS)
        if self.is_on and now_ms > self.now_ms:
            self._tick(now_ms - self.now_ms)
        self.now_ms = now_ms

    def receive(self, data: bytes) -> None:
        if not self.is_on:
            return
        for piece in data.splitlines(keepends=True):
            session, greeted_by = self.program.session, self._greeted_by
            for message in self._half.feed(piece):
                if message[0] == "hello":
                    greeted_by = int(message[3] or 0)
                elif message[0] == "dose" and message[1] == self.program.session:
                    self._asked[int(message[3] or 0)] = (self._greeted_by, int(message[4] or 0))
                if message[0] in ("dose", "renew"):
                    self.lease_frame_ms = self.now_ms
            self.program.receive(piece)
            if self.program.session != session:  # a late greeting begins none
                self._greeted_by = greeted_by
            self._after()
            if not self.is_on:
                return

    def take(self) -> bytes:
        said = b"".join(self._said)
        self._said.clear()
        return said

    def _tick(self, elapsed_ms: int) -> None:
        self.now_ms += elapsed_ms
        steps = self.program.tick(
            elapsed_ms, self.leak_counts, self.float_counts, self.reservoir_counts, self.moisture_counts,
            self._rotor_steps,
        )  # fmt: skip
        self._rotor_steps = steps
        if steps:
            self._count(steps)
        law = self.program.law
        if law.trip_reason is not None and law.trip_number not in self.trip_raised_ms:
            self.trip_raised_ms[law.trip_number] = self.now_ms
        self._after()

    def _count(self, steps: int) -> None:
        dose_id = self.program.law.last_dose_id
        if self._turn is None or self._turn.dose_id != dose_id:
            journal_id, asked_steps = self._asked.get(dose_id, (0, 0))
            self._turn = Turn(self.board_id, journal_id, dose_id, asked_steps, self.now_ms)
        self._turn.steps += steps
        self._turn.last_ms = self.now_ms
        self._on_turn(self._turn, steps)

    def _after(self) -> None:
        """Save first, then speak: what is said holds only once it is saved."""
        self._save()
        if self.is_on:
            output = self.program.take_output()
            if output:
                self._said.append(output)

    def _save(self) -> None:
        line = self.program.take_to_save()
        if line is None:
            return
        if self.cut_after_saves == 0:
            self.cut_after_saves = -1
            if self.cut_save_is_kept:
                self.flash.append(line)
            self.power_off()
            return
        if self.cut_after_saves > 0:
            self.cut_after_saves -= 1
        self.flash.append(line)
        del self.flash[:-8]
        self.program.intent_saved()
