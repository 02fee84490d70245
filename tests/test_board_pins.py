"""The microcontroller's pins and watchdog: off before all else, whatever takes its time. Played in virtual time."""

import pytest

from firmware_bridge import limits
from tests.stand.virtual.doses import (
    FEW_LOOKS_US,
    PULSE_SPACE_US,
    PULSE_US,
    TICK_US,
    WET,
    assert_it_ran_through,
    dosing,
)
from tests.stand.virtual.playing import US_PER_S, Script, play


@pytest.mark.guards("H3", "board", "6504f7a9")
@pytest.mark.parametrize(
    ("wet_s", "probe"),
    [
        (1.2, {"leak": WET}),
        (1.2025, {"leak": WET}),
        (1.205, {"leak": WET}),
        (1.2075, {"leak": WET}),
        (1.2, {"float": WET}),
        (1.2, {"reservoir": limits.COUNT_MAX}),
    ],
)
def test_a_probe_that_trips_ends_the_pulses_and_the_coils_within_a_tick(wet_s, probe):
    script = dosing()
    script.probes(wet_s, **probe)
    played = play(script)
    (off_us,) = played.disabled_us()
    assert 0 < off_us - wet_s * US_PER_S <= TICK_US + FEW_LOOKS_US
    assert played.pulses_us[-1] < off_us
    assert played.done()[1:3] == (len(played.pulses_us),) * 2


SLOW = {"encode": 7_000, "save": 30_000}  # about what a microcontroller takes


@pytest.mark.guards("H3", "board", "6504f7a9")
def test_after_the_last_step_the_coils_are_off_before_anything_is_saved_or_said():
    played = play(dosing(costs_us=SLOW))
    (off_us,) = played.disabled_us()
    assert PULSE_SPACE_US <= off_us - played.pulses_us[-1] <= TICK_US + FEW_LOOKS_US, "held until the last step is done"
    assert off_us < min(at_us for at_us, line in played.log["saved"] if "complete" in line)
    assert played.done() == (1, 400, 400, "complete")


@pytest.mark.guards("H3", "board", "6504f7a9")
def test_a_stop_switches_the_coils_off_in_a_tick_before_it_is_saved_and_said():
    script = dosing(costs_us=SLOW)
    script.says(1.3, "stop", 1)
    played = play(script)
    (off_us,) = played.disabled_us()
    assert 0 < off_us - 1.3 * US_PER_S <= TICK_US + FEW_LOOKS_US
    assert off_us < min(at_us for at_us, line in played.log["saved"] if "stopped" in line)
    assert played.done() == (1, len(played.pulses_us), len(played.pulses_us), "stopped")


@pytest.mark.guards("H3", "board", "6504f7a9")
def test_the_coils_are_off_before_a_dose_and_on_at_its_first_pulse():
    played = play(dosing())
    assert ["out", None, 1] in [pin[1:] for pin in played.log["pins"] if pin[0] == 4], "off as the pin is first driven"
    (on_us,) = played.enabled_us()
    assert 1.0 * US_PER_S < on_us < played.pulses_us[0] <= on_us + FEW_LOOKS_US


@pytest.mark.guards("H3", "board", "6504f7a9")
def test_the_coils_stay_on_between_the_steps_of_a_slow_dose():
    script = Script(4.0)
    script.greets(0.5)
    script.doses(1.0, 1, 20, 10)
    played = play(script)
    assert len(played.pulses_us) == 20
    assert len(played.enabled_us()) == len(played.disabled_us()) == 1


def test_the_pump_turns_one_way_only_and_no_pin_is_driven_that_is_not_the_board_s():
    pins = play(Script(0.1)).log["pins"]
    assert sorted(pins) == [[2, "out", None, 0], [3, "out", None, 0], [4, "out", None, 1], [5, "in", "pull-up", None]]


def test_the_first_pulse_of_a_tick_comes_with_it():
    played = play(dosing(costs_us={"look": 0}))
    assert played.pulses_us[0] == played.enabled_us()[0]
    assert played.done() == (1, 400, 400, "complete")


