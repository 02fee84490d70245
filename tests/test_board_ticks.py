"""Ticks that wrap, and the microcontroller's program that must not mind: played in virtual time, nothing waits here."""

import subprocess

import pytest

from firmware_bridge import limits
from tests.stand.clock.ticks import HALF, PERIOD, ticks_add, ticks_diff
from tests.stand.interpreter import STAND, environment, micropython
from tests.stand.virtual.doses import TICK_US, assert_it_ran_through, rested
from tests.stand.virtual.playing import LOOK_US, US_PER_S

MINUTE_S, HOUR_S, DAY_S = 60, 3600, 86400


def test_the_ticks_of_the_stand_are_those_of_a_32_bit_microcontroller():
    """MicroPython's manual: what ticks_add added, ticks_diff tells back, and what it could not is refused."""
    for tick in (0, 1, HALF - 1, HALF, HALF + 1, PERIOD - 1):
        for delta in (0, 1, -1, TICK_US, HALF - 1, 1 - HALF):
            assert ticks_diff(ticks_add(tick, delta), tick) == delta
            assert ticks_diff(tick, ticks_add(tick, delta)) == -delta
        for delta in (HALF, -HALF, PERIOD):
            with pytest.raises(OverflowError):
                ticks_add(tick, delta)
    assert ticks_diff(HALF, 0) == -HALF, "half a period on looks as if it lay in the past"
    for no_tick in (-1, PERIOD):
        with pytest.raises(ValueError, match="no tick"):
            ticks_diff(no_tick, 0)


@pytest.mark.parametrize("pace", [1, 500])
@pytest.mark.parametrize("start_us", [PERIOD - 10_000, PERIOD * 1000 - 10_000, HALF * 1000 - 10_000, 7_000_000])
def test_the_time_of_a_stand_begins_where_it_is_told_and_wraps(start_us, pace):
    program = """import time
for _ in range(8):
    print(time.ticks_us(), time.ticks_ms(), time.ticks_us())
    time.sleep_us(4000)
"""
    told = {**environment(STAND / "clock"), "TICKS_START_US": str(start_us), "CHAMBER_S_PER_S": str(pace)}
    said = subprocess.run([micropython(), "-c", program], env=told, capture_output=True, check=True).stdout
    looks = [[int(tick) for tick in line.split()] for line in said.splitlines()]
    assert all(0 <= tick < PERIOD for look in looks for tick in look)
    passed = [
        (ticks_diff(us, start_us % PERIOD), ticks_diff(ms, start_us // 1000 % PERIOD), ticks_diff(us_after, us))
        for us, ms, us_after in looks
    ]
    for number, (us, ms, between_us) in enumerate(passed):
        assert us >= 4000 * number
        assert (start_us + us) // 1000 <= ms + start_us // 1000 <= (start_us + us + between_us) // 1000


RESTS = [
    ("1 s", 1, 0),
    ("10 min", 10 * MINUTE_S, 0.9),
    ("620 s", 620, 0.9),
    ("8 h", 8 * HOUR_S, 300),
    ("16 h", 16 * HOUR_S, 300),
    ("10 d", 10 * DAY_S, 300),
]


@pytest.mark.guards("H3", "board", "6504f7a9")
@pytest.mark.parametrize(("rest_s", "leap_s"), [rest[1:] for rest in RESTS], ids=[rest[0] for rest in RESTS])
def test_a_dose_after_any_rest_is_given_in_full(rest_s, leap_s):
    played = rested(rest_s=rest_s, leap_s=leap_s)
    assert played.done(2) == (2, 120, 120, "complete")
    assert len(played.pulses_us) == 160
    assert_it_ran_through(played, unfed_us=2 * TICK_US if leap_s != 0.9 else US_PER_S)


MOMENTS_US = {
    "in the rest": lambda before: 2 * US_PER_S,
    "as the dose comes": lambda before: round(3.2 * US_PER_S),
    "at a pulse": lambda before: before.pulses_us[100],
    "between two pulses": lambda before: before.pulses_us[100] + 700,
    "in a tick": lambda before: before.pulses_us[104] - 10 * LOOK_US,
    "at the last pulse": lambda before: before.pulses_us[-1],
}
WRAPS_US = {
    "microseconds wrap": PERIOD,
    "microseconds change sign": HALF,
    "milliseconds wrap": PERIOD * 1000,
    "milliseconds change sign": HALF * 1000,
}


@pytest.fixture(scope="module")
def before():
    """The same doses long before any wrap."""
    return rested()


@pytest.mark.guards("H3", "board", "6504f7a9")
@pytest.mark.parametrize("moment", MOMENTS_US)
@pytest.mark.parametrize("wrap", WRAPS_US)
def test_wherever_the_ticks_wrap_nothing_is_other_than_without(wrap, moment, before):
    start_us = (WRAPS_US[wrap] - MOMENTS_US[moment](before)) // 1000 * 1000  # milliseconds change as before
    played = rested(start_us=start_us)
    assert (played.log, played.counts) == (before.log, before.counts)
    assert played.done(2) == (2, 120, 120, "complete")


@pytest.mark.guards("H3", "board", "6504f7a9")
@pytest.mark.parametrize("offset_us", range(-7, 8, 2))
def test_to_the_microsecond_no_wrap_costs_a_pulse(offset_us, before):
    played = rested(start_us=PERIOD * 1000 - before.pulses_us[100] + offset_us)
    assert played.done(2) == (2, 120, 120, "complete")
    assert len(played.pulses_us) == 160
    assert_it_ran_through(played)


@pytest.mark.guards("H3", "board", "6504f7a9")
def test_every_pulse_on_the_pin_is_in_the_account_and_stands_evenly_in_its_tick(before):
    assert_it_ran_through(before)
    assert before.done(1) == (1, 40, 40, "complete")
    assert max(before.spaces_us()[40:]) < 1.5 * US_PER_S / limits.STEPS_PER_S_MAX
    assert len(before.pulses_us) == 160
