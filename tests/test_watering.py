"""The dose law of the host."""

from dataclasses import replace
from datetime import time
from math import inf, nextafter

import pytest

from controller import plan as p
from controller.control import dose_life, line, watering
from controller.control import model as m
from controller.control.remember import noted, remembered
from firmware_bridge import messages
from tests import examples

H = m.MS_PER_H


def want(volume_ml=12.0, purpose=m.MOISTURE_LED):
    return watering.Wanted(purpose, volume_ml)


def may(state, wanted=None, settings=examples.SETTINGS):
    return watering.may_dose(state, settings, wanted or want())


def test_a_quiet_greeted_chamber_may_be_watered():
    assert may(examples.growing()) == ""


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"records_failed": True}, "records_failed"),
        ({"line": m.NO_LINE}, "link_down"),
        ({"limits_differ": True}, "limits_differ"),
        ({"line": examples.line_that_is(line.GREETING)}, "not_greeted"),
        ({"line": examples.line_that_is(line.LISTENING)}, "unreconciled"),
        (examples.open_dose(dose_life.ASKED), "dose_open"),
        ({"leaving": True}, "leaving"),
        ({"trips": (("leak_wet", m.ON_BOARD), ("air_too_hot", m.ON_HOST))}, "tripped:leak_wet"),
        ({"asked_clear": m.AskedClear(1, "leak_wet", "LK", 0)}, "clearing"),
        ({"effect_check": examples.awaited(10**12, 0.3, 0.01)}, "effect_unseen"),
        ({"hold_until_ms": 10**12, "hold_reason": "refused:busy"}, "refused:busy"),
        ({"last_dose_id": messages.DOSE_ID_MAX - 1}, ""),
        ({"last_dose_id": messages.DOSE_ID_MAX}, "dose_ids_used_up"),
    ],
)
def test_each_standing_reason_forbids_water(changes, reason):
    assert may(examples.growing(**changes)) == reason


@pytest.mark.parametrize(("since_ms", "reason"), [(3 * H - 1, "resting"), (3 * H, ""), (3 * H + 1, "")])
def test_the_rest_between_doses_is_kept_to_the_millisecond(since_ms, reason):
    state = examples.growing()

    assert may(state.but(last_dose_run_ms=state.run_ms - since_ms)) == reason


@pytest.mark.guards("H1", "host", "830e5870")
@pytest.mark.parametrize(("given_ml", "reason"), [(47.9, ""), (48.0, ""), (48.1, "daily_cap")])
def test_the_daily_cap_counts_the_most_that_was_given_in_any_24_hours(given_ml, reason):
    state = examples.growing()
    given = examples.given(state.run_ms - m.MS_PER_DAY + 1, given_ml, m.MOISTURE_LED)

    assert may(state.but(given_lately=(given,))) == reason


def test_water_older_than_24_hours_no_longer_counts_for_the_day():
    state = examples.growing()
    given = examples.given(state.run_ms - m.MS_PER_DAY, 60.0, m.MOISTURE_LED)

    assert may(state.but(given_lately=(given,))) == ""


@pytest.mark.guards("H1", "host", "830e5870")
@pytest.mark.parametrize(("ago_ms", "reason"), [(7 * m.MS_PER_DAY - 1, "weekly_cap"), (7 * m.MS_PER_DAY, "")])
def test_the_weekly_cap_counts_the_most_that_was_given_in_any_seven_days(ago_ms, reason):
    state = examples.growing()
    state = state.but(given_lately=(examples.given(state.run_ms - ago_ms, 88.1, m.MOISTURE_LED),))

    assert may(state, settings=examples.watering(weekly_cap_ml=100)) == reason


@pytest.mark.parametrize(
    ("purpose", "ago_ms", "reason"),
    [
        (m.FIXED_TIME, m.MS_PER_DAY - 1, "daily_cap"),
        (m.FIXED_TIME, m.MS_PER_DAY, ""),
        (m.FIXED_TIME, m.MS_PER_DAY + 1, ""),
        (m.MOISTURE_LED, m.MS_PER_DAY + 59_999, "daily_cap"),
        (m.MOISTURE_LED, m.MS_PER_DAY + 60_000, ""),
    ],
)
def test_a_fixed_time_counts_the_day_from_start_to_start_and_moisture_from_the_end(purpose, ago_ms, reason):
    state = examples.growing()
    began_run_ms = state.run_ms - ago_ms
    state = state.but(given_lately=(examples.given(began_run_ms + 60_000, 60.0, purpose, began_run_ms),))

    assert may(state, watering.Wanted(purpose, 12.0)) == reason


