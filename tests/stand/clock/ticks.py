"""Ticks of a 32-bit microcontroller, which wrap at 2**30, as MicroPython's manual has them (``time``, ticks_diff).

The Unix port wraps at 2**62 and shows nothing of this. A number that is no tick is refused here; a microcontroller
would reckon with it and be wrong.
"""

PERIOD = 1 << 30
HALF = PERIOD // 2


def wrapped(counter):
    """The tick that stands for a counter which never wraps."""
    return counter % PERIOD


def ticks_diff(later, earlier):
    """From ``earlier`` to ``later``, -HALF to HALF - 1: right only when truly less than half a period lies between."""
    _refuse_what_is_no_tick(later)
    _refuse_what_is_no_tick(earlier)
    return (later - earlier + HALF) % PERIOD - HALF


def ticks_add(tick, delta):
    """The tick ``delta`` later. OverflowError when ``ticks_diff`` could not tell it back."""
    _refuse_what_is_no_tick(tick)
    if not -HALF < delta < HALF:
        raise OverflowError("ticks interval overflow")
    return (tick + delta) % PERIOD


def _refuse_what_is_no_tick(tick):
    if not 0 <= tick < PERIOD:
        raise ValueError("no tick: " + str(tick))
