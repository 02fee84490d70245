"""What stands in each record and each state that the host's law makes, field by field."""

from dataclasses import replace
from datetime import time

import pytest

from controller import plan as p
from controller.control import alarms, dose_life, hands_on, line, photoperiod, run_clock, watering
from controller.control import model as m
from controller.control import step as law
from controller.control.step import step
from tests import examples
from tests.conversation import later, records, sent

SETTINGS = examples.SETTINGS
H = m.MS_PER_H
READING = m.Reading(21.5, 61.0, examples.counts_for(0.30), 2001, 2002, 1003)
FIXED = examples.watering(moisture=None, fixed=p.FixedTimes(times=[time(7, 30), time(19, 30)]), fallback=None)


def sampled(state, reading=READING, **changes):
    at = later(state, 10_000, **changes)
    after, actions = step(state, m.Sampled(at, reading), SETTINGS)
    return at, after, actions


def lit(**changes):
    """A growing state whose lamp is already as it should be."""
    _, state, _ = sampled(examples.growing())
    return state.but(**changes)


# -- the run clock ----


@pytest.mark.parametrize(
    ("changes", "boot_id", "moves"),
    [
        ({}, 1, True),
        ({}, 2, False),
        ({"phase": m.ENDED}, 1, False),
        ({"hydrated_utc_ms": None}, 1, False),
        ({"hydrated_utc_ms": None, "phase": m.PREPARING}, 1, False),
    ],
    ids=["growing", "another life of the program", "ended", "before hydration", "preparing"],
)
def test_the_run_clock_moves_only_between_hydration_and_end_and_within_one_life(changes, boot_id, moves):
    state = examples.growing(run_ms=1000, **changes)
    after, _ = step(state, m.LinkFound(later(state, 500, boot_id=boot_id)), SETTINGS)
    assert after.run_ms == (1500 if moves else 1000)


def test_no_time_is_no_time():
    state = examples.growing()
    for ms in (0, -5):
        after, _ = step(state, m.LinkFound(later(state, ms)), SETTINGS)
        assert after.run_ms == state.run_ms


# -- samples ----


def test_a_sample_is_written_with_everything_that_was_read_and_how_far_it_is_believed():
    state = lit(lamp_duty_fraction=0.6)
    at, after, actions = sampled(state)
    (record,) = [each for each in records(actions) if isinstance(each, m.ReadingRecord)]

    assert record == m.ReadingRecord(
        at, 21.5, 61.0, examples.counts_for(0.30), 2001, 2002, 1003, after.lamp_duty_fraction,
        after.air.quality, after.humidity.quality, after.moisture.quality, state.run_ms + 10_000,
    )  # fmt: skip
    assert (after.reading, after.now, after.run_ms) == (READING, at, state.run_ms + 10_000)
    assert after.air.value == 21.5
    assert after.humidity.value == 61.0
    assert after.moisture.value == examples.counts_for(0.30)
    assert record.air_quality == record.humidity_quality == record.moisture_quality == m.GOOD


def test_each_quality_stands_in_its_own_column():
    state = lit()
    for place, lost in enumerate(("air_temperature_c", "relative_humidity_pct", "moisture_counts")):
        _, _, actions = sampled(state, READING._replace(**{lost: None}))
        (record,) = [each for each in records(actions) if isinstance(each, m.ReadingRecord)]
        qualities = [record.air_quality, record.humidity_quality, record.moisture_quality]
        assert [number for number, quality in enumerate(qualities) if quality == m.MISSING] == [place]


def test_before_hydration_a_reading_has_no_time_of_the_run_and_the_lamp_is_off():
    state = examples.growing(hydrated_utc_ms=None, phase=m.PREPARING, run_ms=0)
    _, after, actions = sampled(state)
    (record,) = [each for each in records(actions) if isinstance(each, m.ReadingRecord)]

    assert record.run_ms is None
    assert record.lamp_duty_fraction == 0.0
    assert after.lamp_duty_fraction == 0.0