@pytest.mark.parametrize(
    ("purpose", "ago_ms", "reason"),
    [
        (m.FIXED_TIME, 3 * H - 1, "resting"),
        (m.FIXED_TIME, 3 * H, ""),
        (m.MOISTURE_LED, 3 * H + 59_999, "resting"),
        (m.MOISTURE_LED, 3 * H + 60_000, ""),
    ],
)
def test_a_fixed_time_rests_from_start_to_start_and_moisture_from_the_end(purpose, ago_ms, reason):
    state = examples.growing()
    began_run_ms = state.run_ms - ago_ms
    state = state.but(last_dose_run_ms=began_run_ms + 60_000, last_dose_began_run_ms=began_run_ms)

    assert may(state, watering.Wanted(purpose, 12.0)) == reason


def test_the_first_fixed_time_needs_no_rest():
    state = examples.growing(last_dose_run_ms=None, last_dose_began_run_ms=examples.growing().run_ms)
    assert may(state, watering.Wanted(m.FIXED_TIME, 12.0)) == ""


@pytest.mark.guards("H1", "host", "830e5870")
@pytest.mark.parametrize(("given_ml", "reason"), [(887.9, ""), (888.0, ""), (888.1, "total_cap")])
def test_the_total_cap_holds_for_the_whole_run(given_ml, reason):
    assert may(examples.growing(watering_given_ml=given_ml)) == reason


@pytest.mark.guards("H1", "host", "830e5870")
@pytest.mark.parametrize(("given_ml", "reason"), [(287.9, ""), (288.0, ""), (288.1, "chamber_daily_limit")])
def test_the_chambers_own_limit_counts_the_first_wetting_too(given_ml, reason):
    state = examples.growing()
    given = examples.given(state.run_ms - H, given_ml, m.FIRST_WETTING)

    assert may(state.but(given_lately=(given,))) == reason


LIFE_MS = 100 * H
STOPS = examples.watering(aged_pump="stop")


def aged(turned_ms=0, drift_pct=0.0, drifts=False, **changes):
    return examples.growing(pump_age=m.PumpAge(turned_ms, drift_pct, drifts), **changes)


@pytest.mark.guards("H9", "host", "ef8570cc")
@pytest.mark.parametrize(("turned_ms", "reason"), [(LIFE_MS - 1, ""), (LIFE_MS, ""), (LIFE_MS + 1, "tube_worn")])
def test_a_tube_past_its_hours_gets_no_dose_where_the_plan_says_stop(turned_ms, reason):
    assert watering.may_dose(aged(turned_ms), STOPS, want()) == reason


@pytest.mark.guards("H9", "host", "ef8570cc")
@pytest.mark.parametrize(("drift_pct", "reason"), [(4.999, ""), (5.0, ""), (5.001, "pump_drifted")])
def test_a_factor_past_its_bound_gets_no_dose_where_the_plan_says_stop(drift_pct, reason):
    assert watering.may_dose(aged(drift_pct=drift_pct), STOPS, want()) == reason


def test_the_bounds_are_those_of_the_chamber_file():
    chamber = replace(
        STOPS.chamber,
        pump=replace(STOPS.chamber.pump, tube_life_h=2.0),
        acceptance=replace(STOPS.chamber.acceptance, pump_drift_max_pct=1.0),
    )
    strict = replace(STOPS, chamber=chamber)
    assert watering.may_dose(aged(2 * H + 1), strict, want()) == "tube_worn"
    assert watering.may_dose(aged(drift_pct=1.1), strict, want()) == "pump_drifted"


def test_without_that_word_in_the_plan_an_old_pump_is_used_on():
    old = aged(LIFE_MS + 1, 9.0)
    assert examples.SETTINGS.plan.watering.aged_pump == "warn"
    assert watering.may_dose(old, examples.SETTINGS, want()) == ""


@pytest.mark.parametrize("purpose", [m.FIRST_WETTING, m.FIXED_TIME, m.FALLBACK])
def test_every_dose_of_a_plan_waits_for_a_new_tube_but_never_a_portion_of_a_calibration(purpose):
    old = aged(LIFE_MS + 1)
    assert watering.may_dose(old, STOPS, watering.Wanted(purpose, 10.0)) == "tube_worn"
    assert watering.may_dose(old, STOPS, watering.Wanted(m.CALIBRATION, 10.0)) == ""


