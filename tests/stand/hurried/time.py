"""Time for a board on a stand that lives faster than the computer, for MicroPython's Unix port (CHAMBER_S_PER_S).

Between two looks no more passes than a tick: a busy computer makes this board slower, never late.
"""

import os

import utime
from utime import *  # noqa: F403 (whatever is not hurried is as it was)

CHAMBER_S_PER_S = int(os.getenv("CHAMBER_S_PER_S"))
PASSED_US_MAX = 10_000
_looked_us, _ticks_us = utime.ticks_us(), 0


def ticks_us():
    global _looked_us, _ticks_us
    now_us = utime.ticks_us()
    _ticks_us += min((now_us - _looked_us) * CHAMBER_S_PER_S, PASSED_US_MAX)
    _looked_us = now_us
    return _ticks_us


def ticks_ms():
    return ticks_us() // 1000


def ticks_diff(later, earlier):
    return later - earlier  # 62 bits of microseconds do not wrap here


def ticks_add(ticks, delta):
    return ticks + delta


def sleep_us(duration_us):
    utime.sleep_us(duration_us // CHAMBER_S_PER_S)


def sleep_ms(duration_ms):
    sleep_us(duration_ms * 1000)
