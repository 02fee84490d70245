"""The one job table, on a virtual clock and against a clock that jumps."""

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from itertools import pairwise

import pytest

from controller import plan as p
from controller.control import watering
from controller.control.photoperiod import utc_ms
from controller.schedule import VirtualSchedule, job_table
from tests import examples

START = examples.START_UTC_MS
ANCHOR = START - 2 * 3_600_000  # 06:00


def fired(schedule, until_ms):
    found = []
    while schedule.next_ms() <= until_ms:
        at = schedule.next_ms()
        found.append((schedule.fire(), at))
    return found


def test_sampling_fires_every_ten_seconds():
    schedule = VirtualSchedule(job_table(examples.SETTINGS, None), START, 0)

    samples = [at for name, at in fired(schedule, 60_000) if name == "sample"]

    assert samples == [10_000, 20_000, 30_000, 40_000, 50_000, 60_000]


def test_the_lamps_edges_fire_where_the_light_period_has_them():
    schedule = VirtualSchedule(job_table(examples.SETTINGS, ANCHOR), START, 0)

    edges = [(name, at / 3_600_000) for name, at in fired(schedule, 48 * 3_600_000) if name.startswith("lamp")]

    assert edges == [("lamp_off", 14.0), ("lamp_on", 22.0), ("lamp_off", 38.0), ("lamp_on", 46.0)]


def test_no_job_waters_since_the_law_looks_at_fixed_times_itself():
    settings = examples.watering(moisture=None, fallback=None, fixed=p.FixedTimes(times=[time(7, 30), time(19, 30)]))

    names = {job.name for job in job_table(settings, ANCHOR, sends=True)}

    assert names == {"sample", "steps", "lamp_on", "lamp_off", "parcels"}


@pytest.mark.parametrize("jump", [timedelta(days=180), timedelta(days=-180), timedelta(days=365 * 56)])
def test_nothing_piles_up_and_nothing_falls_asleep_after_a_jump(jump):
    """The live scheduler asks a trigger for all firings between the last one and now: there must be one at most."""
    for job in job_table(examples.SETTINGS, ANCHOR):
        before = datetime(2026, 3, 2, 8, tzinfo=UTC)
        previous = job.trigger.get_next_fire_time(None, before)
        after = previous + jump
        following = job.trigger.get_next_fire_time(previous, after)

        assert following > after
        assert following - after <= timedelta(hours=24)


def test_each_firing_lies_after_now_even_on_the_moment_itself():
    job = job_table(examples.SETTINGS, None)[0]
    on_the_dot = datetime(2026, 3, 2, 8, 0, 10, tzinfo=UTC)

    assert job.trigger.get_next_fire_time(on_the_dot, on_the_dot) == on_the_dot + timedelta(seconds=10)
    assert utc_ms(on_the_dot) == START + 10_000


@pytest.mark.guards("H7", "host", "94bb108c")
@pytest.mark.parametrize("at", [time(1), time(1, 30), time(2)])
@pytest.mark.parametrize("day", [datetime(2026, 3, 28, tzinfo=UTC), datetime(2026, 10, 24, tzinfo=UTC)])
def test_watering_at_local_times_comes_once_in_24_hours_over_the_days_on_which_clocks_change(at, day):
    """London's clocks change at 01:00 UTC on 29 March and 25 October 2026 (IANA time zone database)."""
    chamber = replace(examples.CHAMBER, site=replace(examples.CHAMBER.site, time_zone="Europe/London"))
    fixed = p.FixedTimes(times=[at], clock="local")
    plan = replace(examples.PLAN, watering=replace(examples.PLAN.watering, moisture=None, fallback=None, fixed=fixed))
    settings = replace(examples.SETTINGS, plan=plan, chamber=chamber)
    begun = examples.growing().but(hydrated_utc_ms=utc_ms(day))
    numbers = [
        watering.current_slot(begun.but(run_ms=minute * 60_000), settings).number for minute in range(4 * 24 * 60)
    ]
    changes = [minute for minute, (before, after) in enumerate(pairwise(numbers)) if before != after]

    assert numbers[-1] >= 2
    assert {later - earlier for earlier, later in pairwise(changes)} == {24 * 60}
    assert len(changes) == numbers[-1] + 1