def test_each_channel_is_judged_by_its_own_bounds():
    """60 is no temperature to jump to, 30 percent no humidity to fall to, and 700 counts are a step of the probe."""
    state = lit()
    _, after, _ = sampled(state, READING._replace(air_temperature_c=26.0))
    assert after.air.cause == "jumped"
    _, after, _ = sampled(state, READING._replace(relative_humidity_pct=35.0))
    assert after.humidity.cause == "jumped"
    _, after, _ = sampled(state, READING._replace(moisture_counts=READING.moisture_counts + 701))
    assert after.moisture.cause == "jumped"


def test_stopping_and_light_come_before_any_record_and_the_rest_keeps_its_order():
    state = examples.growing(**examples.open_dose(dose_life.TURNING))
    _, _, actions = sampled(state, READING._replace(local_leak_wet=True, local_float_up=True))

    assert [type(action).__name__ for action in actions[:3]] == ["SendToBoard", "SetLamp", "SetStatusLamp"]
    assert actions[0] == m.SendToBoard("stop", (examples.SESSION, 8, 6)), "once, whatever the number of trips"
    first_record = next(number for number, action in enumerate(actions) if isinstance(action, m.Append))
    assert all(isinstance(action, m.Append) for action in actions[first_record:])
    assert [type(each).__name__ for each in records(actions)][:4] == [
        "TripRecord", "TripRecord", "LampRecord", "ReadingRecord"
    ]  # fmt: skip


def test_both_of_the_hosts_probes_and_the_heat_trip_in_one_sample():
    state = lit(hot_samples=law.HOT_SAMPLES - 1, air=m.Channel(40.0, m.GOOD, "", 0, 40.0, 0, (40.0,) * 5))
    at, after, actions = sampled(
        state, READING._replace(air_temperature_c=40.5, local_leak_wet=True, local_float_up=True)
    )
    reasons = ["leak_wet", "overfill_float_up", m.AIR_TOO_HOT]

    assert after.trips == tuple((reason, m.ON_HOST) for reason in reasons)
    trips = [each for each in records(actions) if isinstance(each, m.TripRecord)]
    assert trips == [m.TripRecord(at, reason, m.ON_HOST, 0) for reason in reasons]
    assert not any(isinstance(action, m.SendToBoard) for action in actions), "no dose, so nothing to stop"


# -- the lamp ----


def test_a_new_level_of_light_is_set_and_written():
    state = lit(lamp_duty_fraction=0.1)
    at, after, actions = sampled(state)

    assert after.lamp_duty_fraction == 0.6, "180 of 300 umol/m2/s, two hours after the start of light"
    assert m.SetLamp(0.6) in actions
    assert m.LampRecord(at, 0.6) in records(actions)


@pytest.mark.parametrize("hot_samples", [law.HOT_SAMPLES - 1, law.HOT_SAMPLES])
def test_heat_alone_or_its_trip_alone_puts_the_lamp_out(hot_samples):
    hot = m.Channel(40.0, m.GOOD, "", 0, 40.0, 0, (40.0,) * 5)
    warm = READING._replace(air_temperature_c=40.1)
    _, after, _ = sampled(lit(hot_samples=hot_samples - 1, air=hot), warm)
    assert (after.lamp_duty_fraction == 0.0) == (hot_samples >= law.HOT_SAMPLES)
    _, after, _ = sampled(lit(trips=((m.AIR_TOO_HOT, m.ON_HOST),)))
    assert after.lamp_duty_fraction == 0.0


def test_without_records_the_lamp_still_goes_out_at_the_third_hot_sample():
    hot = m.Channel(40.0, m.GOOD, "", 0, 40.0, 0, (40.0,) * 5)
    state = lit(records_failed=True, records_retry_ms=10**12, hot_samples=law.HOT_SAMPLES - 1, air=hot)
    _, after, actions = sampled(state, READING._replace(air_temperature_c=40.1))

    assert after.lamp_duty_fraction == 0.0
    assert actions == [m.SetLamp(0.0)]


def test_light_follows_trusted_utc_and_else_the_time_since_hydration():
    """Twelve hours of difference turn the day into the night."""
    state = examples.growing()
    wrong_ms = state.now.utc_ms + 14 * H
    _, after, _ = sampled(state, utc_ms=wrong_ms)
    assert after.lamp_duty_fraction == 0.0
    _, after, _ = sampled(state, utc_ms=wrong_ms, utc_trusted=False)
    assert after.lamp_duty_fraction == 0.6
    evening = examples.growing(run_ms=14 * H)  # hydrated at 08:05, so 22:05, after the light period
    _, after, _ = sampled(evening, utc_trusted=False)
    assert after.lamp_duty_fraction == 0.0