def test_a_reason_of_the_board_comes_before_the_age_of_the_pump():
    assert watering.may_dose(aged(LIFE_MS + 1, line=m.NO_LINE), STOPS, want()) == "link_down"


@pytest.mark.guards("H1", "host", "830e5870")
def test_a_run_after_a_long_calibration_waits_by_itself_and_is_never_refused_by_the_board():
    state = examples.growing()
    poured = examples.given(state.run_ms - H, 288.1, m.ELSEWHERE)
    assert watering.may_dose(state.but(given_lately=(poured,)), examples.SETTINGS, want()) == "chamber_daily_limit"
    less = poured._replace(volume_max_ml=288.0)
    assert watering.may_dose(state.but(given_lately=(less,)), examples.SETTINGS, want()) == ""  # not the plan's 60 ml


@pytest.mark.parametrize(
    ("purpose", "steps_per_s", "turned_ms"),
    # by hand: 2401 steps at 300 a second; a first wetting is pushed at 25 ml/min: 83 steps of 0.005 ml a second
    [(m.MOISTURE_LED, 300, 8_003), (m.FIRST_WETTING, 300, 28_927)],
)
def test_each_dose_adds_the_time_it_turned(purpose, steps_per_s, turned_ms):
    pump = replace(examples.CHAMBER.pump, steps_per_s=steps_per_s)
    settings = replace(examples.SETTINGS, chamber=replace(examples.CHAMBER, pump=pump))
    dose = examples.intent(6, 2400, purpose)
    closed = closed_dose(steps_max=2401)
    state = remembered(aged(1000, 2.0, True, open_dose=dose), closed, settings)
    assert state.pump_age == m.PumpAge(1000 + turned_ms, 2.0, True)
    assert isinstance(state.pump_age.turned_ms, int)


@pytest.mark.guards("H1", "host", "830e5870")
def test_the_first_wetting_is_given_in_aliquots_and_the_last_one_is_the_remainder():
    """Common practice, no source: about 210 ml in portions of 50 ml."""
    state = examples.growing(phase=m.WETTING, first_wetting_given_ml=0.0)
    volumes = []
    while (wanted := watering.wanted_dose(state, examples.SETTINGS)) is not None:
        volumes.append(wanted.volume_ml)
        state = state.but(first_wetting_given_ml=state.first_wetting_given_ml + wanted.volume_ml)

    assert volumes == [50, 50, 50, 50, 10]


@pytest.mark.guards("H1", "host", "830e5870")
def test_the_first_wetting_is_pushed_no_faster_than_the_plan_allows_and_never_below_one_step():
    rate = watering.pump_rate_steps_per_s(examples.SETTINGS, m.FIRST_WETTING)
    slow = examples.settings(first_wetting=replace(examples.PLAN.first_wetting, push_rate_max_ml_per_min=0.01))

    assert rate * 0.005 * 60 <= 25 < (rate + 1) * 0.005 * 60
    assert watering.pump_rate_steps_per_s(slow, m.FIRST_WETTING) == 1
    assert watering.pump_rate_steps_per_s(examples.SETTINGS, m.MOISTURE_LED) == 200


def test_thirst_begins_below_the_low_threshold_and_ends_at_the_high_one():
    settings = examples.SETTINGS
    state = watering.with_thirst(examples.with_moisture(examples.growing(), 0.245), settings)
    assert not state.thirsty

    state = watering.with_thirst(examples.with_moisture(state, 0.235), settings)
    assert state.thirsty
    state = watering.with_thirst(examples.with_moisture(state, 0.27), settings)
    assert state.thirsty
    assert watering.wanted_dose(state, settings) == watering.Wanted(m.MOISTURE_LED, 12)

    state = watering.with_thirst(examples.with_moisture(state, 0.285), settings)
    assert not state.thirsty
    assert watering.wanted_dose(state, settings) is None


@pytest.mark.guards("H6", "host", "ca1270a6")
def test_untrusted_moisture_asks_for_nothing_without_a_fallback():
    settings = examples.watering(fallback=None)
    state = examples.growing(moisture=m.Channel(), thirsty=True)

    state = watering.with_thirst(state, settings)

    assert state.moisture_untrusted_since_run_ms == state.run_ms
    assert watering.wanted_dose(state.but(run_ms=state.run_ms + 1000 * H), settings) is None


