"""Waiting for bytes on a stand: as ``uselect``, but the milliseconds are those of the board's own time."""

import os

import uselect
import utime
from uselect import POLLIN, POLLOUT  # noqa: F401 (what the board's program asks for)

CHAMBER_S_PER_S = int(os.getenv("CHAMBER_S_PER_S") or 1)


class poll:
    def __init__(self):
        self._poll = uselect.poll()
        self.register = self._poll.register

    def poll(self, wait_ms):
        wait_us = wait_ms * 1000 // CHAMBER_S_PER_S
        if wait_us >= 1000:
            return self._poll.poll(wait_us // 1000)
        found = self._poll.poll(0)
        if wait_us and not found:  # shorter than the library can wait
            utime.sleep_us(wait_us)
            found = self._poll.poll(0)
        return found
