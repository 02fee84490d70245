"""The host's memory rebuilt from its journal: the same changes as live (``remember``), folded over the records."""

from collections.abc import Iterable

from controller.control import dose_life, run_clock, watering
from controller.control import model as m
from controller.control.remember import remembered, with_light_anchor
from controller.plan import Settings


def resume(
    at: m.Moment,
    records: Iterable[m.Record],
    last_reading: m.ReadingRecord | None,
    settings: Settings,
    journal_id: int = 0,
) -> m.State:
    """State of a run that goes on at ``at``, from its records in the order they were written.

    ``last_reading`` places the run clock: by UTC when both moments are trusted, else it goes on from there.
    ``journal_id`` is the identity of the journal that the records come from.
    """
    return placed(fold(m.State(now=at, journal_id=journal_id), records, settings), at, last_reading, settings)


def fold(state: m.State, records: Iterable[m.Record], settings: Settings) -> m.State:
    """A state with more records folded in; what was folded before need not be folded again."""
    for record in records:
        if isinstance(record, m.AlarmRecord):
            state = _alarmed(state, record)
            continue
        at = record.at
        state = state.but(run_ms=run_clock.advanced_ms(state, at), now=at)
        if isinstance(record, m.BootRecord):  # that start placed its run clock too
            state = run_clock.placed(_unplaced(state), run_clock.by_utc_ms(state), settings)
        state = remembered(state, record, settings)
    return state


def _alarmed(state: m.State, record: m.AlarmRecord) -> m.State:
    others = tuple(a for a in state.alarms if a[0] != record.alarm)
    if not record.raised:
        return state.but(alarms=others)
    standing = m.AlarmState(since_ms=0, holds=True, raised=True)
    return state.but(alarms=(*others, (record.alarm, standing)))


def _unplaced(state: m.State) -> m.State:
    """A new boot: nothing has placed its run clock yet."""
    return state.but(run_clock_placed=False, clock_doubted_since_ms=None)


def placed(state: m.State, at: m.Moment, last_reading: m.ReadingRecord | None, settings: Settings) -> m.State:
    """A folded state set at a moment. An open dose is one of an earlier life: it is stopped, never resumed."""
    state = _unplaced(state).but(now=at)
    if state.hydrated_utc_ms is not None:
        state = with_light_anchor(state, settings)
        if last_reading is not None and last_reading.run_ms is not None:
            state = state.but(run_ms=max(state.run_ms, last_reading.run_ms))
        state = run_clock.placed(state, _claimed_run_ms(state, last_reading), settings)
    dose = state.open_dose
    if dose is not None:  # what an earlier life has waited for its account counts, but the board is heard a minute long
        waited_ms = min(max(0, state.run_ms - dose.run_ms), dose_life.ACCOUNT_MS - 60_000)
        state = state.but(dose_life=m.DoseLife(dose_life.STOPPING, at.monotonic_ms - waited_ms))
    since_ms = state.wanting_since_run_ms
    was_untrusted = state.watering_answer == "moisture_untrusted"
    untrusted_ms = state.untrusted_since_run_ms
    return state.but(
        thirsty=state.phase == m.GROWING and state.water_wanted and not was_untrusted,
        wanting_since_ms=at.monotonic_ms,
        given_lately=tuple(g for g in state.given_lately if g.run_ms > state.run_ms - watering.KEPT_MS),
        moisture_untrusted_since_run_ms=state.run_ms if untrusted_ms is None else min(untrusted_ms, state.run_ms),
        phase_since_run_ms=min(state.phase_since_run_ms, state.run_ms),
        wanting_since_run_ms=None if since_ms is None else min(since_ms, state.run_ms),
    )


def _claimed_run_ms(state: m.State, last: m.ReadingRecord | None) -> int | None:
    """What UTC says; without any, nobody knows how long the power was off."""
    by_utc_ms = run_clock.by_utc_ms(state)
    if by_utc_ms is not None or last is None or last.run_ms is None:
        return by_utc_ms
    if state.now.utc_trusted and last.at.utc_trusted:
        return last.run_ms + max(0, state.now.utc_ms - last.at.utc_ms)
    return None