@pytest.mark.guards("H4", "host", "45f6e251")
@pytest.mark.parametrize(("untrusted_ms", "wants"), [(6 * H - 1, False), (6 * H, True), (6 * H + 1, True)])
def test_the_fallback_waits_until_the_moisture_was_untrusted_for_its_time(untrusted_ms, wants):
    state = examples.growing(moisture=m.Channel())
    state = state.but(moisture_untrusted_since_run_ms=state.run_ms - untrusted_ms)

    wanted = watering.wanted_dose(state, examples.SETTINGS)

    assert (wanted == watering.Wanted(m.FALLBACK, 8)) == wants


@pytest.mark.parametrize(("since_ms", "wants"), [(24 * H - 1, False), (24 * H, True)])
def test_the_fallback_keeps_its_own_interval(since_ms, wants):
    state = examples.growing(moisture=m.Channel())
    state = state.but(moisture_untrusted_since_run_ms=state.run_ms - 48 * H, last_dose_run_ms=state.run_ms - since_ms)

    assert (watering.wanted_dose(state, examples.SETTINGS) is not None) == wants


FIXED = examples.watering(moisture=None, fixed=p.FixedTimes(times=[time(19, 30), time(7, 30)]), fallback=None)


def at_run_h(hours):
    """Hydrated at 08:05 UTC on the example's first day, so many hours ago."""
    return examples.growing(run_ms=round(hours * H))


@pytest.mark.guards("H7", "host", "94bb108c")
def test_fixed_times_are_numbered_in_order_from_hydration():
    slots = [watering.current_slot(at_run_h(h), FIXED).number for h in (0, 11.4, 11.5, 23.3, 23.5, 35.4, 35.5)]

    assert slots == [-1, -1, 0, 0, 1, 1, 2]


@pytest.mark.guards("H7", "host", "94bb108c")
def test_each_fixed_time_is_wanted_once():
    state = at_run_h(11.5)
    slot = watering.current_slot(state, FIXED).number
    wanted = watering.wanted_dose(state.but(last_slot=slot - 1), FIXED)

    assert wanted == watering.Wanted(m.FIXED_TIME, 12, slot)
    assert watering.wanted_dose(state.but(last_slot=slot), FIXED) is None


def test_the_age_of_a_fixed_time_counts_from_its_own_moment():
    assert watering.current_slot(at_run_h(11.5), FIXED) == watering.Slot(0, 5 * 60_000)
    assert watering.current_slot(at_run_h(23.5), FIXED) == watering.Slot(1, 5 * 60_000)


def test_a_fixed_time_has_come_at_its_very_moment():
    """Hydrated at 08:05, so 19:30 comes 11 h 25 min later."""
    at_ms = 11 * H + 25 * 60_000
    found = [watering.current_slot(examples.growing(run_ms=ms), FIXED) for ms in (at_ms - 1, at_ms, at_ms + 1)]

    assert found == [watering.BEFORE_THE_FIRST, watering.Slot(0, 0), watering.Slot(0, 1)]
    assert watering.BEFORE_THE_FIRST.number == -1


def test_without_fixed_times_or_before_hydration_no_time_has_come():
    assert watering.current_slot(at_run_h(40), examples.SETTINGS) == watering.BEFORE_THE_FIRST
    assert watering.current_slot(at_run_h(40).but(hydrated_utc_ms=None), FIXED) == watering.BEFORE_THE_FIRST


@pytest.mark.parametrize(("clock", "utc_hour"), [("utc", 19), ("local", 18)])
def test_fixed_times_are_those_of_the_clock_that_the_plan_names(clock, utc_hour):
    """The example's zone keeps summer time from 29 March 2026 on: local 19:30 is 18:30 UTC (IANA tz database)."""
    plan = examples.watering(moisture=None, fixed=p.FixedTimes(times=[time(19, 30)], clock=clock), fallback=None)
    hydrated_ms = examples.START_UTC_MS + 60 * 24 * H
    into_h = utc_hour + 0.5 - 8
    state = examples.growing(hydrated_utc_ms=hydrated_ms, run_ms=round(into_h * H))

    assert watering.current_slot(state, plan) == watering.Slot(0, 0)


@pytest.mark.guards("H9", "host", "ef8570cc")
def test_a_dose_of_known_steps_has_the_calibrations_uncertainty_only():
    """JCGM 100:2008, 5.1.2: a product of steps and factor, u = steps x u(factor)."""
    volume_ml, uncertainty_ml, most_ml = watering.volume_of(2400, 2400, examples.intent())

    assert (volume_ml, most_ml) == pytest.approx((12.0, 12.0))
    assert uncertainty_ml == pytest.approx(2400 * 0.00004)


