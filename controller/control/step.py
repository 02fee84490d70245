"""The one function that decides: ``step(state, event, settings) -> (state, actions)``.

The runner carries the actions out in order and stops at the first Append that fails; then it drops the new state,
keeps the old one, and tells ``step`` with AppendFailed. So nothing is ever acted on, or remembered, unrecorded.
"""

from controller.control import (
    alarms,
    asked_clears,
    board_talk,
    dose_life,
    hands_on,
    line,
    photoperiod,
    run_clock,
    sensing,
    trips,
    watering,
)  # fmt: skip
from controller.control import model as m
from controller.control.remember import noted, remembered
from controller.plan import Settings

Decision = tuple[m.State, list[m.Action]]

HOT_SAMPLES = 3  # believed heat in this many samples running turns the lamp off
RECORDS_RETRY_MS = 60_000


def step(state: m.State, event: m.Event, settings: Settings) -> Decision:
    """What the host does about one event. Pure: time and everything else arrive inside the event.

    Whatever it was, from that moment on a dose that anything forbids is stopped.
    """
    before = state
    state, actions = _decided(state, event, settings)
    if state.dose_life is not None or before.dose_life is not None:
        state, stopped = dose_life.obey_the_host(state, settings)
        actions = [*stopped, *actions]
    return state, actions


def _decided(state: m.State, event: m.Event, settings: Settings) -> Decision:
    at = event.at
    run_ms = run_clock.advanced_ms(state, at)
    if isinstance(event, m.Sampled) and not state.records_failed:
        return _sampled(state, at, run_ms, event.reading, settings)
    state = state.but(now=at, run_ms=run_ms)
    if isinstance(event, m.AppendFailed):
        return _append_failed(state, event, settings)
    if isinstance(event, m.Leaving):
        return state.but(leaving=True), []
    if state.records_failed:
        return _unrecorded(state, event, settings)
    if isinstance(event, m.Ticked):
        return _ticked(state, settings)
    if isinstance(event, m.BoardReported):
        return board_talk.reported(state, event.message, settings)
    if isinstance(event, m.JobFired):
        return _job_fired(state, event.job, settings)
    if isinstance(event, m.LinkFound):
        return board_talk.link_found(state, settings)
    if isinstance(event, m.LinkLost):
        return board_talk.link_lost(state, event.detail, settings)
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
    state, tripped = _host_trips(state, reading, settings)
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
    return state, _safe_first([*tripped, *lamp, m.Append(record), *told])


def _safe_first(actions: list[m.Action]) -> list[m.Action]:
    """Stopping water and setting the lamp wait for no record: those actions first, then the records."""
    return sorted(actions, key=lambda action: isinstance(action, m.Append))


def _host_trip_reasons(state: m.State, reading: m.Reading) -> list[str]:
    """Trips that the second pair of probes and heat ask for."""
    reasons: list[str] = []
    if reading.local_leak_wet:
        reasons.append("leak_wet")
    if reading.local_float_up:
        reasons.append("overfill_float_up")
    if state.hot_samples >= HOT_SAMPLES:
        reasons.append(m.AIR_TOO_HOT)
    return reasons


def _host_trips(state: m.State, reading: m.Reading, settings: Settings) -> Decision:
    actions: list[m.Action] = []
    for reason in _host_trip_reasons(state, reading):
        state, tripped = trips.latch(state, reason, settings)
        actions += tripped
    return state, actions


def _lamp(state: m.State, settings: Settings) -> Decision:
    """Set the lamp to the level of this moment."""
    duty = 0.0
    too_hot = state.hot_samples >= HOT_SAMPLES or (m.AIR_TOO_HOT, m.ON_HOST) in state.trips
    if state.hydrated_utc_ms is not None and state.phase != m.ENDED and not too_hot:
        believed = state.now.utc_trusted and state.clock_doubted_since_ms is None
        at_utc_ms = state.now.utc_ms if believed else state.hydrated_utc_ms + state.run_ms
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
    """What is due: to be said to the board, to be answered, to be entered, and last of all to be given."""
    spoken: list[m.Action] = []
    for pass_time in (dose_life.pass_time, board_talk.pass_time, asked_clears.pass_time):
        state, said = pass_time(state, settings)
        spoken += said
    state, clock = run_clock.settle_doubt(state, settings)
    spoken += [m.Append(record) for record in clock]
    state, phased = (state, []) if state.open_dose is not None else hands_on.phase_after(state, settings)
    if phased:
        return state, [*spoken, *phased]
    before = state.effects_missed
    state = watering.judge_effect(state, settings)
    if before < state.effects_missed == watering.EFFECTS_MISSED_MAX:
        state, tripped = trips.latch(state, m.DOSE_WITHOUT_EFFECT, settings)
        return state, [*spoken, *tripped]
    state, dosed = _water(state, settings)
    return state, [*spoken, *dosed]


