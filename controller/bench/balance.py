"""A balance on a serial line. It is only listened to, or asked with the bytes that the user names."""

import re
import time
from collections.abc import Callable
from typing import Any

import serial

from controller.bench.masses import balance_pattern, mass_in_line_g
from controller.errors import ChamberError
from controller.plan import BalanceLine

READ_WITHIN_S = 10.0
LINE_BYTES_MAX = 256


class Balance:
    """One serial line; ``read_g`` answers the first mass that the expression finds in a fresh line."""

    def __init__(
        self, port: str, baud: int, pattern: re.Pattern[str], ask: bytes = b"",
        *, clock: Callable[[], float] = time.monotonic,
    ) -> None:  # fmt: skip
        self._pattern = pattern
        self._ask = ask
        self._clock = clock
        try:
            self._line: Any = serial.Serial(port, baud, timeout=0.2, exclusive=True)
        except (serial.SerialException, ValueError) as error:
            raise ChamberError(f"The balance at {port} cannot be opened: {error}") from error

    def read_g(self) -> float:
        """A mass; ChamberError when no line with one came in ten seconds."""
        until_s = self._clock() + READ_WITHIN_S
        try:
            self._line.reset_input_buffer()
            if self._ask:
                self._line.write(self._ask)
            last = ""
            while self._clock() < until_s:
                line = self._line.read_until(b"\n", LINE_BYTES_MAX).decode("ascii", "replace").strip()
                if line:
                    last = line
                    found_g = mass_in_line_g(line, self._pattern)
                    if found_g is not None:
                        return found_g
        except serial.SerialException as error:
            raise ChamberError(f"The balance fell silent: {error}") from error
        heard = f"its last line was {last!r}" if last else "it sent nothing"
        raise ChamberError(f"The balance gave no mass in {READ_WITHIN_S:g} s; {heard}.")

    def close(self) -> None:
        self._line.close()


def balance_on(line: BalanceLine) -> Balance:
    """The balance of a chamber file, opened; ChamberError when its port cannot be."""
    ask = line.ask.encode("ascii") + b"\r\n" if line.ask else b""
    return Balance(line.port, line.baud, balance_pattern(line.pattern, "balance.pattern"), ask)
