"""What a person is told, and when."""

import pytest

from controller.control import alarms
from controller.control import model as m
from controller.records.status import status_of
from controller.run import open_run
from tests import examples

CLIMATE = examples.PLAN.climate


def judged(history):
    """Feed (monotonic ms, names that hold) and answer what was told as (ms, name, raised)."""
    standing, told = (), []
    for ms, names in history:
        standing, records = alarms.judge(standing, dict.fromkeys(names, "words"), examples.moment(ms))
        told += [(record.at.monotonic_ms, record.alarm, record.raised) for record in records]
    return told


@pytest.mark.parametrize(("held_ms", "raised"), [(119_999, False), (120_000, True), (120_001, True)])
def test_a_condition_is_told_when_it_has_stood_for_two_minutes(held_ms, raised):
    told = judged([(0, ["board_silent"]), (held_ms, ["board_silent"])])

    assert told == ([(held_ms, "board_silent", True)] if raised else [])


def test_an_alarm_ends_when_its_condition_was_gone_for_two_minutes_and_is_told_once():
    history = [(n * 60_000, ["board_silent"] if n < 10 else []) for n in range(20)]

    assert judged(history) == [(120_000, "board_silent", True), (720_000, "board_silent", False)]


def test_a_condition_that_flickers_is_not_told():
    assert judged([(n * 60_000, ["board_silent"] if n % 2 else []) for n in range(50)]) == []


@pytest.mark.guards("H2", "host", "7669e252")
def test_a_trip_is_told_at_once():
    assert judged([(5, ["trip_leak_wet"])]) == [(5, "trip_leak_wet", True)]


@pytest.mark.guards("H5", "host", "bbd6092d")
@pytest.mark.parametrize(
    ("temperature_c", "alarm"),
    [(11.9, "air_temperature_low"), (12.0, None), (32.0, None), (32.1, "air_temperature_high")],
)
def test_the_alarm_limits_of_the_air_are_those_of_the_plan(temperature_c, alarm):
    state = examples.growing(air=m.Channel(temperature_c, m.GOOD, "", 0, temperature_c))
    found = {name for name in alarms.conditions(state, examples.SETTINGS) if name.startswith("air_temperature")}

    assert found == ({alarm} if alarm else set())


@pytest.mark.guards("H6", "host", "ca1270a6")
def test_a_suspect_reading_raises_no_alarm_of_its_value_but_one_of_its_trust():
    reading = m.Reading(55.0, 60.0, 1740, 2000, 2000, 1000)
    state = examples.growing(air=m.Channel(55.0, m.SUSPECT, "jumped", 0, 20.0), reading=reading)
    found = alarms.conditions(state, examples.SETTINGS)

    assert "air_temperature_high" not in found
    assert "jumped" in found["air_temperature_untrusted"]


@pytest.mark.guards("H2", "host", "7669e252")
@pytest.mark.guards("H8", "host", "ee284e71")
@pytest.mark.parametrize(
    ("changes", "pattern"),
    [
        ({}, m.STATUS_STEADY),
        ({"alarms": (("board_silent", m.AlarmState(0, True, True)),)}, m.STATUS_SLOW),
        ({"alarms": (("board_silent", m.AlarmState(0, True, False)),)}, m.STATUS_STEADY),
        ({"trips": (("leak_wet", m.ON_BOARD),)}, m.STATUS_FAST),
        ({"records_failed": True}, m.STATUS_FAST),
    ],
)
def test_the_status_lamp_shows_the_worst(changes, pattern):
    assert alarms.status_pattern(examples.growing(**changes)) == pattern


@pytest.mark.guards("H4", "host", "45f6e251")
@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"phase": m.PREPARING, "steps_done": ()}, "steps_not_signed"),
        ({"phase": m.SOAKING}, "soaking"),
        ({"phase": m.DRAINING}, "steps_not_signed"),
        ({"phase": m.ENDED}, "ended"),
        ({}, ""),
        ({"trips": (("leak_wet", m.ON_BOARD),)}, "tripped:leak_wet"),
    ],
)
def test_a_teacher_can_ask_at_any_moment_why_there_is_no_water(changes, reason):
    assert alarms.held_back(examples.growing(**changes), examples.SETTINGS)[0] == reason


def test_a_trip_that_both_sides_noticed_is_told_once_with_both(tmp_path):
    journal = open_run(tmp_path, examples.SETTINGS, simulated=True)
    for side in (m.ON_BOARD, m.ON_HOST):
        journal.append(m.TripRecord(examples.moment(1000), "leak_wet", side, 0))
    journal.append(m.TripRecord(examples.moment(2000), "lease_lost", m.ON_BOARD, 0))

    trips = status_of(journal, examples.SETTINGS, examples.START_UTC_MS).trips

    assert [reason for reason, _ in trips] == ["leak_wet", "lease_lost"]
    assert trips[0][1].endswith("Noticed by the board and the host.")
    assert trips[1][1].endswith("Noticed by the board.")
