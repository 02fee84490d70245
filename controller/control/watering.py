"""The dose law of the host: whether water may be given, whether it is wanted, how much, and what it did.

Every budget counts the most a dose can have been. Everything is timed on the run clock (``State.run_ms``), so a
step of the wall clock neither repeats a dose nor skips one.
"""

from collections.abc import Iterable
from datetime import UTC
from typing import NamedTuple
from zoneinfo import ZoneInfo

from controller.control import model as m
from controller.control import photoperiod, sensing
from controller.control.model.moments import MS_PER_DAY, MS_PER_H
from controller.plan import Settings
from firmware_bridge import limits, messages

SLOT_GRACE_MS = 2 * MS_PER_H  # a fixed watering time that was missed by more than this is left out
EFFECT_AFTER_MS = 30 * 60_000  # water needs this long to reach the probe
EFFECT_SHARE_MIN = 0.2  # a dose that raises the moisture by less than this share of the expected rise did nothing
# A smaller rise drowns in the noise of a probe and in what plants draw meanwhile, and is not judged (choice: with a
# simulated probe, read as seldom as every ten minutes, 0.003 gave false trips and 0.004 none in 60 doses).
EFFECT_RISE_MIN_FRACTION = 0.004
EFFECTS_MISSED_MAX = 2
# The board counts whole hours, so its rolling day is up to an hour longer than a day. The host counts the chamber's
# daily limit over that longer day, and a minute for clocks that differ: else the board would refuse what it asks.
BOARD_DAY_MS = limits.WINDOW_SLOTS * limits.WINDOW_SLOT_MS + 60_000


class Slot(NamedTuple):
    """One fixed watering time, numbered from hydration, and how long ago it came."""

    number: int
    age_ms: int


BEFORE_THE_FIRST = Slot(-1, 0)


class Wanted(NamedTuple):
    """A dose that the plan asks for now."""

    purpose: str
    volume_ml: float
    slot: int | None = None


def water_content_fraction(state: m.State, settings: Settings) -> float | None:
    """Trusted volumetric water content, or None."""
    counts = sensing.settled(state.moisture)
    return None if counts is None else settings.chamber.moisture_probe.water_content_fraction(counts)


def given_since_ml(given: Iterable[m.Given], run_ms: int) -> float:
    """The most that these doses gave since ``run_ms`` on the run clock."""
    return sum(each.volume_max_ml for each in given if each.run_ms > run_ms)


# -- may ----


def board_reason(state: m.State) -> str:
    """Why the board must not be asked for water now, or an empty string."""
    if state.records_failed:
        return "records_failed"
    if not state.link_up:
        return "link_down"
    if state.limits_differ:
        return "limits_differ"
    if not state.greeted:
        return "not_greeted"
    if state.reconciling:
        return "unreconciled"
    if state.open_dose is not None:
        return "dose_open"
    if state.last_dose_id >= messages.DOSE_ID_MAX:
        return "dose_ids_used_up"
    if state.trips:
        return "tripped:" + state.trips[0][0]
    if state.pending_clear is not None:
        return "clearing"
    if state.now.monotonic_ms < state.refused_until_ms:
        return "board_refused"
    return ""


def pump_past_bounds(state: m.State, settings: Settings) -> str:
    """Which bound of its age the pump has passed, or an empty string: the tube's hours, the factor's drift."""
    chamber = settings.chamber
    if state.pump_age.turned_ms > chamber.pump.tube_life_h * MS_PER_H:
        return "tube_worn"
    return "pump_drifted" if state.pump_age.drift_pct > chamber.acceptance.pump_drift_max_pct else ""


def may_dose(state: m.State, settings: Settings, wanted: Wanted) -> str:
    """Why ``wanted`` must not be given now, or an empty string when it may."""
    reason = board_reason(state)
    if reason:
        return reason
    if settings.plan.watering.aged_pump == "stop" and wanted.purpose != m.CALIBRATION:
        reason = pump_past_bounds(state, settings)
        if reason:
            return reason
    limits = settings.chamber.limits
    in_board_day_ml = given_since_ml(state.given_today, state.run_ms - BOARD_DAY_MS)
    if in_board_day_ml + wanted.volume_ml > limits.daily_max_ml + 1e-9:
        return "chamber_daily_limit"
    since_ms = None if state.last_dose_run_ms is None else state.run_ms - state.last_dose_run_ms
    if wanted.purpose == m.FIRST_WETTING:
        if since_ms is not None and since_ms < settings.plan.first_wetting.pause_s * 1000:
            return "pausing"
        return ""
    if wanted.purpose == m.CALIBRATION:
        return "chamber_dose_limit" if wanted.volume_ml > limits.dose_max_ml + 1e-9 else ""
    law = settings.plan.watering
    if state.watering_given_ml + wanted.volume_ml > law.total_cap_ml + 1e-9:
        return "total_cap"
    to_plants = [given for given in state.given_today if given.purpose not in (m.FIRST_WETTING, m.ELSEWHERE)]
    if wanted.purpose == m.FIXED_TIME:  # from start to start, so that times just a rest or a day apart are kept
        to_plants = [given._replace(run_ms=given.began_run_ms) for given in to_plants]
        since_ms = None if since_ms is None else state.run_ms - state.last_dose_began_run_ms
    if given_since_ml(to_plants, state.run_ms - MS_PER_DAY) + wanted.volume_ml > law.daily_cap_ml + 1e-9:
        return "daily_cap"
    if since_ms is not None and since_ms < law.rest_h * MS_PER_H:
        return "resting"
    if state.effect_check is not None:
        return "effect_unseen"
    return ""


