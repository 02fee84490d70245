"""The one function that decides: ``step(state, event, settings) -> (state, actions)``.

The runner carries the actions out in order and stops at the first Append that fails; then it drops the new state,
keeps the old one, and tells ``step`` with AppendFailed. So nothing is ever acted on, or remembered, unrecorded.
"""

from controller.control import alarms, board_talk, hands_on, photoperiod, sensing, watering
from controller.control import model as m
from controller.plan import Settings

Decision = tuple[m.State, list[m.Action]]

HOT_SAMPLES = 3  # believed heat in this many samples running turns the lamp off
HELLO_EVERY_MS = 3_000
LEASE_MS = 3_000
RECORDS_RETRY_MS = 60_000
CLOCK_TOLERANCE_MS = 2_000


def step(state: m.State, event: m.Event, settings: Settings) -> Decision:
    """What the host does about one event. Pure: time and everything else arrive inside the event."""
    at = event.at
    run_ms = state.run_ms
    if state.hydrated_utc_ms is not None and state.phase != m.ENDED and at.boot_id == state.now.boot_id:
        run_ms += max(0, at.monotonic_ms - state.now.monotonic_ms)
    if isinstance(event, m.Sampled) and not state.records_failed:
        return _sampled(state, at, run_ms, event.reading, settings)
    state = state.but(now=at, run_ms=run_ms)
    if isinstance(event, m.AppendFailed):
        return _append_failed(state, event)
    if state.records_failed:
        return _unrecorded(state, event, settings)
    if isinstance(event, m.Ticked):
        return _ticked(state, settings)
    if isinstance(event, m.BoardReported):
        return board_talk.reported(state, event.message, settings)
    if isinstance(event, m.JobFired):
        return _job_fired(state, event.job, settings)
    if isinstance(event, m.LinkFound):
        return board_talk.link_found(state)
    if isinstance(event, m.LinkLost):
        return board_talk.link_lost(state, event.detail)
    if isinstance(event, m.ClockStepped):
        return _clock_stepped(state, event.difference_ms, settings)
    if isinstance(event, m.RequestMade):
        return hands_on.requested(state, event.request, settings)
    if isinstance(event, m.ButtonPressed):
        return state, [m.Append(m.EventRecord(at, "button_pressed", "The acknowledge button was pressed."))]
    assert isinstance(event, m.Started)
    state, actions = _started(state, event.software_version, settings)
    return state, [*actions, *(m.Append(m.EventRecord(at, name, words)) for name, words in event.notes)]


# -- samples ----


def _sensed(state: m.State, at: m.Moment, run_ms: int, reading: m.Reading, settings: Settings) -> m.State:
    at_ms = at.monotonic_ms
    air = sensing.judge(state.air, reading.air_temperature_c, at_ms, sensing.AIR_TEMPERATURE_C)
    hot = air.quality == m.GOOD and air.value is not None and air.value > settings.plan.climate.lamp_off_above_c
    return state.but(
        now=at,
        run_ms=run_ms,
        reading=reading,
        air=air,
        hot_samples=state.hot_samples + 1 if hot else 0,
        humidity=sensing.judge_beside(
            air, state.humidity, reading.relative_humidity_pct, at_ms, sensing.RELATIVE_HUMIDITY_PCT
        ),
        moisture=sensing.judge(state.moisture, reading.moisture_counts, at_ms, sensing.MOISTURE_COUNTS),
    )


def _sampled(state: m.State, at: m.Moment, run_ms: int, reading: m.Reading, settings: Settings) -> Decision:
    state = _sensed(state, at, run_ms, reading, settings)
    state, trips = _host_trips(state, reading)
    state, lamp = _lamp(state, settings)
    state = watering.with_thirst(state, settings)
    record = m.ReadingRecord(
        state.now,
        reading.air_temperature_c,
        reading.relative_humidity_pct,
        reading.moisture_counts,
        reading.leak_counts,
        reading.float_counts,
        reading.reservoir_counts,
        state.lamp_duty_fraction or 0.0,
        state.air.quality,
        state.humidity.quality,
        state.moisture.quality,
        None if state.hydrated_utc_ms is None else state.run_ms,
    )
    state, told = _told(state, settings)
    return state, _safe_first([*trips, *lamp, m.Append(record), *told])


def _safe_first(actions: list[m.Action]) -> list[m.Action]:
    """Stopping water and setting the lamp wait for no record: those actions first, then the records."""
    return sorted(actions, key=lambda action: isinstance(action, m.Append))


