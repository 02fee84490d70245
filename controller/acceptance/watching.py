"""Watches the board's reports and the computer's own pins while a technician does something to a probe."""

import time
from collections.abc import Callable
from typing import Any

from controller.acceptance.definition import AcceptanceTest
from controller.acceptance.judging import Outcome
from controller.chamber.board_line import BoardLineReader
from controller.chamber.pins import LocalPins
from controller.chamber.real import open_factory
from controller.chamber.seam import MessageReceived
from controller.check import NO_JOURNAL
from controller.control.words import trip_words
from controller.errors import ChamberError
from controller.plan import Chamber
from firmware_bridge import interlocks, limits, messages

HELLO_EVERY_S = 1.0
LOOK_S = 0.02
ANSWER_WITHIN_S = 3.0
CLEAR_WITHIN_S = 30.0  # five dry seconds, and time to let go of the probe

_Message = tuple[str | int | None, ...]


class Watch:
    """The board's line and the pins, opened for the bench. It says hello, asks, and clears for a person; never more."""

    def __init__(
        self,
        chamber: Chamber,
        *,
        factory: Any = None,
        port: str | None = None,
        clock: Callable[[], float] = time.monotonic,
        pause: Callable[[float], None] = time.sleep,
    ) -> None:
        self.pins = LocalPins(chamber.pins, open_factory() if factory is None else factory, lambda: None)
        self._line = BoardLineReader(port or chamber.board.serial_port, chamber.board.baud)
        self._clock = clock
        self._pause = pause
        self._hello_number = 1 + int(clock() * 1000)  # the same all the while, so it stays one conversation
        self._said = 0
        self._said_s: float | None = None
        self.report: _Message | None = None
        self._cleared: str | None = None

    def close(self) -> None:
        self._line.close()
        self.pins.close()

    def look(self) -> None:
        """Say that a host is there, take what has come."""
        now_s = self._clock()
        for happening in self._line.received(int(now_s * 1000)):
            if isinstance(happening, MessageReceived):
                if happening.message[0] == "report":
                    self.report = happening.message
                elif happening.message[0] == "cleared":
                    self._cleared = messages.word(happening.message, "answer")
        if self._said_s is None or now_s - self._said_s >= HELLO_EVERY_S:
            self._said_s = now_s
            self._line.send("hello", (limits.PROTOCOL, messages.LIMITS_CHECKSUM, NO_JOURNAL, self._hello_number))
        self._pause(LOOK_S)

    def _wait(self, condition: Callable[[], bool], within_s: float) -> bool:
        until_s = self._clock() + within_s
        while not condition():
            if self._clock() >= until_s:
                return False
            self.look()
        return True

    def board_answers(self) -> None:
        """ChamberError when no report comes."""
        self.report = None
        if not self._wait(lambda: self.report is not None, ANSWER_WITHIN_S):
            raise ChamberError("The board does not answer: look at its plug and power, and run wardian check first.")

    @property
    def trip_reason(self) -> str | None:
        """The trip in the last report."""
        return None if self.report is None else messages.word(self.report, "trip_reason")

    def _ask_to_clear(self) -> None:
        """Ask for the very trip of the last report."""
        assert self.report is not None
        self._said += 1
        session, trip_number = (messages.number(self.report, name) for name in ("session", "trip_number"))
        self._line.send("clear", (session, self._said, trip_number, str(self.trip_reason)))

    def _local_wet(self, local: str) -> bool:
        return self.pins.leak_wet if local == "leak" else self.pins.float_up

    def is_ready(self, test: AcceptanceTest) -> Outcome:
        """Whether the chamber is at rest, so that what comes next is the technician's doing."""
        self.board_answers()
        if self.trip_reason is not None:
            return Outcome(False, f"the board is tripped already: {trip_words(self.trip_reason)}")
        if test.local and self._local_wet(test.local):
            return Outcome(False, f"the computer's own pin {test.local} reads wet already")
        return Outcome(True, "at rest")

    def see(self, test: AcceptanceTest, within_s: float) -> Outcome:
        """Wait until the board or the pin shows what the test asks for; any other trip fails it."""
        if test.local:
            seen = self._wait(lambda: self._local_wet(test.local), within_s)
            return Outcome(seen, f"the computer's own pin {test.local} {'read wet' if seen else 'never read wet'}")
        seen = self._wait(lambda: self.trip_reason is not None, within_s)
        if not seen:
            return Outcome(False, f"no trip within {within_s:g} s")
        assert self.report is not None
        counts = dict(zip(("leak", "float", "reservoir", "moisture"), self.report[11:15], strict=True))
        return Outcome(
            self.trip_reason == test.trip_reason,
            f"the board reported {self.trip_reason}; counts {', '.join(f'{k} {v}' for k, v in counts.items())}",
        )

    def back_to_rest(self, test: AcceptanceTest) -> Outcome:
        """After the technician let go: clear the trip (the board wants five dry seconds), or see the pin dry again."""
        if test.local:
            dry = self._wait(lambda: not self._local_wet(test.local), CLEAR_WITHIN_S)
            return Outcome(dry, "dry again" if dry else f"the computer's own pin {test.local} stays wet")
        until_s = self._clock() + CLEAR_WITHIN_S
        while self._clock() < until_s:
            self.board_answers()
            if self.trip_reason is None:
                return Outcome(True, "cleared")
            self._cleared = None
            self._ask_to_clear()
            self._wait(lambda: self._cleared is not None, HELLO_EVERY_S)
            if self._cleared == interlocks.ACCEPTED:
                return Outcome(True, "cleared")
        return Outcome(False, f"the board would not clear it ({self._cleared or 'no answer'})")