def test_a_turning_board_waits_between_its_pulses_for_its_host():
    assert play(dosing()).counts["polls"] < 2000


# -- ticks, on time and late, a clock that stands, the watchdog ----------------------------------------------


@pytest.mark.parametrize("look_us", [0, 20])
def test_a_board_at_rest_looks_at_its_probes_a_hundred_times_a_second_for_long(look_us):
    counts = play(Script(20.005, costs_us={"look": look_us})).counts
    assert counts["looks"] == 2000
    assert counts["longest_unfed_us"] <= TICK_US + 32 * look_us


def test_a_tick_that_takes_as_long_as_a_tick_leaves_the_next_to_the_host():
    script = Script(2.0, costs_us={"look": 0, "probe": TICK_US // 4})
    script.greets(1.0)
    assert play(script).said("board")


@pytest.mark.guards("H3", "board", "6504f7a9")
def test_a_tick_that_is_half_a_second_late_makes_good_two_ticks_and_hurries_nothing():
    script = dosing(4.0)
    script.at(1.3, "late", 500_000)
    played = play(script)
    assert_it_ran_through(played, unfed_us=500_000 + 2 * TICK_US)
    late_us = [space for space in played.spaces_us() if space > TICK_US]
    assert late_us == [pytest.approx(500_000, abs=TICK_US)]
    after = next(number for number, space in enumerate(played.spaces_us(), 1) if space > TICK_US)
    after_us = played.pulses_us[after]
    made_good = limits.MADE_GOOD_MS_MAX * limits.STEPS_PER_S_MAX // 1000
    in_the_next_tick = [each for each in played.pulses_us if after_us <= each < after_us + TICK_US + PULSE_SPACE_US]
    assert made_good <= len(in_the_next_tick) <= made_good + 1
    assert played.done() == (1, 400, 400, "complete")
    assert len(played.pulses_us) == 400


@pytest.mark.guards("H3", "board", "6504f7a9")
def test_pulses_that_hurry_after_a_late_tick_leave_the_driver_its_space():
    """Half a period of the fastest rate, from the end of a pulse on, and then a look at the clock."""
    script = dosing(costs_us={"look": 1})
    script.at(1.3, "late", 500_000)
    assert min(play(script).spaces_us()) == PULSE_US + PULSE_SPACE_US + 1


@pytest.mark.guards("H3", "board", "6504f7a9")
def test_pulses_after_a_late_tick_of_a_slow_dose_stand_evenly_too():
    script = Script(6.0)
    script.greets(0.5)
    script.doses(1.0, 1, 200, 100)
    script.at(1.5, "late", 300_000)
    played = play(script)
    assert played.done() == (1, 200, 200, "complete")
    assert min(played.spaces_us()) >= TICK_US / 2 - FEW_LOOKS_US, "two steps in the tick after it"


@pytest.mark.guards("H3", "board", "6504f7a9")
@pytest.mark.parametrize("hang", ["late", "stands"])
def test_a_program_that_hangs_is_started_anew_with_its_motor_off(hang):
    script = dosing(5.0)
    script.at(1.3, hang, 1_100_000 if hang == "late" else True)
    script.at(3.0, "stands", False) if hang == "stands" else None
    played = play(script)
    assert played.counts["limit_ms"] == 1000
    assert [why for _, why in played.log["boots"]][:2] == ["power", "watchdog"]
    assert played.disabled_us()[-1] <= played.log["boots"][1][0]
    turned = len(played.pulses_us)
    assert 0 < turned < 400
    assert played.done() == (1, 0, 400, "board_restarted"), "anything from nothing to all of it"
    assert all(at_us < played.log["boots"][1][0] for at_us in played.pulses_us)


@pytest.mark.guards("H3", "board", "6504f7a9")
def test_a_power_cut_in_mid_dose_is_told_as_an_interval_that_holds_what_turned():
    script = dosing()
    script.at(1.3, "cut")
    played = play(script)
    assert [why for _, why in played.log["boots"]] == ["power", "cut"]
    assert played.done() == (1, 0, 400, "board_restarted")
    assert 0 < len(played.pulses_us) < 400