def _water(state: m.State, settings: Settings) -> Decision:
    """Answer whether there is water now; if so, write the intent first and then ask the board."""
    state, missed = _missed_slot(state, settings)
    reason, wanted_at_all = alarms.held_back(state, settings)
    actions: list[m.Action] = [*missed]
    if reason != state.watering_answer:
        state, answered = noted(state, m.WateringAnswer(state.now, reason, wanted_at_all), settings)
        actions += answered
    wanted = watering.wanted_dose(state, settings)
    if reason or wanted is None:
        return state, actions
    state, opened = dose_life.open_dose(state, settings, wanted, settings.steps_for(wanted.volume_ml))
    return state, [*actions, *opened]


def _missed_slot(state: m.State, settings: Settings) -> Decision:
    """Leave out a fixed watering time that was missed by more than its grace, and say so."""
    if settings.plan.watering.fixed is None or state.phase != m.GROWING:
        return state, []
    slot = watering.current_slot(state, settings)
    if slot.number <= state.last_slot or slot.age_ms <= watering.SLOT_GRACE_MS:
        return state, []
    return noted(state, m.WateringAnswer(state.now, "slot_missed", True), settings)


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
    """Trusted UTC places the run clock once a boot. Untrusted UTC moves nothing but is written down."""
    at = state.now
    if state.hydrated_utc_ms is not None and at.utc_trusted:
        if not state.hydrated_utc_trusted:  # this record places hydration itself
            state = state.but(run_clock_placed=True)
        elif not state.run_clock_placed:
            state = run_clock.placed(state, run_clock.by_utc_ms(state), settings)
    return noted(state, m.ClockRecord(at, difference_ms, state.run_ms), settings)


# -- when the records cannot be written ----


def _append_failed(state: m.State, event: m.AppendFailed, settings: Settings) -> Decision:
    """Nothing is given that cannot be written down: show it, try again later. What turns is stopped by ``step``.

    A trip latches all the same, and what a start found due is due; their records wait. What was written of the decision
    before one failed holds: the memory is what would be rebuilt.
    """
    news = tuple(record for record in event.unwritten if record not in state.unwritten)
    for record in (*event.written, *news):
        state = remembered(state, record, settings)
    if state.open_dose is not None and state.dose_life is None:  # written, and nobody was asked: as after a restart
        state = state.but(dose_life=m.DoseLife(dose_life.STOPPING, state.now.monotonic_ms))
    actions: list[m.Action] = []
    if state.status_pattern != m.STATUS_FAST:
        actions.append(m.SetStatusLamp(m.STATUS_FAST))
    state = state.but(
        line=event.line or state.line,
        records_failed=True,
        records_failed_since_ms=state.records_failed_since_ms if state.records_failed else state.now.monotonic_ms,
        records_failed_words=state.records_failed_words if state.records_failed else event.detail,
        unwritten=(*state.unwritten, *news),
        records_retry_ms=state.now.monotonic_ms + RECORDS_RETRY_MS,
        status_pattern=m.STATUS_FAST,
    )
    return state, actions


def _unrecorded(state: m.State, event: m.Event, settings: Settings) -> Decision:
    """Without records: the lamp keeps its hours, trips latch, the board keeps its own law, water waits."""
    if isinstance(event, m.Sampled):
        state = _sensed(state, state.now, state.run_ms, event.reading, settings)
        state, tripped = _host_trips(state, event.reading, settings)
        latched = tuple(action.record for action in tripped if isinstance(action, m.Append))
        state, lamp = _lamp(state.but(unwritten=(*state.unwritten, *latched)), settings)
        return state, [action for action in lamp if isinstance(action, m.SetLamp)]
    if isinstance(event, m.Ticked):
        state, stop = dose_life.repeat_stop(state)
        if state.now.monotonic_ms < state.records_retry_ms:
            return state, stop
        state, resumed = _records_again(state, settings)
        return state, [*stop, *resumed]
    if isinstance(event, m.LinkLost):
        return line.happened(state, line.LOST), []
    if isinstance(event, m.LinkFound):
        return line.happened(state, line.FOUND), []
    return state, []


def _records_again(state: m.State, settings: Settings) -> Decision:
    """Try to write: first what a start, or a trip meanwhile, could not."""
    failed_h = (state.now.monotonic_ms - state.records_failed_since_ms) / m.MS_PER_H
    words = "Records can be written again; between the last row and this one nothing was kept."
    cause = state.records_failed_words
    failed_words = f"Records could not be written for {failed_h:.1f} h; no water meanwhile. Cause: {cause}."
    kept = [m.Append(record) for record in state.unwritten]
    failed = m.AlarmRecord(state.now, "records_failed", True, failed_words)
    over = m.AlarmRecord(state.now, "records_failed", False, "Records can be written again.")
    state = remembered(state, over, settings).but(records_failed=False, lamp_duty_fraction=None, unwritten=())
    hello: list[m.Action] = []
    if state.line.state != line.DOWN:
        state, hello = line.greet(state)
    return state, [
        *kept,
        m.Append(m.EventRecord(state.now, "records_resumed", words)),
        m.Append(failed),
        m.Append(over),
        *hello,
    ]
