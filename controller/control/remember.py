"""What each record changes in the host's memory.

Decisions go through ``noted`` and recovery through ``remembered``, so what lives and what is rebuilt cannot differ.
Water counts at its most.
"""

from collections.abc import Callable
from typing import Any

from controller.control import model as m
from controller.control import photoperiod, watering
from controller.plan import Settings
from firmware_bridge import limits

OPEN_ACCOUNTS_MAX = 8  # of either kind: a dose in doubt is not pushed out by those that never began
NOT_GREETED_YET = ("link_down", "not_greeted", "unreconciled")  # answers of every start, whatever came before
# Answers while the probe may be untrusted: they say neither that water is wanted nor that it is not
UNKNOWING = (*NOT_GREETED_YET, "moisture_untrusted")
# Waits that the plan itself orders: no sign that water is missing
ORDERLY = ("resting", "pausing", "soaking", "effect_unseen", "steps_not_signed", "ended")


def noted(state: m.State, record: m.Record, settings: Settings) -> tuple[m.State, list[m.Action]]:
    """The record to be written, and the memory that holds it."""
    return remembered(state, record, settings), [m.Append(record)]


def remembered(state: m.State, record: m.Record, settings: Settings) -> m.State:
    """The memory after a record; a record that means nothing to it leaves it as it is."""
    change = _CHANGES.get(type(record))
    return state if change is None else change(state, record, settings)


def _intended(state: m.State, intent: m.DoseIntended, settings: Settings) -> m.State:
    """An intent over another that is open still leaves none uncounted: the older one counts in full."""
    before = state.open_dose
    if before is not None and before.dose_id != intent.dose_id:
        in_doubt = m.DoseClosed(
            intent.at, before.dose_id, 0, before.dose_steps, m.IN_DOUBT, before.volume_ml / 2, 0.0, before.volume_ml,
            intent.run_ms,
        )  # fmt: skip
        state = _closed(state, in_doubt, settings)
    return state.but(
        open_dose=intent,
        last_dose_id=max(state.last_dose_id, intent.dose_id),
        last_slot=state.last_slot if intent.slot is None else intent.slot,
        run_ms=max(state.run_ms, intent.run_ms),
    )


def _closed(state: m.State, closed: m.DoseClosed, settings: Settings) -> m.State:
    """Count a dose, or count it otherwise than before: the last word on it holds."""
    account = next((each for each in state.open_accounts if each.closed.dose_id == closed.dose_id), None)
    was_open = state.open_dose is not None and state.open_dose.dose_id == closed.dose_id
    intent = state.open_dose if was_open else account and account.intent
    if intent is None:
        intent = _unintended(closed, settings)
    counted = None if account is None else account.closed
    more_ml = closed.volume_max_ml - (counted.volume_max_ml if counted else 0.0)
    more_steps = closed.steps_max - (counted.steps_max if counted else 0)
    ended_run_ms = counted.run_ms if counted else closed.run_ms
    # no dose runs longer than the board lets it: a run clock that was moved on meanwhile makes none look older
    began_run_ms = max(intent.run_ms, ended_run_ms - limits.RUN_MS_MAX)
    is_first = intent.purpose == m.FIRST_WETTING
    for_plants = intent.purpose not in (m.FIRST_WETTING, m.CALIBRATION, m.ELSEWHERE)
    in_bed = closed.steps_max > 0 and intent.purpose != m.ELSEWHERE
    in_its_total = intent.purpose == m.ELSEWHERE  # the board had told its total with that dose in it
    accounts = [each for each in state.open_accounts if each is not account]
    if closed.end_reason == m.NOT_STARTED or closed.steps_min < closed.steps_max:
        accounts.append(m.OpenAccount(intent, closed))
    turned_ms = more_steps * 1000 // watering.pump_rate_steps_per_s(settings, intent.purpose)
    return state.but(
        open_dose=None if was_open else state.open_dose,
        dose_life=None if was_open else state.dose_life,
        open_accounts=_newest(accounts),
        last_dose_id=max(state.last_dose_id, closed.dose_id),
        last_slot=_slot_after(state, intent, closed),
        given_lately=_given_after(
            state, closed, m.Given(ended_run_ms, closed.volume_max_ml, intent.purpose, began_run_ms, closed.dose_id)
        ),
        first_wetting_given_ml=state.first_wetting_given_ml + (more_ml if is_first else 0.0),
        watering_given_ml=state.watering_given_ml + (more_ml if for_plants else 0.0),
        last_dose_run_ms=max(state.last_dose_run_ms or 0, ended_run_ms) if in_bed else state.last_dose_run_ms,
        last_dose_began_run_ms=began_run_ms if in_bed else state.last_dose_began_run_ms,
        wanting_since_run_ms=None if in_bed and closed.steps_min else state.wanting_since_run_ms,  # what surely came
        pump_age=state.pump_age._replace(turned_ms=state.pump_age.turned_ms + turned_ms),
        turned_total_steps=max(0, state.turned_total_steps + (0 if in_its_total else more_steps)),
        run_ms=max(state.run_ms, closed.run_ms),
    )


def _newest(accounts: list[m.OpenAccount]) -> tuple[m.OpenAccount, ...]:
    in_doubt = [each for each in accounts if each.closed.end_reason != m.NOT_STARTED]
    unstarted = [each for each in accounts if each.closed.end_reason == m.NOT_STARTED]
    return (*in_doubt[-OPEN_ACCOUNTS_MAX:], *unstarted[-OPEN_ACCOUNTS_MAX:])