@pytest.mark.parametrize("job", ["lamp_on", "lamp_off"])
def test_the_lamps_jobs_set_its_level(job):
    state = examples.growing(lamp_duty_fraction=0.2)
    at = later(state)
    after, actions = step(state, m.JobFired(at, job), SETTINGS)

    assert actions == [m.SetLamp(0.6), m.Append(m.LampRecord(at, 0.6))]
    assert after.lamp_duty_fraction == 0.6


def test_the_steps_job_looks_what_fell_due_and_other_jobs_do_nothing():
    state = examples.growing(steps_due=(), steps_done=())
    at = later(state)
    assert step(state, m.JobFired(at, "steps"), SETTINGS) == hands_on.fall_due(
        state.but(now=at, run_ms=state.run_ms + 1000), SETTINGS
    )
    assert records(step(state, m.JobFired(at, "steps"), SETTINGS)[1])
    assert step(state, m.JobFired(at, "parcels"), SETTINGS)[1] == []


# -- alarms and the status lamp ----


def test_an_alarm_is_written_shown_and_kept():
    state = lit(line=m.NO_LINE)
    since_ms = state.now.monotonic_ms - alarms.HOLD_MS
    state = state.but(alarms=(("board_silent", m.AlarmState(since_ms, True, False)),), status_pattern=m.STATUS_STEADY)
    at, after, actions = sampled(state)

    raised = [each for each in records(actions) if isinstance(each, m.AlarmRecord)]
    assert raised == [m.AlarmRecord(at, "board_silent", True, "The board does not answer: its line cannot be opened.")]
    assert dict(after.alarms)["board_silent"].raised
    assert after.status_pattern == m.STATUS_SLOW
    assert actions[0] == m.SetStatusLamp(m.STATUS_SLOW)
    again, still, actions = sampled(after)
    assert not any(isinstance(action, m.SetStatusLamp) for action in actions)
    assert again > at
    assert still.status_pattern == m.STATUS_SLOW


# -- talking, and water ----


@pytest.mark.parametrize("beyond_ms", [-1, 0, 1])
@pytest.mark.parametrize(("state", "patience_ms"), [(line.GREETING, 3_000), (line.LISTENING, 5_000)])
def test_a_board_that_is_not_settled_is_greeted_again_when_its_deadline_has_passed(state, patience_ms, beyond_ms):
    waiting = examples.growing(line=examples.line_that_is(state))
    after, actions = step(waiting, m.Ticked(later(waiting, patience_ms + beyond_ms)), SETTINGS)
    greets = beyond_ms >= 0
    assert [kind for kind, *_ in sent(actions)] == ["hello"] * greets
    assert after.line.hello_number == waiting.line.hello_number + greets
    assert after.line.state == (line.GREETING if greets else state)


@pytest.mark.parametrize(("silent_ms", "greets"), [(149_999, False), (150_000, True)])
def test_a_settled_board_that_says_nothing_for_two_reports_and_a_half_is_greeted_again(silent_ms, greets):
    """At rest the news of a board come once a minute."""
    state = examples.growing()
    after, actions = step(state, m.Ticked(later(state, silent_ms)), SETTINGS)
    assert [kind for kind, *_ in sent(actions)] == ["hello"] * greets
    assert after.line.state == (line.GREETING if greets else line.SETTLED)


def test_a_line_that_is_down_is_greeted_by_nobody():
    state = examples.growing(line=m.NO_LINE)
    assert sent(step(state, m.Ticked(later(state, 10**9)), SETTINGS)[1]) == []


@pytest.mark.parametrize(("waited_ms", "life"), [(9_999, dose_life.ASKED), (10_000, dose_life.STOPPING)])
def test_the_answer_to_a_dose_is_asked_for_until_its_deadline_and_then_the_dose_is_stopped(waited_ms, life):
    state = examples.growing(**examples.open_dose(dose_life.ASKED))
    after, actions = step(state, m.Ticked(later(state, waited_ms)), SETTINGS)
    assert after.dose_life.state == life
    assert sent(actions) == ([("ask",)] if life == dose_life.ASKED else [("stop", 6)])