def test_a_lost_count_is_half_the_dose_with_the_width_of_a_rectangle_and_counts_in_full():
    """JCGM 100:2008, 4.3.7: a rectangular distribution of half-width a has u = a / sqrt(3)."""
    volume_ml, uncertainty_ml, most_ml = watering.volume_of(0, 2400, examples.intent())

    assert (volume_ml, most_ml) == pytest.approx((6.0, 12.0))
    assert uncertainty_ml == pytest.approx(((1200 * 0.00004) ** 2 + (6.0 / 3**0.5) ** 2) ** 0.5)


def told(state, steps_min=2400, steps_max=2400, reason="complete"):
    """The state after the board's account of its open dose."""
    account = dose_life.Told(steps_min, steps_max, reason)
    return dose_life.happened(state, dose_life.TOLD, examples.SETTINGS, account)[0]


def judged_effect(state):
    return remembered(state, watering.effect_seen(state, examples.SETTINGS), examples.SETTINGS)


def test_a_dose_is_followed_by_a_look_at_what_it_did():
    state = told(examples.growing(**examples.open_dose(dose_life.TURNING, before_fraction=0.23)))

    assert state.open_dose is None
    assert state.watering_given_ml == 12.0
    assert state.effect_check is not None
    assert state.effect_check.rise_expected_fraction == pytest.approx(12 / 990)


@pytest.mark.guards("H2", "host", "7669e252")
@pytest.mark.guards("H9", "host", "ef8570cc")
@pytest.mark.parametrize(("rise_share", "missed"), [(0.19, 1), (0.21, 0)])
def test_a_dose_that_raises_the_moisture_by_less_than_a_fifth_did_nothing(rise_share, missed):
    state = examples.growing(effect_check=examples.awaited(0, 0.24, 0.05))
    state = examples.with_moisture(state, 0.24 + rise_share * 0.05)

    state = judged_effect(state)

    assert state.effects_missed == missed
    assert state.effect_check is None


def test_an_effect_is_not_judged_before_its_time_nor_by_untrusted_moisture():
    early = examples.growing(effect_check=examples.awaited(10**12, 0.24, 0.05))
    blind = examples.growing(effect_check=examples.awaited(0, 0.24, 0.05), moisture=m.Channel(), run_ms=0)

    assert watering.effect_seen(early, examples.SETTINGS) is None
    assert watering.effect_seen(blind, examples.SETTINGS) is None
    given_up = blind.but(run_ms=watering.EFFECT_AFTER_MS)
    assert watering.effect_seen(given_up, examples.SETTINGS).effect == m.UNKNOWN
    assert judged_effect(given_up).effects_missed == 0
    assert judged_effect(given_up).effect_check is None


def test_a_dose_that_raises_the_moisture_by_exactly_a_fifth_reached_the_probe():
    state = examples.with_moisture(examples.growing(), 0.25)
    content = watering.water_content_fraction(state, examples.SETTINGS)
    expected = content * 5
    assert watering.EFFECT_SHARE_MIN * expected == content, "exact in floating point, so this is the edge itself"

    for rise_expected, missed in ((expected, 0), (nextafter(expected, inf), 1)):
        check = examples.awaited(0, 0.0, rise_expected)
        assert judged_effect(state.but(effect_check=check)).effects_missed == missed


# -- the edges of every bound ----


@pytest.mark.guards("H1", "host", "830e5870")
@pytest.mark.parametrize(
    ("bound_ml", "purpose", "changes", "reason"),
    [
        (300.0, m.FIRST_WETTING, {}, "chamber_daily_limit"),
        (60.0, m.CALIBRATION, {}, "chamber_dose_limit"),
        (12.0, m.MOISTURE_LED, {"total_cap_ml": 12.0}, "total_cap"),
        (12.0, m.MOISTURE_LED, {"daily_cap_ml": 12.0}, "daily_cap"),
        (12.0, m.MOISTURE_LED, {"weekly_cap_ml": 12.0}, "weekly_cap"),
    ],
)
def test_every_budget_is_given_in_full_and_not_a_thousandth_more(bound_ml, purpose, changes, reason):
    """Sums of doses carry rounding errors, so each bound has a billionth of a millilitre of slack and no more."""
    settings = examples.watering(**changes)
    edge_ml = bound_ml + 1e-9
    found = {
        volume_ml: may(examples.growing(), want(volume_ml, purpose), settings)
        for volume_ml in (bound_ml, edge_ml, nextafter(edge_ml, inf), bound_ml + 0.001)
    }
    assert list(found.values()) == ["", "", reason, reason]