def _host_trips(state: m.State, reading: m.Reading) -> Decision:
    """Trips from the second pair of probes and from heat."""
    reasons: list[str] = []
    if reading.local_leak_wet:
        reasons.append("leak_wet")
    if reading.local_float_up:
        reasons.append("overfill_float_up")
    if state.hot_samples >= HOT_SAMPLES:
        reasons.append(m.AIR_TOO_HOT)
    actions: list[m.Action] = []
    for reason in reasons:
        state, tripped = trip(state, reason)
        actions += tripped
    return state, actions


def trip(state: m.State, reason: str) -> Decision:
    """Latch a trip of the host, once; the pump is told to stop before anything else."""
    if (reason, m.ON_HOST) in state.trips:
        return state, []
    state = state.but(trips=(*state.trips, (reason, m.ON_HOST)))
    stop: list[m.Action] = [m.SendToBoard("stop")] if state.open_dose is not None else []
    return state, [*stop, m.Append(m.TripRecord(state.now, reason, m.ON_HOST, 0))]


def _lamp(state: m.State, settings: Settings) -> Decision:
    """Set the lamp to the level of this moment."""
    duty = 0.0
    too_hot = state.hot_samples >= HOT_SAMPLES or (m.AIR_TOO_HOT, m.ON_HOST) in state.trips
    if state.hydrated_utc_ms is not None and state.phase != m.ENDED and not too_hot:
        at_utc_ms = state.now.utc_ms if state.now.utc_trusted else state.hydrated_utc_ms + state.run_ms
        duty = photoperiod.duty_fraction(
            settings.plan.photoperiod, settings.lamp_duty_fraction, at_utc_ms, state.light_anchor_utc_ms
        )
    if duty == state.lamp_duty_fraction:
        return state, []
    state = state.but(lamp_duty_fraction=duty)
    return state, [m.SetLamp(duty), m.Append(m.LampRecord(state.now, duty))]


def _told(state: m.State, settings: Settings) -> Decision:
    """Raise and end alarms, and set the status lamp."""
    standing, records = alarms.judge(state.alarms, alarms.conditions(state, settings), state.now)
    if standing is not state.alarms:
        state = state.but(alarms=standing)
    actions: list[m.Action] = [m.Append(record) for record in records]
    pattern = alarms.status_pattern(state)
    if pattern != state.status_pattern:
        state = state.but(status_pattern=pattern)
        actions.append(m.SetStatusLamp(pattern))
    return state, actions


# -- ticks: phases and water ----


def _ticked(state: m.State, settings: Settings) -> Decision:
    state, spoken = _keep_talking(state)
    if state.open_dose is not None:
        return state, spoken
    state, phased = hands_on.phase_after(state, settings)
    if phased:
        return state, [*phased, *spoken]
    before = state.effects_missed
    state = watering.judge_effect(state, settings)
    if before < state.effects_missed == watering.EFFECTS_MISSED_MAX:
        state, tripped = trip(state, m.DOSE_WITHOUT_EFFECT)
        return state, [*tripped, *spoken]
    state, dosed = _water(state, settings)
    return state, [*dosed, *spoken]


def _keep_talking(state: m.State) -> Decision:
    """Renew the lease of the dose under way, and greet a board that has not answered yet."""
    actions: list[m.Action] = []
    if not state.link_up:
        return state, actions
    dose = state.open_dose
    if dose is not None and dose.judged and not dose.inherited:
        actions.append(m.SendToBoard("renew", (dose.dose_id, LEASE_MS)))
    waiting = not state.greeted or state.reconciling or (dose is not None and not dose.judged)
    asked_ms = state.hello_sent_ms if dose is None else max(state.hello_sent_ms, dose.sent_ms)
    silent_ms = state.now.monotonic_ms - asked_ms
    if waiting and silent_ms >= HELLO_EVERY_MS:
        state, hello = board_talk.greet(state)
        actions += hello
    return state, actions


def _water(state: m.State, settings: Settings) -> Decision:
    """Answer whether there is water now; if so, write the intent first and then ask the board."""
    state, missed = _missed_slot(state, settings)
    reason, wanted_at_all = alarms.held_back(state, settings)
    actions: list[m.Action] = [*missed]
    if reason != state.watering_answer:
        state = state.but(watering_answer=reason)
        actions.append(m.Append(m.WateringAnswer(state.now, reason, wanted_at_all)))
    wanted = watering.wanted_dose(state, settings)
    if reason or wanted is None:
        return state, actions
    state, opened = watering.intend(state, settings, wanted, settings.steps_for(wanted.volume_ml))
    return state, [*actions, *opened]


def _missed_slot(state: m.State, settings: Settings) -> Decision:
    """Leave out a fixed watering time that was missed by more than its grace, and say so."""
    if settings.plan.watering.fixed is None or state.phase != m.GROWING:
        return state, []
    slot = watering.current_slot(state, settings)
    if slot.number <= state.last_slot or slot.age_ms <= watering.SLOT_GRACE_MS:
        return state, []
    return state.but(last_slot=slot.number), [m.Append(m.WateringAnswer(state.now, "slot_missed", True))]