def test_no_lease_is_renewed_before_a_greeting_was_answered():
    """What is said under the number of a conversation that is over would be heard by nobody."""
    dosing = examples.open_dose(dose_life.TURNING)
    state = examples.growing(**dosing, line=examples.line_that_is(line.GREETING))
    assert sent(step(state, m.Ticked(later(state)), SETTINGS)[1]) == []
    settled = examples.growing(**dosing)
    assert sent(step(settled, m.Ticked(later(settled)), SETTINGS)[1]) == [("renew", 6, 3000)]


@pytest.mark.guards("H3", "host", "6504f7a9")
def test_a_dose_of_an_earlier_life_gets_no_lease_even_once_it_was_judged():
    state = examples.growing(**examples.open_dose(dose_life.STOPPING, session=0, number=0))
    _, actions = step(state, m.Ticked(later(state)), SETTINGS)
    assert sent(actions) == [("stop", 6)]


@pytest.mark.guards("H13", "host", "072f2d46")
@pytest.mark.parametrize(("done", "phase"), [((), m.DRAINING), (("drain-and-weigh",), m.OPENING)])
def test_draining_lasts_until_its_step_is_signed(done, phase):
    state = examples.growing(phase=m.DRAINING, steps_done=done, run_ms=4 * H)
    after, actions = step(state, m.Ticked(later(state)), SETTINGS)
    assert after.phase == phase
    assert not any(isinstance(each, m.DoseIntended) for each in records(actions))


def test_an_intent_holds_everything_that_its_dose_is():
    state = examples.with_moisture(examples.growing(thirsty=True, watering_answer="resting"), 0.22)
    at = later(state)
    after, actions = step(state, m.Ticked(at), SETTINGS)
    answer, intent = records(actions)

    assert answer == m.WateringAnswer(at, "", True)
    assert after.watering_answer == ""
    assert intent == m.DoseIntended(
        at=at, dose_id=6, purpose=m.MOISTURE_LED, volume_ml=2400 * 0.005, dose_steps=2400, steps_per_s=200,
        ml_per_step=0.005, ml_per_step_standard_uncertainty=0.00004, run_ms=state.run_ms + 1000, slot=None,
    )  # fmt: skip
    assert after.open_dose == intent
    assert after.dose_life == m.DoseLife(
        state=dose_life.ASKED, since_ms=at.monotonic_ms, session=examples.SESSION, number=8, taken=False,
        moisture_before_fraction=watering.water_content_fraction(state, SETTINGS),
    )  # fmt: skip
    assert (after.last_dose_id, after.last_slot) == (6, state.last_slot)


def test_an_aliquot_is_intended_at_the_push_rate():
    state = examples.growing(phase=m.WETTING, first_wetting_given_ml=0.0, last_slot=3)
    after, actions = step(state, m.Ticked(later(state)), SETTINGS)
    (intent,) = [each for each in records(actions) if isinstance(each, m.DoseIntended)]
    assert (intent.purpose, intent.steps_per_s, intent.dose_steps) == (m.FIRST_WETTING, 83, 10_000)
    assert after.last_slot == 3


def test_a_dose_of_a_fixed_time_uses_that_time_up():
    state = examples.growing(run_ms=round(11.5 * H))
    after, actions = step(state, m.Ticked(later(state)), FIXED)
    (intent,) = [each for each in records(actions) if isinstance(each, m.DoseIntended)]
    assert (intent.purpose, intent.slot, after.last_slot) == (m.FIXED_TIME, 0, 0)


@pytest.mark.parametrize(("late_ms", "given"), [(2 * H - 1, True), (2 * H, True), (2 * H + 1, False)])
def test_a_fixed_time_missed_by_more_than_its_grace_is_left_out_and_told(late_ms, given):
    came_ms = 11 * H + 25 * 60_000
    state = examples.growing(run_ms=came_ms + late_ms - 1000)
    at = later(state)
    after, actions = step(state, m.Ticked(at), FIXED)

    assert any(isinstance(each, m.DoseIntended) for each in records(actions)) == given
    assert after.last_slot == 0
    missed = m.WateringAnswer(at, "slot_missed", True)
    assert (missed in records(actions)) == (not given)
    again = records(step(after, m.Ticked(later(after)), FIXED)[1])
    assert not any(getattr(each, "reason", "") == "slot_missed" for each in again), "told once"