# -- wanted ----


def wanted_dose(state: m.State, settings: Settings) -> Wanted | None:
    """The dose the plan asks for in this phase, or None."""
    if state.phase == m.WETTING:
        volume_ml = min(settings.plan.first_wetting.aliquot_ml, wetting_left_ml(state, settings))
        return Wanted(m.FIRST_WETTING, volume_ml) if settings.steps_for(volume_ml) >= 1 else None
    if state.phase != m.GROWING:
        return None
    law = settings.plan.watering
    if law.fixed is not None:
        slot = current_slot(state, settings).number
        return Wanted(m.FIXED_TIME, law.dose_ml, slot) if slot > state.last_slot else None
    if state.moisture_untrusted_since_run_ms is not None:
        return _fallback_dose(state, settings, state.moisture_untrusted_since_run_ms)
    return Wanted(m.MOISTURE_LED, law.dose_ml) if state.thirsty else None


def _fallback_dose(state: m.State, settings: Settings, untrusted_since_run_ms: int) -> Wanted | None:
    fallback = settings.plan.watering.fallback
    if fallback is None or state.run_ms - untrusted_since_run_ms < fallback.untrusted_for_h * MS_PER_H:
        return None
    last_ms = state.last_dose_run_ms
    if last_ms is not None and state.run_ms - last_ms < fallback.every_h * MS_PER_H:
        return None
    return Wanted(m.FALLBACK, fallback.dose_ml)


def wetting_left_ml(state: m.State, settings: Settings) -> float:
    """What is still to be given of the first wetting."""
    return settings.plan.first_wetting.total_ml - state.first_wetting_given_ml


