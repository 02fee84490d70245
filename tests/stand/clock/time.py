"""Time for a board on a stand, for MicroPython's Unix port: ticks that wrap early, and as fast as is wished.

TICKS_START_US: what the counter behind all ticks shows when the board starts; without it, 2 s before the first wrap.
CHAMBER_S_PER_S: how many times as fast as the computer the board lives; 1 without it. Between two looks of a hurried
board no more passes than a tick: a busy computer makes it slower, never late.
"""

import os

import ticks
import utime
from utime import *  # noqa: F403 (whatever does not stand below is as it was)

CHAMBER_S_PER_S = int(os.getenv("CHAMBER_S_PER_S") or 1)
PASSED_US_MAX = 10_000
_looked_us, _counter_us = utime.ticks_us(), int(os.getenv("TICKS_START_US") or ticks.PERIOD - 2_000_000)


def _count():
    """Microseconds that never wrap."""
    global _looked_us, _counter_us
    now_us = utime.ticks_us()
    passed_us = utime.ticks_diff(now_us, _looked_us) * CHAMBER_S_PER_S
    _counter_us += passed_us if CHAMBER_S_PER_S == 1 else min(passed_us, PASSED_US_MAX)
    _looked_us = now_us
    return _counter_us


ticks_diff, ticks_add = ticks.ticks_diff, ticks.ticks_add


def ticks_us():
    return ticks.wrapped(_count())


def ticks_ms():
    return ticks.wrapped(_count() // 1000)


def sleep_us(duration_us):
    if CHAMBER_S_PER_S == 1 or duration_us >= 1000 * CHAMBER_S_PER_S:
        utime.sleep_us(duration_us // CHAMBER_S_PER_S)
    else:  # shorter than the computer can sleep
        began_us = utime.ticks_us()
        while utime.ticks_diff(utime.ticks_us(), began_us) * CHAMBER_S_PER_S < duration_us:
            pass


def sleep_ms(duration_ms):
    sleep_us(duration_ms * 1000)