def test_missed_times_are_for_growing_plants_with_fixed_times_only():
    state = examples.growing(run_ms=20 * H)
    for plan, phase in ((SETTINGS, m.GROWING), (FIXED, m.DRAINING), (FIXED, m.SOAKING), (FIXED, m.ENDED)):
        _, actions = step(state.but(phase=phase), m.Ticked(later(state)), plan)
        assert not any(getattr(each, "reason", "") == "slot_missed" for each in records(actions))


def test_an_effect_missed_earlier_does_not_trip_again_when_nothing_was_judged():
    state = examples.growing(effects_missed=watering.EFFECTS_MISSED_MAX)
    after, actions = step(state, m.Ticked(later(state)), SETTINGS)
    assert after.trips == ()
    assert not any(isinstance(each, m.TripRecord) for each in records(actions))


# -- start, button, line, clock ----


def test_a_start_is_written_and_sets_the_lamp_anew_whatever_it_was():
    state = examples.growing(lamp_duty_fraction=0.6, status_pattern=m.STATUS_FAST)
    at = later(state, boot_id=2)
    after, actions = step(state, m.Started(at, "9.9.9"), SETTINGS)

    assert actions[0] == m.Append(m.BootRecord(at, "9.9.9"))
    assert actions[1] == m.SetLamp(0.6)
    assert after.status_pattern == "", "so that the first sample shows it"
    bright = examples.settings(photoperiod=replace(examples.PLAN.photoperiod, ppfd_umol_m2_s=300))
    assert m.SetLamp(1.0) in step(state, m.Started(at, "9.9.9"), bright)[1]
    dark = examples.growing(hydrated_utc_ms=None, phase=m.PREPARING, lamp_duty_fraction=0.0)
    _, actions = step(dark, m.Started(later(dark), "9.9.9"), SETTINGS)
    assert m.SetLamp(0.0) in actions


def test_a_start_names_the_calibrations_in_use_and_says_nothing_where_none_is_named():
    pump = replace(examples.CHAMBER.pump, calibration_id="pump-0007")
    lamp = replace(examples.CHAMBER.lamp, calibration_id="lamp-0003")
    named = replace(SETTINGS, chamber=replace(examples.CHAMBER, pump=pump, lamp=lamp))
    state = examples.growing()
    at = later(state, boot_id=2)
    boot = m.Append(m.BootRecord(at, "9.9.9"))

    _, actions = step(state, m.Started(at, "9.9.9"), named)
    words = "Calibrations in use: pump-0007, lamp-0003."
    assert actions[:2] == [boot, m.Append(m.EventRecord(at, "calibrations_in_use", words))]
    _, actions = step(state, m.Started(at, "9.9.9"), SETTINGS)
    assert actions[0] == boot
    assert not any(isinstance(each, m.EventRecord) for each in records(actions))


def test_the_button_is_written_down():
    state = examples.growing()
    at = later(state)
    assert step(state, m.ButtonPressed(at), SETTINGS)[1] == [
        m.Append(m.EventRecord(at, "button_pressed", "The acknowledge button was pressed."))
    ]


def test_a_lost_line_is_written_with_its_cause():
    state = examples.growing()
    _, actions = step(state, m.LinkLost(later(state), "unplugged in a test"), SETTINGS)
    assert any("unplugged in a test" in getattr(each, "words", "") for each in records(actions))


def test_a_step_of_the_clock_is_written_with_what_it_did_to_the_run():
    state = examples.growing()
    at = later(state, 1000)
    after, actions = step(state, m.ClockStepped(at, -77), SETTINGS)
    assert records(actions) == [m.ClockRecord(at, -77, after.run_ms)]