# -- everything else ----


def _job_fired(state: m.State, job: str, settings: Settings) -> Decision:
    if job == "steps":
        return hands_on.fall_due(state, settings)
    if job in ("lamp_on", "lamp_off"):
        return _lamp(state, settings)
    return state, []


def _started(state: m.State, software_version: str, settings: Settings) -> Decision:
    boot: list[m.Action] = [m.Append(m.BootRecord(state.now, software_version))]
    if settings.chamber.calibration_ids:
        words = f"Calibrations in use: {', '.join(settings.chamber.calibration_ids)}."
        boot.append(m.Append(m.EventRecord(state.now, "calibrations_in_use", words)))
    state, due = hands_on.fall_due(state.but(lamp_duty_fraction=None, status_pattern=""), settings)
    state, lamp = _lamp(state, settings)
    return state, [*boot, *lamp, *due]


def _clock_stepped(state: m.State, difference_ms: int, settings: Settings) -> Decision:
    """Trusted UTC places the run clock once a boot: it knows how long the power was off. Then elapsed time counts.

    The run clock is never set back, so that no dose comes twice. Untrusted UTC moves nothing but is written down.
    """
    at = state.now
    if state.hydrated_utc_ms is not None and at.utc_trusted:
        by_utc_ms = at.utc_ms - state.hydrated_utc_ms
        if not state.hydrated_utc_trusted:
            anchor_ms = at.utc_ms - state.run_ms
            state = state.but(
                hydrated_utc_ms=anchor_ms,
                hydrated_utc_trusted=True,
                light_anchor_utc_ms=photoperiod.light_anchor_utc_ms(
                    settings.plan.photoperiod, anchor_ms, settings.chamber.site.time_zone
                ),
            )
        elif not state.run_clock_placed and by_utc_ms - state.run_ms > CLOCK_TOLERANCE_MS:
            state = state.but(run_ms=by_utc_ms)
        state = state.but(run_clock_placed=True)
    record = m.ClockRecord(at, difference_ms, state.run_ms)
    return state, [m.Append(record)]


# -- when the records cannot be written ----


def _append_failed(state: m.State, event: m.AppendFailed) -> Decision:
    """Nothing is given that cannot be written down: stop the pump, show it, try again later."""
    actions: list[m.Action] = [m.SendToBoard("stop")] if state.open_dose is not None else []
    if state.status_pattern != m.STATUS_FAST:
        actions.append(m.SetStatusLamp(m.STATUS_FAST))
    state = state.but(
        records_failed=True,
        records_failed_since_ms=state.records_failed_since_ms if state.records_failed else state.now.monotonic_ms,
        records_failed_words=state.records_failed_words if state.records_failed else event.detail,
        unwritten_boot=event.record if isinstance(event.record, m.BootRecord) else state.unwritten_boot,
        records_retry_ms=state.now.monotonic_ms + RECORDS_RETRY_MS,
        status_pattern=m.STATUS_FAST,
        watering_answer="records_failed",
    )
    return state, actions


def _unrecorded(state: m.State, event: m.Event, settings: Settings) -> Decision:
    """Without records: the lamp keeps its hours, the board keeps its own law, water waits."""
    if isinstance(event, m.Sampled):
        state = _sensed(state, state.now, state.run_ms, event.reading, settings)
        state, lamp = _lamp(state, settings)
        return state, [action for action in lamp if isinstance(action, m.SetLamp)]
    if isinstance(event, m.Ticked) and state.now.monotonic_ms >= state.records_retry_ms:
        failed_h = (state.now.monotonic_ms - state.records_failed_since_ms) / m.MS_PER_H
        words = "Records can be written again; between the last row and this one nothing was kept."
        cause = state.records_failed_words
        failed_words = f"Records could not be written for {failed_h:.1f} h; no water meanwhile. Cause: {cause}."
        boot = state.unwritten_boot
        failed = m.AlarmRecord(state.now, "records_failed", True, failed_words)
        over = m.AlarmRecord(state.now, "records_failed", False, "Records can be written again.")
        state = state.but(records_failed=False, reconciling=True, lamp_duty_fraction=None, unwritten_boot=None)
        state, hello = board_talk.greet(state)
        return state, [
            *([] if boot is None else [m.Append(boot)]),
            m.Append(m.EventRecord(state.now, "records_resumed", words)),
            m.Append(failed),
            m.Append(over),
            *hello,
        ]
    if isinstance(event, m.LinkLost):
        return state.but(link_up=False, greeted=False, reconciling=True), []
    if isinstance(event, m.LinkFound):
        return state.but(link_up=True), []
    return state, []
