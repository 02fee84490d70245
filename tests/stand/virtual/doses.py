"""A dose in virtual time, and what holds of every program that ran through without a fault."""

from typing import Any

from firmware_bridge import limits
from tests.stand.virtual.playing import LOOK_US, US_PER_S, Played, Script, play

TICK_US = limits.TICK_MS * 1000
PULSE_SPACE_US = US_PER_S // limits.STEPS_PER_S_MAX // 2
PULSE_US = 5
FEW_LOOKS_US = 32 * LOOK_US  # a program looks at its clock now and then
WET = 100


def dosing(end_s: float = 3.0, steps: int = 400, **more: Any) -> Script:
    """A dose that is asked for at 1 s, and begins to turn within two ticks."""
    script = Script(end_s, **more)
    script.greets(0.5)
    script.doses(1.0, 1, steps, limits.STEPS_PER_S_MAX)
    return script


def rested(rest_s: float = 2.0, start_us: int = 0, leap_s: float = 0.0) -> Played:
    """A dose of 40 steps 1 s after power-on, a rest, then dose 2 of 120; each wait in the rest lasts a leap."""
    dose_s = 1.2 + rest_s
    script = Script(dose_s + 1.3, start_us)
    script.greets(0.9)
    script.doses(1.0, 1, 40, limits.STEPS_PER_S_MAX)
    script.says(1.4, "seen", 1)
    if leap_s:
        script.at(1.5, "leap", round(leap_s * US_PER_S))
        script.at(dose_s - 0.5, "leap", 0)
    script.doses(dose_s, 2, 120, limits.STEPS_PER_S_MAX)
    return play(script)


def assert_it_ran_through(played: Played, unfed_us: int = 2 * TICK_US) -> None:
    """One life without an error, a watchdog that was fed in time, pulses that a driver can follow."""
    assert played.log["errors"] == []
    assert played.log["boots"] == [[0, "power"]]
    assert played.counts["longest_unfed_us"] <= unfed_us
    assert played.counts["lost_pulses"] == 0
    assert min(played.spaces_us(), default=PULSE_SPACE_US) >= PULSE_SPACE_US
    assert {length_us for _, length_us in played.log["pulses"]} <= {PULSE_US}
