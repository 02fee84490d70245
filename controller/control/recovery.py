"""The host's memory rebuilt from its journal: records in, state out. Water counts at its most."""

from collections.abc import Iterable
from dataclasses import replace

from controller.control import model as m
from controller.control import photoperiod, watering
from controller.plan import Settings


def resume(
    at: m.Moment, records: Iterable[m.Record], last_reading: m.ReadingRecord | None, settings: Settings
) -> m.State:
    """State of a run that goes on at ``at``, from its records in the order they were written.

    ``last_reading`` places the run clock: by UTC when both moments are trusted, else it goes on from there.
    """
    return placed(fold(m.State(now=at), records, settings), at, last_reading, settings)


def fold(state: m.State, records: Iterable[m.Record], settings: Settings) -> m.State:
    """A state with more records folded in; what was folded before need not be folded again."""
    for record in records:
        state = _fold(state, record, settings)
    return state


def placed(state: m.State, at: m.Moment, last_reading: m.ReadingRecord | None, settings: Settings) -> m.State:
    """A folded state set at a moment."""
    if state.hydrated_utc_ms is not None:
        state = state.but(
            run_ms=max(state.run_ms, _run_ms(at, last_reading, state)),
            run_clock_placed=at.utc_trusted and state.hydrated_utc_trusted,
            light_anchor_utc_ms=photoperiod.light_anchor_utc_ms(
                settings.plan.photoperiod, state.hydrated_utc_ms, settings.chamber.site.time_zone
            ),
        )
    dose = state.open_dose
    if dose is not None:  # the monotonic clock of an earlier boot may be far ahead of this one
        state = state.but(open_dose=replace(dose, sent_ms=min(dose.sent_ms, at.monotonic_ms)))
    recent = tuple(g for g in state.given_today if g.run_ms > state.run_ms - watering.BOARD_DAY_MS)
    return state.but(
        now=at,
        given_today=recent,
        moisture_untrusted_since_run_ms=state.run_ms,
        phase_since_run_ms=min(state.phase_since_run_ms, state.run_ms),
    )


def _run_ms(at: m.Moment, last: m.ReadingRecord | None, state: m.State) -> int:
    assert state.hydrated_utc_ms is not None
    if at.utc_trusted and state.hydrated_utc_trusted:
        return max(0, at.utc_ms - state.hydrated_utc_ms)
    if last is None or last.run_ms is None:
        return 0
    if at.utc_trusted and last.at.utc_trusted:
        return last.run_ms + max(0, at.utc_ms - last.at.utc_ms)
    return last.run_ms  # nobody knows how long the power was off; the first trusted moment will correct it


def _fold(state: m.State, record: m.Record, settings: Settings) -> m.State:
    if isinstance(record, m.DoseIntended):
        dose = m.OpenDose(
            record.dose_id,
            record.dose_steps,
            record.purpose,
            record.at.monotonic_ms,
            judged=False,
            inherited=True,
            began_run_ms=record.run_ms,
        )
        return state.but(
            open_dose=dose,
            last_dose_id=max(state.last_dose_id, record.dose_id),
            last_slot=state.last_slot if record.slot is None else record.slot,
            run_ms=max(state.run_ms, record.run_ms),
        )
    if isinstance(record, m.DoseClosed):
        opened = state.open_dose
        if opened is None or opened.dose_id != record.dose_id:
            opened = m.OpenDose(record.dose_id, record.steps_max, m.MOISTURE_LED, 0, began_run_ms=record.run_ms)
        last_id = max(state.last_dose_id, record.dose_id)
        state = state.but(run_ms=max(state.run_ms, record.run_ms), last_dose_id=last_id)
        return replace(watering.after_dose(state, record, opened, settings), effect_check=None)
    if isinstance(record, m.PhaseRecord):
        state = state.but(
            phase=record.phase,
            phase_since_run_ms=record.run_ms,
            run_ms=record.run_ms,
            thirsty=False,
        )
        if record.phase == m.WETTING:
            return state.but(hydrated_utc_ms=record.at.utc_ms, hydrated_utc_trusted=record.at.utc_trusted, run_ms=0)
        if record.phase == m.GROWING:
            return state.but(last_slot=max(state.last_slot, watering.current_slot(state, settings).number))
        return state
    if isinstance(record, m.ClockRecord):
        if record.at.utc_trusted and state.hydrated_utc_ms is not None and not state.hydrated_utc_trusted:
            anchor_ms = record.at.utc_ms - record.run_ms
            return state.but(hydrated_utc_ms=anchor_ms, hydrated_utc_trusted=True, run_ms=record.run_ms)
        return state.but(run_ms=max(state.run_ms, record.run_ms))
    if isinstance(record, m.TripRecord):
        latched = (record.trip_reason, record.side)
        return state if latched in state.trips else state.but(trips=(*state.trips, latched))
    if isinstance(record, m.TripCleared):
        return state.but(trips=tuple(t for t in state.trips if t[0] != record.trip_reason))
    if isinstance(record, m.StepRecord):
        if record.done:
            return state.but(steps_done=(*state.steps_done, record.step))
        return state.but(steps_due=(*state.steps_due, record.step))
    if isinstance(record, m.AlarmRecord):
        others = tuple(a for a in state.alarms if a[0] != record.alarm)
        if not record.raised:
            return state.but(alarms=others)
        standing = m.AlarmState(since_ms=0, holds=True, raised=True)
        return state.but(alarms=(*others, (record.alarm, standing)))
    if isinstance(record, m.WateringAnswer) and record.reason != "slot_missed":
        return state.but(watering_answer=record.reason)
    return state