@pytest.mark.parametrize(("now_ms", "reason"), [(-1, "refused:busy"), (0, ""), (1, "")])
def test_a_board_that_refused_is_left_in_peace_until_the_very_moment(now_ms, reason):
    state = examples.growing()
    held = state.but(hold_until_ms=state.now.monotonic_ms - now_ms, hold_reason="refused:busy")
    assert watering.board_reason(held, examples.SETTINGS) == reason


@pytest.mark.parametrize(("since_ms", "reason"), [(59_999, "pausing"), (60_000, ""), (60_001, "")])
def test_the_pause_between_aliquots_is_kept_to_the_millisecond(since_ms, reason):
    state = examples.growing(phase=m.WETTING, run_ms=10 * H, last_dose_run_ms=10 * H - since_ms)
    aliquot = watering.Wanted(m.FIRST_WETTING, 50.0)

    assert watering.may_dose(state, examples.SETTINGS, aliquot) == reason


@pytest.mark.parametrize(("left_ml", "steps"), [(0.002, 0), (0.005, 1), (0.0099, 2), (0.01, 2)])
def test_an_aliquot_of_at_least_one_step_is_wanted_and_a_smaller_rest_is_not(left_ml, steps):
    state = examples.growing(phase=m.WETTING, first_wetting_given_ml=210.0 - left_ml)
    wanted = watering.wanted_dose(state, examples.SETTINGS)

    assert wanted == (watering.Wanted(m.FIRST_WETTING, pytest.approx(left_ml)) if steps else None)


def test_the_first_wetting_does_not_count_against_the_days_watering():
    state = examples.growing(given_lately=(examples.given(431_000_000, 59.0, m.FIRST_WETTING),))
    dose = watering.Wanted(m.MOISTURE_LED, 12.0)

    assert watering.may_dose(state, examples.SETTINGS, dose) == ""
    counted = state.but(given_lately=(examples.given(431_000_000, 59.0, m.MOISTURE_LED),))
    assert watering.may_dose(counted, examples.SETTINGS, dose) == "daily_cap"


def test_moisture_that_is_lost_ends_the_thirst_and_begins_to_count_the_time():
    state = examples.growing(thirsty=True, moisture=m.Channel())
    after = watering.with_thirst(state, examples.SETTINGS)

    assert (after.thirsty, after.moisture_untrusted_since_run_ms) == (False, state.run_ms)
    assert (
        watering.with_thirst(after.but(run_ms=after.run_ms + 1), examples.SETTINGS).moisture_untrusted_since_run_ms
        == state.run_ms
    )


def test_moisture_that_comes_back_is_trusted_again_whether_thirsty_or_not():
    for content, thirsty in ((0.30, False), (0.20, True)):
        state = examples.with_moisture(examples.growing(), content).but(moisture_untrusted_since_run_ms=5)
        after = watering.with_thirst(state, examples.SETTINGS)
        assert (after.thirsty, after.moisture_untrusted_since_run_ms) == (thirsty, None)


def test_moisture_that_says_nothing_new_changes_nothing():
    state = examples.with_moisture(examples.growing(thirsty=False), 0.30)
    assert watering.with_thirst(state, examples.SETTINGS) is state


def test_at_the_thresholds_themselves_there_is_no_thirst():
    low, high = 0.24, 0.28
    probe = examples.CHAMBER.moisture_probe
    for content, thirsty_before in ((low, False), (high, True)):
        state = examples.with_moisture(examples.growing(thirsty=thirsty_before), content)
        counts = examples.counts_for(content)
        plan = examples.watering(
            moisture=p.MoistureLed(
                low_fraction=probe.water_content_fraction(counts) if content == low else 0.1,
                high_fraction=probe.water_content_fraction(counts) if content == high else 0.4,
            )
        )
        assert not watering.with_thirst(state, plan).thirsty


def test_a_push_rate_of_whole_steps_is_used_in_full():
    """24 ml/min at 0.005 ml a step is 80 steps/s exactly."""
    plan = examples.settings(first_wetting=replace(examples.PLAN.first_wetting, push_rate_max_ml_per_min=24.0))
    assert watering.pump_rate_steps_per_s(plan, m.FIRST_WETTING) == 80


def closed_dose(**changes):
    fields = {
        "at": examples.moment(), "dose_id": 6, "steps_min": 2400, "steps_max": 2400, "end_reason": "complete",
        "volume_ml": 12.0, "volume_standard_uncertainty_ml": 0.1, "volume_max_ml": 12.0,
        "run_ms": examples.growing().run_ms,
    }  # fmt: skip
    return m.DoseClosed(**{**fields, **changes})


