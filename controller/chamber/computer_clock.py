"""The single-board computer's own two clocks, and whether network time stands behind the wall clock."""

import ctypes
import time

from controller.chamber.seam import ClockReading

LOOK_EVERY_S = 10.0
STEP_MS = 250  # the wall clock moved by this much against the monotonic one: its trust is asked for anew at once
STA_UNSYNC = 0x0040  # linux/timex.h: the kernel's clock is not disciplined


class _Timex(ctypes.Structure):
    """``struct timex`` as far as ``status``, and room for the rest (linux/timex.h)."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_byte * 256),
    )


def is_disciplined() -> bool:
    """Whether the kernel says that its clock is steered by a time source; False where it cannot be asked."""
    adjtimex = getattr(ctypes.CDLL(None, use_errno=True), "adjtimex", None)
    if adjtimex is None:
        return False
    timex = _Timex()
    answer = adjtimex(ctypes.byref(timex))
    return answer >= 0 and not timex.status & STA_UNSYNC


class ComputerClock:
    """Reads both clocks; asks the kernel about trust only now and then."""

    def __init__(self) -> None:
        self._trusted = is_disciplined()
        self._looked_s = time.monotonic()
        self._offset_ms = time.time_ns() // 1_000_000 - int(self._looked_s * 1000)

    def now(self) -> ClockReading:
        monotonic_s = time.monotonic()
        utc_ms, monotonic_ms = time.time_ns() // 1_000_000, int(monotonic_s * 1000)
        offset_ms = utc_ms - monotonic_ms
        if monotonic_s - self._looked_s >= LOOK_EVERY_S or abs(offset_ms - self._offset_ms) >= STEP_MS:
            self._looked_s = monotonic_s
            self._offset_ms = offset_ms
            self._trusted = is_disciplined()
        return ClockReading(utc_ms, monotonic_ms, self._trusted)

    def keep(self) -> None:
        """Nothing to do: the computer keeps its own time."""
