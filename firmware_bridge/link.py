"""The serial line between host and board: whole messages in and out, found again by itself when it was lost.

It decides nothing and never waits: one ``poll`` reads what has arrived, one ``send`` writes one line. The port may
be a serial device, the slave of a pseudo-terminal, or a symbolic link to either that changes while the line is up.
"""

import os
import termios
from typing import NamedTuple, Protocol

import serial

from firmware_bridge import messages

Message = tuple[str | int | None, ...]

RETRY_S_MIN = 0.5  # pause before the port is opened again; it doubles until a message comes in, up to
RETRY_S_MAX = 5.0
WRITE_S_MAX = 0.05  # a line that takes a command no faster than this is lost
READ_BYTES_MAX = 4096  # in one poll, so that a flood of rubbish cannot hold the caller

_LINE_ERRORS = (OSError, termios.error)  # serial.SerialException is an OSError


class Found(NamedTuple):
    """The port is open; nothing is known of who is at its other end."""


class Lost(NamedTuple):
    """The port cannot be opened, read or written; said once until the port is found again."""

    detail: str


class Received(NamedTuple):
    """One message of the board."""

    message: Message


LinkEvent = Found | Lost | Received


class _Port(Protocol):
    """What is used of ``serial.Serial``."""

    def read(self, size: int) -> bytes: ...
    def write(self, data: bytes) -> int | None: ...
    def fileno(self) -> int: ...
    def reset_output_buffer(self) -> None: ...
    def close(self) -> None: ...


class Link:
    """The line on ``port`` at ``baud``. Opens nothing before the first ``poll``."""

    def __init__(self, port: str, baud: int) -> None:
        self.port = port
        self.baud = baud
        self._open_port: _Port | None = None
        self._device_number = 0
        self._reader = messages.LineReader()
        self._refused_before = 0  # lines refused on earlier openings of the port
        self._foreign_messages = 0
        self._lost_detail: str | None = None  # why the line went down, until a poll has told it
        self._down_told = False
        self._retry_s = RETRY_S_MIN
        self._next_try_monotonic_s: float | None = None

    @property
    def is_up(self) -> bool:
        """Whether the port is open."""
        return self._open_port is not None

    @property
    def refused_lines(self) -> int:
        """Lines that were no message, or none that a board sends, since this object was made."""
        return self._refused_before + self._reader.refused_lines + self._foreign_messages

    def poll(self, monotonic_s: float) -> list[LinkEvent]:
        """Everything that happened on the line since the last call, oldest first. Never waits, never raises."""
        events: list[LinkEvent] = []
        if self._open_port is not None:
            events += self._read(self._open_port)
        if self._lost_detail is not None:
            events += self._tell_lost(self._lost_detail)
            self._pause(monotonic_s)
        if self._open_port is None and (
            self._next_try_monotonic_s is None or monotonic_s >= self._next_try_monotonic_s
        ):
            events += self._try_to_open(monotonic_s)
        return events

    def send(self, kind: str, *values: str | int | None) -> bool:
        """Write one message; False when the line is down or goes down over it.

        ValueError as ``messages.encode``.
        """
        line = messages.encode(kind, *values)
        if self._open_port is None:
            return False
        try:
            self._open_port.write(line)
        except _LINE_ERRORS as error:
            self._drop(_words(error))
            return False
        return True

    def close(self) -> None:
        """Give the port back. Later polls open it anew."""
        if self._open_port is not None:
            self._drop("closed by this program")

    def _read(self, port: _Port) -> list[LinkEvent]:
        try:
            data = port.read(READ_BYTES_MAX)
            leads_elsewhere = os.stat(self.port).st_rdev != self._device_number
        except _LINE_ERRORS as error:
            self._drop(_words(error))
            return []
        if leads_elsewhere:
            self._drop(f"{self.port} leads to another device now")
        received: list[LinkEvent] = []
        for message in self._reader.feed(data):
            if message[0] in messages.TO_HOST:
                received.append(Received(message))
                self._retry_s = RETRY_S_MIN
            else:
                self._foreign_messages += 1
        return received

    def _try_to_open(self, monotonic_s: float) -> list[LinkEvent]:
        try:
            port = _open(self.port, self.baud)
        except _LINE_ERRORS as error:
            self._pause(monotonic_s)
            return self._tell_lost(_words(error))
        self._open_port = port
        self._device_number = os.fstat(port.fileno()).st_rdev
        self._refused_before += self._reader.refused_lines
        self._reader = messages.LineReader()
        self._down_told = False
        return [Found()]

    def _pause(self, monotonic_s: float) -> None:
        self._next_try_monotonic_s = monotonic_s + self._retry_s
        self._retry_s = min(2 * self._retry_s, RETRY_S_MAX)

    def _tell_lost(self, detail: str) -> list[LinkEvent]:
        self._lost_detail = None
        if self._down_told:
            return []
        self._down_told = True
        return [Lost(detail)]

    def _drop(self, detail: str) -> None:
        if self._open_port is not None:
            self._open_port.close()
        self._open_port = None
        self._lost_detail = detail


def _open(path: str, baud: int) -> _Port:
    """The port, for this program alone, with nothing of an earlier conversation left in it."""
    port: _Port = serial.Serial(
        path, baud, timeout=0, write_timeout=WRITE_S_MAX, exclusive=True
    )  # opening throws away what had come in
    try:
        port.reset_output_buffer()
        port.write(b"\n")  # ends whatever half a line an earlier host left with the board
    except _LINE_ERRORS:
        port.close()
        raise
    return port


def _words(error: Exception) -> str:
    return str(error) or type(error).__name__
