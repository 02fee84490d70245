"""Whether a reading is believed."""

import math

import pytest

from controller.control import sensing
from controller.control.model import GOOD, MISSING, SUSPECT, Channel

BOUNDS = sensing.Bounds(low=-20.0, high=70.0, jump_max=4.0, stuck_after_ms=900_000, calm_max=1.0)


def fed(values, every_ms=10_000, bounds=BOUNDS):
    channel = Channel()
    for number, value in enumerate(values):
        channel = sensing.judge(channel, value, number * every_ms, bounds)
    return channel


def test_a_first_value_inside_the_range_is_good():
    assert fed([21.0]).quality == GOOD


@pytest.mark.guards("H6", "host", "ca1270a6")
@pytest.mark.parametrize(
    ("value", "quality"),
    [(-20.1, SUSPECT), (-20.0, GOOD), (-19.9, GOOD), (69.9, GOOD), (70.0, GOOD), (70.1, SUSPECT)],
)
def test_the_range_is_judged_at_below_and_above_its_ends(value, quality):
    channel = sensing.judge(Channel(), value, 0, BOUNDS)

    assert channel.quality == quality
    assert channel.value == value


def test_no_reading_and_not_a_number_are_missing_and_carry_no_value():
    for value in (None, math.nan):
        channel = sensing.judge(Channel(), value, 0, BOUNDS)

        assert channel.quality == MISSING
        assert channel.value is None


@pytest.mark.guards("H6", "host", "ca1270a6")
@pytest.mark.parametrize(("step", "quality"), [(3.9, GOOD), (4.0, GOOD), (4.1, SUSPECT)])
def test_a_jump_beyond_its_bound_is_suspect(step, quality):
    assert fed([20.0, 20.0 + step]).quality == quality


def test_a_glitch_does_not_move_the_level_that_is_believed():
    channel = fed([20.0, 60.0, 20.1])

    assert channel.quality == GOOD
    assert channel.level == 20.1


def test_a_new_level_is_believed_after_it_stayed_for_five_samples():
    assert fed([20.0, 30.0, 30.1, 30.0, 30.2]).quality == SUSPECT
    assert fed([20.0, 30.0, 30.1, 30.0, 30.2, 30.1]).quality == GOOD


@pytest.mark.guards("H6", "host", "ca1270a6")
def test_a_value_that_does_not_move_is_stuck_at_its_bound_and_not_before():
    before = sensing.judge(sensing.judge(Channel(), 21.0, 0, BOUNDS), 21.0, 899_999, BOUNDS)
    at = sensing.judge(sensing.judge(Channel(), 21.0, 0, BOUNDS), 21.0, 900_000, BOUNDS)

    assert before.quality == GOOD
    assert at.quality == SUSPECT
    assert at.cause == "has not moved at all"


def test_the_least_movement_shows_that_a_sensor_lives():
    channel = sensing.judge(Channel(), 21.0, 0, BOUNDS)
    channel = sensing.judge(channel, 21.0027, 899_999, BOUNDS)

    assert sensing.judge(channel, 21.0027, 900_001, BOUNDS).quality == GOOD


def test_a_channel_is_settled_only_after_five_good_values_and_answers_their_median():
    assert sensing.settled(fed([20.0, 20.1, 20.2, 20.3])) is None
    assert sensing.settled(fed([20.0, 20.4, 20.1, 20.3, 20.2])) == 20.2


def test_one_bad_value_unsettles_a_channel():
    assert sensing.settled(fed([20.0, 20.1, 20.2, 20.3, 20.2, None])) is None
    assert sensing.settled(fed([20.0, 20.1, 20.2, 20.3, 20.2, 55.0])) is None


@pytest.mark.guards("H6", "host", "ca1270a6")
@pytest.mark.parametrize(("last", "quality"), [(33.9, GOOD), (34.0, GOOD), (34.1, SUSPECT)])
def test_a_new_level_is_believed_only_when_its_values_stay_together(last, quality):
    assert fed([20.0, 30.0, 30.0, 30.0, 30.0, last]).quality == quality


@pytest.mark.guards("H6", "host", "ca1270a6")
def test_a_wire_in_the_air_is_no_new_level():
    assert fed([20.0, 60.0, -10.0, 50.0, 0.0, 44.0, 65.0, -5.0, 35.0]).quality == SUSPECT


@pytest.mark.guards("H6", "host", "ca1270a6")
@pytest.mark.parametrize(("apart", "is_settled"), [(0.9, True), (1.0, True), (1.1, False)])
def test_after_trouble_a_channel_is_settled_only_by_values_that_agree(apart, is_settled):
    channel = fed([20.0, None, 20.0, 20.0 + apart, 20.0, 20.0, 20.0])

    assert (sensing.settled(channel) is not None) == is_settled


def test_a_settled_channel_follows_what_moves_without_a_jump():
    assert sensing.settled(fed([20.0] * 5 + [23.0, 26.0, 29.0, 32.0, 35.0])) == 29.0


@pytest.mark.guards("H6", "host", "ca1270a6")
@pytest.mark.parametrize(("temperature_c", "quality"), [(69.9, GOOD), (70.0, GOOD), (70.1, SUSPECT), (130.0, SUSPECT)])
def test_a_humidity_measured_with_an_impossible_temperature_is_doubted_too(temperature_c, quality):
    air = sensing.judge(Channel(), temperature_c, 0, sensing.AIR_TEMPERATURE_C)

    humidity = sensing.judge_beside(air, Channel(level=50.0), 60.0, 0, sensing.RELATIVE_HUMIDITY_PCT)

    assert humidity.quality == quality
    assert humidity.level == (60.0 if quality == GOOD else 50.0)
