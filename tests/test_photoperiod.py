"""When the lamp is on."""

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.control import photoperiod
from controller.plan import Photoperiod

FAROE = "Atlantic/Faroe"
PERIOD = Photoperiod(light_h=16, start=time(6), ramp_min=0, duty_fraction=0.5)
HYDRATED = datetime(2026, 3, 2, 8, 5, tzinfo=UTC)


def ms(moment):
    return photoperiod.utc_ms(moment)


def light(period, moment, anchor):
    return photoperiod.light_fraction(period, ms(moment), anchor)


@pytest.mark.parametrize(
    ("clock", "expected"),
    [
        (time(5, 59, 59), 0.0),
        (time(6, 0, 0), 1.0),
        (time(6, 0, 1), 1.0),
        (time(21, 59, 59), 1.0),
        (time(22, 0, 0), 0.0),
        (time(22, 0, 1), 0.0),
    ],
)
def test_light_starts_at_six_and_ends_after_sixteen_hours_of_utc(clock, expected):
    anchor = photoperiod.light_anchor_utc_ms(PERIOD, ms(HYDRATED), FAROE)

    assert light(PERIOD, datetime.combine(datetime(2026, 3, 9), clock, tzinfo=UTC), anchor) == expected


def test_a_closed_day_of_24_hours_stays_on_utc_through_the_whole_run():
    """Common practice, no source: a closed 24 h day kept on UTC."""
    anchor = photoperiod.light_anchor_utc_ms(PERIOD, ms(HYDRATED), FAROE)
    for day in range(400):
        start = datetime(2026, 3, 3, 6, tzinfo=UTC) + timedelta(days=day)
        assert light(PERIOD, start, anchor) == 1.0
        assert light(PERIOD, start - timedelta(milliseconds=1), anchor) == 0.0


@pytest.mark.parametrize("change_day", [datetime(2026, 3, 29), datetime(2026, 10, 25)])
def test_a_local_start_is_placed_once_and_daylight_saving_moves_no_later_edge(change_day):
    """Against zoneinfo: on the change days civil clocks give 23 and 25 h, the lamp still gets 16 h of light."""
    period = replace(PERIOD, clock="local")
    before = change_day - timedelta(days=3)
    hydrated = before.replace(hour=9, tzinfo=ZoneInfo(FAROE))
    anchor = photoperiod.light_anchor_utc_ms(period, ms(hydrated), FAROE)

    assert photoperiod.moment_of(anchor).astimezone(ZoneInfo(FAROE)).time() == time(6)
    civil_day_h = (
        datetime.combine(change_day + timedelta(days=1), time(0), tzinfo=ZoneInfo(FAROE)).astimezone(UTC)
        - datetime.combine(change_day, time(0), tzinfo=ZoneInfo(FAROE)).astimezone(UTC)
    ) / timedelta(hours=1)
    assert civil_day_h in (23, 25)
    noon = ms(change_day.replace(hour=12, tzinfo=UTC))
    minutes = [photoperiod.light_fraction(period, noon + n * 60_000, anchor) for n in range(24 * 60)]
    assert sum(minutes) == 16 * 60


def test_a_start_without_offset_is_local_time_of_the_chamber():
    period = replace(PERIOD, start=datetime(2026, 7, 1, 6, 0))
    anchor = photoperiod.light_anchor_utc_ms(period, ms(HYDRATED), FAROE)

    assert photoperiod.moment_of(anchor) == datetime(2026, 7, 1, 5, 0, tzinfo=UTC)  # summer time is UTC+1 there


def test_a_start_with_offset_is_the_same_instant_in_every_chamber():
    period = replace(PERIOD, start=datetime(2026, 3, 1, 6, 0, tzinfo=UTC))

    anchors = {photoperiod.light_anchor_utc_ms(period, ms(HYDRATED), zone) for zone in (FAROE, "Europe/Oslo")}

    assert anchors == {ms(datetime(2026, 3, 1, 6, 0, tzinfo=UTC))}


@pytest.mark.parametrize(("now", "day"), [(time(5, 59), 1), (time(6, 0), 2), (time(6, 1), 2)])
def test_a_time_of_day_means_its_last_occurrence_at_or_before_hydration(now, day):
    hydrated = datetime.combine(datetime(2026, 3, 2), now, tzinfo=UTC)

    anchor = photoperiod.light_anchor_utc_ms(PERIOD, ms(hydrated), FAROE)

    assert photoperiod.moment_of(anchor) == datetime(2026, 3, day, 6, tzinfo=UTC)


def test_a_cycle_need_not_be_a_day():
    period = replace(PERIOD, light_h=11.5, cycle_h=21.5, start=datetime(2026, 3, 2, tzinfo=UTC))
    anchor = photoperiod.light_anchor_utc_ms(period, ms(HYDRATED), FAROE)

    for cycle in range(50):
        begin = datetime(2026, 3, 2, tzinfo=UTC) + cycle * timedelta(hours=21.5)
        assert light(period, begin, anchor) == 1.0
        assert light(period, begin + timedelta(hours=11.5), anchor) == 0.0
        assert light(period, begin + timedelta(hours=21.4999), anchor) == 0.0


def test_ramps_lie_inside_the_light_period_and_are_straight():
    period = replace(PERIOD, ramp_min=60)
    anchor = ms(datetime(2026, 3, 2, 6, tzinfo=UTC))

    shares = [light(period, datetime(2026, 3, 2, 6, tzinfo=UTC) + timedelta(minutes=n), anchor) for n in (0, 15, 60)]
    evening = [light(period, datetime(2026, 3, 2, 21, tzinfo=UTC) + timedelta(minutes=n), anchor) for n in (0, 45, 60)]

    assert shares == pytest.approx([0.0, 0.25, 1.0])
    assert evening == pytest.approx([1.0, 0.25, 0.0])


def test_duty_comes_in_whole_percents():
    anchor = ms(datetime(2026, 3, 2, 6, tzinfo=UTC))
    period = replace(PERIOD, ramp_min=15)

    duty = photoperiod.duty_fraction(period, 0.6, ms(datetime(2026, 3, 2, 6, 7, 31, tzinfo=UTC)), anchor)

    assert duty == 0.3


@given(
    cycle_h=st.floats(1, 240),
    share=st.floats(0, 1),
    at=st.integers(-(10**13), 10**13),
    anchor=st.integers(0, 2 * 10**12),
)
def test_the_level_is_the_same_one_cycle_later_and_before_the_anchor_too(cycle_h, share, at, anchor):
    period = Photoperiod(light_h=share * cycle_h, start=time(0), cycle_h=cycle_h, ramp_min=0, duty_fraction=1.0)
    one_cycle_ms = round(cycle_h * 3_600_000)

    assert photoperiod.light_fraction(period, at, anchor) == photoperiod.light_fraction(
        period, at + one_cycle_ms, anchor
    )
