"""A chamber that exists only here, in time that somebody moves: the real board program over a simulated box."""

import itertools
from collections.abc import Callable

from controller.chamber.box import SimulatedBox
from controller.chamber.seam import (
    BoardCounts,
    ButtonWasPressed,
    ClockReading,
    Happening,
    LineFound,
    LineLost,
    MessageReceived,
)
from controller.control.model import Reading
from controller.plan import Settings
from firmware_bridge import interlocks, limits, messages
from firmware_bridge.board import Board, fresh_saved_line

IDLE_STRIDE_MS = 10_000
TURNING_STRIDE_MS = 1_000
BOARDS_MADE_ANEW = 500_000_000  # identities of boards that have lost theirs begin here


class SimulatedChamber:
    """The seam over a box and a board in this process. ``advance_to`` moves its time."""

    def __init__(
        self,
        settings: Settings,
        seed: int,
        start_utc_ms: int,
        saved_line: bytes | None = None,
        on_save: Callable[[bytes], None] | None = None,
    ) -> None:
        self.box = SimulatedBox(settings, seed, self._button_pressed)
        self.monotonic_ms = 0
        self._start_utc_ms = start_utc_ms
        self._utc_offset_ms = start_utc_ms
        self.utc_trusted = True
        self._now = ClockReading(start_utc_ms, 0, True)
        self._happenings: list[Happening] = []
        self._counts = BoardCounts()
        self._on_save = on_save
        self._identities = itertools.count(1 + seed)
        self.saved_line: bytes | None = saved_line or fresh_saved_line(next(self._identities))
        self._line_open = False
        self._rotor_steps = 0
        self._to_board: list[bytes] = []
        self._board = self._boot_board()

    # -- time ----

    def now(self) -> ClockReading:
        if self._now.monotonic_ms != self.monotonic_ms:  # asked several times a moment: one answer serves
            self._now = ClockReading(self.monotonic_ms + self._utc_offset_ms, self.monotonic_ms, self.utc_trusted)
        return self._now

    @property
    def true_utc_ms(self) -> int:
        """UTC as it is outside, whatever the wall clock shows."""
        return self.monotonic_ms + self._start_utc_ms

    def step_wall_clock(self, difference_ms: int, utc_trusted: bool) -> None:
        """The wall clock jumps; the monotonic one does not."""
        self._utc_offset_ms += difference_ms
        self.utc_trusted = utc_trusted
        self._now = ClockReading(self.monotonic_ms + self._utc_offset_ms, self.monotonic_ms, utc_trusted)

    def advance_to(self, monotonic_ms: int) -> None:
        """Let time pass: in board ticks while the pump turns, in longer strides while it rests."""
        while self.monotonic_ms < monotonic_ms:
            left_ms = monotonic_ms - self.monotonic_ms
            self._deliver_to_board()
            if self._dose_in_hand:
                self._advance_turning(min(left_ms, TURNING_STRIDE_MS))
            else:
                stride_ms = min(left_ms, IDLE_STRIDE_MS)
                self.monotonic_ms += stride_ms
                self.box.physics.advance(stride_ms / 1000.0)
                self._tick_board(stride_ms, self.box.probe_counts())
        self._deliver_to_board()

    def _advance_turning(self, span_ms: int) -> None:
        done_ms = 0
        counts = self.box.probe_counts()  # the physics moves after this span, so the probes see the same in it
        while done_ms < span_ms:
            tick_ms = min(limits.TICK_MS, span_ms - done_ms)
            self.monotonic_ms += tick_ms
            done_ms += tick_ms
            self._tick_board(tick_ms, counts)
            if not self._dose_in_hand:
                break
        self.box.physics.advance(done_ms / 1000.0)

    # -- the board ----

    @property
    def _dose_in_hand(self) -> bool:
        return self._board.law.state in (interlocks.SAVING, interlocks.TURNING)

    @property
    def pump_is_turning(self) -> bool:
        return self._board.law.state == interlocks.TURNING

    def _boot_board(self) -> Board:
        board = Board(self.saved_line, BOARDS_MADE_ANEW + next(self._identities))
        self._store(board.take_to_save())
        board.tick(0, *self.box.probe_counts(), 0)  # like the real one, it looks before it speaks
        return board

    def reset_board(self, *, lose_memory: bool = False) -> None:
        """Power the board off and on; bytes under way are lost."""
        if lose_memory:
            self.saved_line = None
        self._to_board.clear()
        self._rotor_steps = 0
        self._board = self._boot_board()

    def _deliver_to_board(self) -> None:
        if self._to_board:
            for data in self._to_board:
                self._board.receive(data)
            self._to_board.clear()
            self._save()

    def _tick_board(self, elapsed_ms: int, counts: tuple[int, int, int, int]) -> None:
        steps = self._board.tick(elapsed_ms, *counts, self._rotor_steps)
        self.box.physics.turn(steps)
        self._rotor_steps = steps
        self._save()

    def _save(self) -> None:
        line = self._board.take_to_save()
        if line is not None:
            self._store(line)
            self._board.intent_saved()

    def _store(self, line: bytes | None) -> None:
        if line is not None:
            self.saved_line = line
            if self._on_save is not None:
                self._on_save(line)

    # -- the seam ----

    def sample(self) -> Reading:
        if self._line_open:
            self._take_from_board()
        pins = self.box.pins
        return self._counts.reading(self.box.air_sensor.read(), self.monotonic_ms, pins.leak_wet, pins.float_up)

    def set_lamp(self, duty_fraction: float) -> None:
        self.box.set_lamp(duty_fraction)

    def set_status_lamp(self, pattern: str) -> None:
        self.box.pins.set_status_lamp(pattern)

    def send(self, kind: str, values: tuple[int | str, ...]) -> None:
        if self._line_open:
            self._to_board.append(messages.encode(kind, *values))

    def received(self) -> list[Happening]:
        if not self._line_open:
            self._line_open = True
            self._happenings.append(LineFound())
        self._deliver_to_board()
        self._take_from_board()
        found, self._happenings = self._happenings, []
        return found

    def _take_from_board(self) -> None:
        output = self._board.take_output()
        if not output:
            return
        for line in output.splitlines():
            message = messages.decode(line)
            if message is not None and self._counts.note(message, self.monotonic_ms):
                self._happenings.append(MessageReceived(message))

    def open_line_anew(self) -> None:
        """Another life of the controller opens the port: what was said to the last one is gone."""
        self._line_open = False
        self._counts.forget()
        self._happenings.clear()
        self._board.take_output()

    def unplug_line(self) -> None:
        """The serial line goes; it is found again when next asked for."""
        self._line_open = False
        self._counts.forget()
        self._happenings.append(LineLost("unplugged"))

    def _button_pressed(self) -> None:
        self._happenings.append(ButtonWasPressed())

    def close(self) -> None:
        self.box.close()