def current_slot(state: m.State, settings: Settings) -> Slot:
    """The last fixed watering time that has come.

    Times of day are placed once, by the clock at hydration; from there they follow the run clock.
    """
    fixed = settings.plan.watering.fixed
    if fixed is None or state.hydrated_utc_ms is None:
        return BEFORE_THE_FIRST
    zone = UTC if fixed.clock == "utc" else ZoneInfo(settings.chamber.site.time_zone)
    firsts_ms = sorted(
        photoperiod.last_occurrence_utc_ms(time_of_day, state.hydrated_utc_ms, zone) + MS_PER_DAY
        for time_of_day in fixed.times
    )
    now_ms = state.hydrated_utc_ms + state.run_ms
    come = [
        Slot(len(firsts_ms) * ((now_ms - first_ms) // MS_PER_DAY) + order, (now_ms - first_ms) % MS_PER_DAY)
        for order, first_ms in enumerate(firsts_ms)
        if now_ms >= first_ms
    ]
    return max(come, default=BEFORE_THE_FIRST)


def with_thirst(state: m.State, settings: Settings) -> m.State:
    """Thirst with hysteresis: on below the low threshold, off at or above the high one."""
    law = settings.plan.watering.moisture
    if law is None:
        return state
    content = water_content_fraction(state, settings)
    if content is None:
        if state.moisture_untrusted_since_run_ms is None:
            return state.but(moisture_untrusted_since_run_ms=state.run_ms, thirsty=False)
        return state
    thirsty = content < law.high_fraction if state.thirsty else content < law.low_fraction
    if thirsty == state.thirsty and state.moisture_untrusted_since_run_ms is None:
        return state
    return state.but(thirsty=thirsty, moisture_untrusted_since_run_ms=None)


def intend(state: m.State, settings: Settings, wanted: Wanted, steps: int) -> tuple[m.State, list[m.Action]]:
    """Open a dose: its intent is on disk before the command to the board leaves."""
    pump = settings.chamber.pump
    rate = pump_rate_steps_per_s(settings, wanted.purpose)
    dose_id = state.last_dose_id + 1
    intent = m.DoseIntended(
        at=state.now,
        dose_id=dose_id,
        purpose=wanted.purpose,
        volume_ml=steps * pump.ml_per_step,
        dose_steps=steps,
        steps_per_s=rate,
        ml_per_step=pump.ml_per_step,
        ml_per_step_standard_uncertainty=pump.ml_per_step_standard_uncertainty,
        run_ms=state.run_ms,
        slot=wanted.slot,
    )
    dose = m.OpenDose(
        dose_id=dose_id,
        dose_steps=steps,
        purpose=wanted.purpose,
        sent_ms=state.now.monotonic_ms,
        moisture_before_fraction=water_content_fraction(state, settings),
        began_run_ms=state.run_ms,
    )
    state = state.but(
        open_dose=dose,
        last_dose_id=dose_id,
        last_slot=state.last_slot if wanted.slot is None else wanted.slot,
    )
    return state, [m.Append(intent), m.SendToBoard("dose", (dose_id, steps, rate))]


# -- what a dose did ----


def pump_rate_steps_per_s(settings: Settings, purpose: str) -> int:
    """The pump's working rate, slowed so that the first wetting stays under its push rate."""
    pump = settings.chamber.pump
    if purpose != m.FIRST_WETTING:
        return pump.steps_per_s
    push_steps_per_s = settings.plan.first_wetting.push_rate_max_ml_per_min / 60.0 / pump.ml_per_step
    return max(1, min(pump.steps_per_s, int(push_steps_per_s + 1e-9)))


def volume_of(steps_min: int, steps_max: int, settings: Settings) -> tuple[float, float, float]:
    """(volume, its standard uncertainty, the most it can be) in ml of a dose of an interval of steps.

    The interval is taken as a rectangular distribution (JCGM 100:2008, 4.3.7: half width over root three) and
    combined with the calibration's standard uncertainty, which multiplies the steps.
    """
    pump = settings.chamber.pump
    middle_steps = (steps_min + steps_max) / 2
    from_calibration_ml = middle_steps * pump.ml_per_step_standard_uncertainty
    from_interval_ml = (steps_max - steps_min) / 2 * pump.ml_per_step / 3**0.5
    uncertainty_ml = (from_calibration_ml**2 + from_interval_ml**2) ** 0.5
    return middle_steps * pump.ml_per_step, uncertainty_ml, steps_max * pump.ml_per_step


def after_dose(state: m.State, closed: m.DoseClosed, dose: m.OpenDose, settings: Settings) -> m.State:
    """Budgets and the coming effect check after a dose was closed."""
    is_first = dose.purpose == m.FIRST_WETTING
    into_jug = dose.purpose == m.CALIBRATION
    # no dose runs longer than the board lets it: a run clock that was moved on meanwhile makes none look older
    began_run_ms = max(dose.began_run_ms, state.run_ms - limits.RUN_MS_MAX)
    given = m.Given(state.run_ms, closed.volume_max_ml, dose.purpose, began_run_ms)
    recent = tuple(g for g in state.given_today if g.run_ms > state.run_ms - BOARD_DAY_MS)
    turned_ms = closed.steps_max * 1000 // pump_rate_steps_per_s(settings, dose.purpose)
    check = state.effect_check
    is_judged = not is_first and not into_jug and closed.end_reason == "complete"
    rise = closed.volume_ml / settings.plan.medium.bed_volume_ml
    if is_judged and dose.moisture_before_fraction is not None and rise >= EFFECT_RISE_MIN_FRACTION:
        check = m.EffectCheck(state.run_ms + EFFECT_AFTER_MS, dose.moisture_before_fraction, rise)
    return state.but(
        open_dose=None,
        given_today=(*recent, given) if closed.steps_max else recent,
        first_wetting_given_ml=state.first_wetting_given_ml + (closed.volume_max_ml if is_first else 0.0),
        watering_given_ml=state.watering_given_ml + (0.0 if is_first or into_jug else closed.volume_max_ml),
        last_dose_run_ms=state.run_ms if closed.steps_max else state.last_dose_run_ms,
        last_dose_began_run_ms=began_run_ms if closed.steps_max else state.last_dose_began_run_ms,
        pump_age=state.pump_age._replace(turned_ms=state.pump_age.turned_ms + turned_ms),
        effect_check=check,
    )


def judge_effect(state: m.State, settings: Settings) -> m.State:
    """Look whether the last dose reached the probe, once its time has come. Untrusted moisture says nothing."""
    check = state.effect_check
    if check is None or state.run_ms < check.due_run_ms:
        return state
    content = water_content_fraction(state, settings)
    if content is None:
        return state.but(effect_check=None)
    rise = content - check.moisture_before_fraction
    missed = 0 if rise >= EFFECT_SHARE_MIN * check.rise_expected_fraction else state.effects_missed + 1
    return state.but(effect_check=None, effects_missed=missed)