def after(dose_changes=None, state_changes=None, **closed_changes):
    """A state with an open dose that began a minute ago, and the state that remembers how it was closed."""
    began = {"run_ms": examples.growing().run_ms - 60_000, **(dose_changes or {})}
    state = examples.growing(open_dose=examples.intent(**began), **(state_changes or {}))
    return state, remembered(state, closed_dose(**closed_changes), examples.SETTINGS)


def given_of(state, purpose, began_run_ms):
    """The example's 12 ml that ended now."""
    return examples.given(state.run_ms, 12.0, purpose, began_run_ms)._replace(dose_id=6)


def test_a_dose_counts_for_the_day_for_the_run_and_for_the_rest():
    before, state = after()

    assert (state.open_dose, state.dose_life) == (None, None)
    assert state.given_lately == (given_of(before, m.MOISTURE_LED, before.run_ms - 60_000),)
    assert state.watering_given_ml == before.watering_given_ml + 12.0
    assert state.first_wetting_given_ml == before.first_wetting_given_ml
    assert (state.last_dose_run_ms, state.last_dose_began_run_ms) == (before.run_ms, before.run_ms - 60_000)
    assert state.turned_total_steps == before.turned_total_steps + 2400


def effect_of(dose, before_fraction=0.22, **closed_changes):
    return watering.effect_to_see(dose, closed_dose(**closed_changes), before_fraction, examples.SETTINGS)


def test_the_effect_of_a_dose_is_looked_for_half_an_hour_after_its_end():
    bed_ml = examples.PLAN.medium.bed_volume_ml
    ended_run_ms = examples.growing().run_ms
    effect = effect_of(examples.intent())
    assert (effect.dose_id, effect.effect) == (examples.intent().dose_id, m.AWAITED)
    assert (effect.due_run_ms, effect.moisture_before_fraction) == (ended_run_ms + 30 * 60_000, 0.22)
    assert effect.rise_expected_fraction == 12.0 / bed_ml


@pytest.mark.parametrize(("rise", "judged"), [(0.0039, False), (0.004, True), (0.0041, True)])
def test_an_effect_too_small_for_a_probe_is_not_judged(rise, judged):
    bed_ml = examples.PLAN.medium.bed_volume_ml

    assert (effect_of(examples.intent(volume_ml=rise * bed_ml)) is not None) == judged
    assert watering.EFFECT_RISE_MIN_FRACTION == 0.004


@pytest.mark.parametrize(
    ("purpose", "judged"),
    [
        (m.MOISTURE_LED, True),
        (m.FIXED_TIME, True),
        (m.FALLBACK, False),
        (m.FIRST_WETTING, False),
        (m.CALIBRATION, False),
        (m.ELSEWHERE, False),
    ],
)
def test_the_effect_of_doses_for_plants_with_a_trusted_probe_is_judged_and_no_others(purpose, judged):
    assert (effect_of(examples.intent(purpose=purpose)) is not None) == judged


def test_an_aliquot_counts_for_the_first_wetting():
    before, state = after({"purpose": m.FIRST_WETTING})

    assert state.given_lately == (given_of(before, m.FIRST_WETTING, before.run_ms - 60_000),)
    assert state.first_wetting_given_ml == before.first_wetting_given_ml + 12.0
    assert state.watering_given_ml == before.watering_given_ml


def test_a_portion_into_a_jug_counts_for_the_day_and_not_for_the_plants():
    before, state = after({"purpose": m.CALIBRATION})

    assert state.given_lately == (given_of(before, m.CALIBRATION, before.run_ms - 60_000),)
    assert state.first_wetting_given_ml == before.first_wetting_given_ml
    assert state.watering_given_ml == before.watering_given_ml
    assert state.last_dose_run_ms == before.run_ms


@pytest.mark.parametrize(
    ("before_fraction", "reason"),
    [(None, "complete"), (0.22, "stopped")],
    ids=["moisture was not trusted", "not given in full"],
)
def test_what_cannot_be_judged_leaves_the_last_check_as_it_was(before_fraction, reason):
    check = examples.awaited(1, 0.2, 0.1)
    dosing = examples.open_dose(dose_life.TURNING, before_fraction=before_fraction)
    steps = 2400 if reason == "complete" else 2399
    state = told(examples.growing(**dosing, effect_check=check), steps_min=steps, steps_max=steps, reason=reason)
    assert state.effect_check == check