@pytest.mark.parametrize(("off_ms", "corrected"), [(-1, False), (0, False), (1, True), (2001, True)])
def test_trusted_utc_moves_the_run_clock_on_and_never_back(off_ms, corrected):
    state = examples.growing(run_clock_placed=False)
    by_utc_ms = state.run_ms + 1000 + off_ms
    at = later(state, 1000, utc_ms=state.hydrated_utc_ms + by_utc_ms)
    after, _ = step(state, m.ClockStepped(at, off_ms), SETTINGS)
    assert after.run_ms == (by_utc_ms if corrected else state.run_ms + 1000)


def claimed(leap_ms, state=None, **changes):
    """The state after trusted UTC claimed that so much more time has passed, and the moment of that claim."""
    state = (state or examples.growing(run_clock_placed=False)).but(**changes)
    at = later(state, 1000, utc_ms=state.hydrated_utc_ms + state.run_ms + 1000 + leap_ms)
    return step(state, m.ClockStepped(at, leap_ms), SETTINGS)[0]


@pytest.mark.guards("H7", "host", "94bb108c")
@pytest.mark.parametrize(
    ("leap_ms", "believed"),
    [
        (run_clock.LEAP_BELIEVED_MS, True),
        (run_clock.LEAP_BELIEVED_MS + 1, False),
        (10 * run_clock.LEAP_BELIEVED_MS, False),
    ],
)
def test_a_clock_that_claims_more_than_a_weekend_is_not_believed_at_once_and_the_light_keeps_its_hours(
    leap_ms, believed
):
    before = examples.growing()
    state = claimed(leap_ms)
    assert state.run_ms == before.run_ms + 1000 + (leap_ms if believed else 0)
    assert (state.clock_doubted_since_ms is None) == believed
    assert ("clock_leaps" in alarms.conditions(state, SETTINGS)) != believed
    _, after, _ = sampled(state, utc_ms=state.now.utc_ms + 15 * H)  # at 23:00
    assert after.lamp_duty_fraction == (0.6 if not believed else 0.0)


@pytest.mark.guards("H7", "host", "94bb108c")
def test_no_clock_ends_a_run_at_once():
    length_ms = examples.PLAN.length_days * m.MS_PER_DAY
    state = claimed(2000, run_ms=length_ms - 2001)
    assert (state.run_ms, state.clock_doubted_since_ms) == (length_ms - 1001, state.now.monotonic_ms)


@pytest.mark.parametrize(("beyond_ms", "believed"), [(-1, False), (0, True)])
def test_a_clock_that_stands_by_its_claim_for_six_hours_is_believed_and_that_is_written(beyond_ms, believed):
    leap_ms = 3 * m.MS_PER_DAY
    state = claimed(leap_ms)
    waited_ms = run_clock.LEAP_PROVEN_AFTER_MS + beyond_ms
    after, actions = step(state, m.Ticked(later(state, waited_ms)), SETTINGS)
    assert after.run_ms == state.run_ms + waited_ms + (leap_ms if believed else 0)
    written = [each for each in records(actions) if isinstance(each, m.ClockRecord)]
    assert written == ([m.ClockRecord(after.now, 0, after.run_ms)] if believed else [])


def test_a_clock_that_takes_its_claim_back_leaves_the_run_clock_where_it_was():
    state = claimed(3 * m.MS_PER_DAY)
    back = later(state, 1000, utc_ms=state.hydrated_utc_ms + state.run_ms + 1000)
    after, _ = step(state, m.Ticked(back), SETTINGS)
    assert (after.run_ms, after.clock_doubted_since_ms) == (state.run_ms + 1000, None)


@pytest.mark.parametrize("placed", [False, True])
def test_the_run_clock_is_never_set_back_and_placed_by_utc_once_a_boot(placed):
    state = examples.growing(run_clock_placed=placed)
    at = later(state, 1000, utc_ms=state.hydrated_utc_ms - 5000)
    after, _ = step(state, m.ClockStepped(at, -5000), SETTINGS)
    assert (after.run_ms, after.run_clock_placed) == (state.run_ms + 1000, True)
    ahead = later(state, 1000, utc_ms=state.hydrated_utc_ms + state.run_ms + H)
    after, _ = step(state, m.ClockStepped(ahead, H), SETTINGS)
    assert after.run_ms == state.run_ms + (1000 if placed else H)