def _unintended(closed: m.DoseClosed, settings: Settings) -> m.DoseIntended:
    """What stands for the intent of a dose that has none in this journal."""
    pump = settings.chamber.pump
    return m.DoseIntended(
        closed.at, closed.dose_id, m.MOISTURE_LED, closed.volume_max_ml, closed.steps_max, pump.steps_per_s,
        pump.ml_per_step, pump.ml_per_step_standard_uncertainty, closed.run_ms,
    )  # fmt: skip


def _given_after(state: m.State, closed: m.DoseClosed, given: m.Given) -> tuple[m.Given, ...]:
    kept = [g for g in state.given_lately if g.dose_id != closed.dose_id]
    kept = [g for g in kept if g.run_ms > state.run_ms - watering.KEPT_MS]
    return (*kept, given) if closed.steps_max else tuple(kept)


def _slot_after(state: m.State, intent: m.DoseIntended, closed: m.DoseClosed) -> int:
    """A watering time of which nothing came is still to be kept; one of which something came is not."""
    if intent.slot is None:
        return state.last_slot
    if closed.steps_max:
        return max(state.last_slot, intent.slot)
    return intent.slot - 1 if state.last_slot == intent.slot else state.last_slot


def _phase(state: m.State, record: m.PhaseRecord, settings: Settings) -> m.State:
    state = state.but(phase=record.phase, phase_since_run_ms=record.run_ms, run_ms=record.run_ms, thirsty=False)
    if record.phase == m.WETTING:
        at = record.at
        state = state.but(hydrated_utc_ms=at.utc_ms, hydrated_utc_trusted=at.utc_trusted, run_ms=0)
        return with_light_anchor(state, settings)
    if record.phase == m.GROWING:
        return state.but(last_slot=max(state.last_slot, watering.current_slot(state, settings).number))
    return state


def with_light_anchor(state: m.State, settings: Settings) -> m.State:
    assert state.hydrated_utc_ms is not None
    anchor_ms = photoperiod.light_anchor_utc_ms(
        settings.plan.photoperiod, state.hydrated_utc_ms, settings.chamber.site.time_zone
    )
    return state.but(light_anchor_utc_ms=anchor_ms)


def _clock(state: m.State, record: m.ClockRecord, settings: Settings) -> m.State:
    """The first trusted moment places hydration; later ones may only have moved the run clock on."""
    state = state.but(run_ms=max(state.run_ms, record.run_ms))
    if record.at.utc_trusted and state.hydrated_utc_ms is not None and not state.hydrated_utc_trusted:
        owed = watering.current_slot(state, settings).number - state.last_slot  # slots are numbered from hydration
        state = state.but(hydrated_utc_ms=record.at.utc_ms - state.run_ms, hydrated_utc_trusted=True)
        state = state.but(last_slot=watering.current_slot(state, settings).number - owed)
        return with_light_anchor(state, settings)
    return state


def _trip(state: m.State, record: m.TripRecord, settings: Settings) -> m.State:
    latched = (record.trip_reason, record.side)
    return state if latched in state.trips else state.but(trips=(*state.trips, latched))


def _trip_cleared(state: m.State, record: m.TripCleared, settings: Settings) -> m.State:
    """A clear means the reason, on whichever side it was latched."""
    state = state.but(trips=tuple(t for t in state.trips if t[0] != record.trip_reason))
    return state.but(effects_missed=0) if record.trip_reason == m.DOSE_WITHOUT_EFFECT else state


def _step(state: m.State, record: m.StepRecord, settings: Settings) -> m.State:
    if record.done:
        return state.but(steps_done=(*state.steps_done, record.step))
    return state.but(steps_due=(*state.steps_due, record.step))


def _watering_answer(state: m.State, record: m.WateringAnswer, settings: Settings) -> m.State:
    """Since when water is missing: a fixed time that was missed stays missed until a dose comes."""
    since_ms = state.wanting_since_run_ms
    if record.wanted and record.reason not in ORDERLY:
        if since_ms is None:
            state = state.but(wanting_since_ms=record.at.monotonic_ms)
            since_ms = state.run_ms
    elif settings.plan.watering.fixed is None and not record.wanted and record.reason not in UNKNOWING:
        since_ms = None
    state = state.but(wanting_since_run_ms=since_ms)
    if record.reason == "slot_missed":
        return state.but(last_slot=max(state.last_slot, watering.current_slot(state, settings).number))
    untrusted_ms = state.untrusted_since_run_ms
    if record.reason == "moisture_untrusted":
        untrusted_ms = state.run_ms if untrusted_ms is None else untrusted_ms
    elif record.reason not in NOT_GREETED_YET:
        untrusted_ms = None
    return state.but(watering_answer=record.reason, water_wanted=record.wanted, untrusted_since_run_ms=untrusted_ms)


def _effect(state: m.State, record: m.EffectRecord, settings: Settings) -> m.State:
    if record.effect == m.AWAITED:
        return state.but(effect_check=record)
    missed = {m.SEEN: 0, m.MISSED: state.effects_missed + 1}.get(record.effect, state.effects_missed)
    return state.but(effect_check=None, effects_missed=missed)


def _board(state: m.State, record: m.BoardRecord, settings: Settings) -> m.State:
    return state.but(board=record, turned_total_steps=record.turned_total_steps)


_CHANGES: dict[type, Callable[[m.State, Any, Settings], m.State]] = {
    m.DoseIntended: _intended,
    m.DoseClosed: _closed,
    m.PhaseRecord: _phase,
    m.ClockRecord: _clock,
    m.TripRecord: _trip,
    m.TripCleared: _trip_cleared,
    m.StepRecord: _step,
    m.WateringAnswer: _watering_answer,
    m.BoardRecord: _board,
    m.EffectRecord: _effect,
}