def test_a_dose_that_may_have_been_whole_is_judged_as_a_whole_one():
    effect = effect_of(examples.intent(), steps_min=0, steps_max=2400, end_reason="board_restarted")
    assert effect.rise_expected_fraction == examples.intent().volume_ml / examples.PLAN.medium.bed_volume_ml


@pytest.mark.parametrize(("sample_every_s", "after_s"), [(10, 1800), (300, 1800), (900, 5400), (3600, 21_600)])
def test_the_effect_is_looked_for_when_the_readings_since_the_dose_can_tell(sample_every_s, after_s):
    settings = examples.settings(sample_every_s=sample_every_s)
    effect = watering.effect_to_see(examples.intent(), closed_dose(), 0.22, settings)
    assert effect.due_run_ms == closed_dose().run_ms + after_s * 1000


def test_a_dose_of_nothing_is_no_dose():
    earlier = {"last_dose_run_ms": 77, "last_dose_began_run_ms": 76}
    before, state = after(state_changes=earlier, steps_min=0, steps_max=0, volume_ml=0.0,
                          volume_max_ml=0.0, end_reason="stopped")  # fmt: skip
    assert state.given_lately == ()
    assert (state.last_dose_run_ms, state.last_dose_began_run_ms) == (77, 76)
    assert before.run_ms != 77


@pytest.mark.guards("H1", "host", "830e5870")
@pytest.mark.parametrize(("long_ms", "counted_ms"), [(299_999, 299_999), (300_000, 300_000), (300_001, 300_000)])
def test_a_dose_began_no_longer_ago_than_a_board_lets_any_run(long_ms, counted_ms):
    """Trusted time may have moved the run clock on while the dose was under way."""
    before, state = after({"run_ms": examples.growing().run_ms - long_ms})

    assert state.given_lately[0].began_run_ms == state.last_dose_began_run_ms == before.run_ms - counted_ms


def test_a_week_of_water_and_an_hour_is_kept_and_what_is_older_forgotten():
    run_ms = examples.growing().run_ms + 8 * m.MS_PER_DAY
    old = tuple(examples.given(run_ms - watering.KEPT_MS + ms, 1.0, m.MOISTURE_LED) for ms in (-1, 0, 1))
    _, state = after({"run_ms": run_ms}, {"given_lately": old, "run_ms": run_ms}, run_ms=run_ms)
    assert [given.run_ms for given in state.given_lately] == [run_ms - watering.KEPT_MS + 1, run_ms]
    assert max(watering.BOARD_DAY_MS, 7 * m.MS_PER_DAY) <= watering.KEPT_MS


# -- the last word on a dose holds ----


@pytest.mark.guards("H1", "host", "830e5870")
@pytest.mark.parametrize("reason", [m.IN_DOUBT, m.NOT_STARTED])
def test_the_boards_late_word_corrects_every_budget_and_nothing_is_counted_twice(reason):
    steps_before = 2400 if reason == m.IN_DOUBT else 0
    guessed = closed_dose(
        steps_min=0, steps_max=steps_before, volume_max_ml=steps_before * 0.005, end_reason=reason
    )  # fmt: skip
    before = examples.growing(open_dose=examples.intent(run_ms=examples.growing().run_ms - 60_000))
    state = remembered(before, guessed, examples.SETTINGS)
    assert state.watering_given_ml == steps_before * 0.005
    assert [account.closed for account in state.open_accounts] == [guessed]

    later = state.but(run_ms=state.run_ms + H)
    word = closed_dose(steps_min=1000, steps_max=1000, volume_max_ml=5.0, run_ms=later.run_ms)
    after, _ = noted(later, word, examples.SETTINGS)

    assert after.open_accounts == ()
    assert after.watering_given_ml == pytest.approx(5.0)
    assert after.turned_total_steps == before.turned_total_steps + 1000
    (given,) = after.given_lately
    assert (given.volume_max_ml, given.run_ms) == (5.0, before.run_ms), "it ended when it ended, not when it was told"
    assert (after.last_dose_run_ms, after.last_dose_began_run_ms) == (before.run_ms, before.run_ms - 60_000)


@pytest.mark.parametrize(("early_ms", "judged"), [(1, False), (0, True), (-1, True)])
def test_the_effect_is_judged_at_its_very_moment(early_ms, judged):
    state = examples.growing()
    state = state.but(effect_check=examples.awaited(state.run_ms + early_ms, 0.1, 0.1))
    assert (watering.effect_seen(state, examples.SETTINGS) is not None) == judged