def test_network_time_that_comes_late_places_the_light_on_the_chambers_clock():
    local = examples.settings(photoperiod=replace(examples.PLAN.photoperiod, clock="local"))
    state = examples.growing(hydrated_utc_ms=0, hydrated_utc_trusted=False, light_anchor_utc_ms=1)
    at = later(state, 1000)
    after, _ = step(state, m.ClockStepped(at, 10**12), local)
    assert after.light_anchor_utc_ms == photoperiod.light_anchor_utc_ms(
        local.plan.photoperiod, at.utc_ms - after.run_ms, "Atlantic/Faroe"
    )


# -- records that fail ----


def failed(state, ms=1000):
    return m.AppendFailed(later(state, ms), m.EventRecord(state.now, "x", "y"), "disk full")


def test_records_that_fail_are_shown_remembered_and_tried_again_in_a_minute():
    state = lit(status_pattern=m.STATUS_STEADY)
    at_ms = state.now.monotonic_ms + 1000
    after, actions = step(state, failed(state), SETTINGS)

    assert actions == [m.SetStatusLamp(m.STATUS_FAST)], "no dose is open, so there is nothing to stop"
    assert (after.records_failed, after.status_pattern) == (True, m.STATUS_FAST)
    assert alarms.held_back(after, SETTINGS)[0] == "records_failed"
    assert (after.records_failed_since_ms, after.records_retry_ms) == (at_ms, at_ms + law.RECORDS_RETRY_MS)
    again, actions = step(after, failed(after, 60_000), SETTINGS)
    assert actions == []
    assert again.records_failed_since_ms == at_ms
    assert again.records_retry_ms == at_ms + 60_000 + law.RECORDS_RETRY_MS


def test_when_records_can_be_written_again_the_gap_is_told_in_words():
    state = lit()
    state, _ = step(state, failed(state), SETTINGS)
    at = later(state, round(1.5 * H))
    after, actions = step(state, m.Ticked(at), SETTINGS)

    assert records(actions) == [
        m.EventRecord(
            at, "records_resumed", "Records can be written again; between the last row and this one nothing was kept."
        ),
        m.AlarmRecord(
            at, "records_failed", True, "Records could not be written for 1.5 h; no water meanwhile. Cause: disk full."
        ),
        m.AlarmRecord(at, "records_failed", False, "Records can be written again."),
    ]
    assert [action.kind for action in actions if isinstance(action, m.SendToBoard)] == ["hello"]
    assert (after.records_failed, after.line.state, after.lamp_duty_fraction) == (False, line.GREETING, None)


def test_a_line_that_comes_and_goes_without_records_is_remembered():
    state = lit(records_failed=True, records_retry_ms=10**12)
    lost, actions = step(state, m.LinkLost(later(state), "pulled"), SETTINGS)
    assert (lost.line.state, actions) == (line.DOWN, [])
    found, actions = step(lost, m.LinkFound(later(lost)), SETTINGS)
    assert (found.line.state, actions) == (line.GREETING, [])


def test_records_that_fail_again_keep_their_first_cause_until_they_can_be_written():
    state, _ = step(lit(), failed(lit()), SETTINGS)
    again = m.AppendFailed(later(state, 60_000), m.EventRecord(state.now, "x", "y"), "read-only file system")
    state, _ = step(state, again, SETTINGS)
    assert state.records_failed_words == "disk full"

    state, _ = step(state, m.Ticked(later(state, 60_000)), SETTINGS)
    state, _ = step(state, again._replace(at=later(state)), SETTINGS)
    assert state.records_failed_words == "read-only file system"


def test_a_start_that_could_not_be_written_is_written_first_of_all_and_once():
    boot = m.BootRecord(lit().now, "9.9.9")
    state, _ = step(lit(), m.AppendFailed(later(lit()), boot, "disk full", unwritten=(boot,)), SETTINGS)
    state, _ = step(state, failed(state), SETTINGS)
    assert state.unwritten == (boot,)

    state, actions = step(state, m.Ticked(later(state, 60_000)), SETTINGS)
    assert records(actions)[0] == boot
    assert [type(each).__name__ for each in records(actions)].count("BootRecord") == 1
    state, _ = step(state, failed(state), SETTINGS)
    _, actions = step(state, m.Ticked(later(state, 60_000)), SETTINGS)
    assert not any(isinstance(each, m.BootRecord) for each in records(actions))
