"""The dose law of the host: whether water may be given, whether it is wanted, how much, and what it did.

Every budget counts the most a dose can have been. Everything is timed on the run clock (``State.run_ms``), so a
step of the wall clock neither repeats a dose nor skips one.
"""

from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC
from typing import NamedTuple
from zoneinfo import ZoneInfo

from controller.control import line, photoperiod, sensing
from controller.control import model as m
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
WEEK_MS = 7 * MS_PER_DAY
KEPT_MS = WEEK_MS + MS_PER_H  # how long given water is remembered dose by dose


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


def next_dose_id(state: m.State) -> int:
    """An id that neither this journal, nor one beside it, nor the board has ever seen."""
    greeting = state.line.greeting
    seen = [state.last_dose_id, *(dose.dose_id for dose in state.known_doses)]
    return 1 + max(seen if greeting is None else [*seen, greeting.last_dose_id])


def trips_that_forbid(state: m.State, settings: Settings, purpose: str) -> list[str]:
    """Reasons of the trips that forbid water for a purpose: all, but for the fallback's where the plan says so."""
    fallback = settings.plan.watering.fallback
    goes_on = purpose == m.FALLBACK and fallback is not None and fallback.without_effect
    return [reason for reason, _ in state.trips if not (goes_on and reason == m.DOSE_WITHOUT_EFFECT)]


_LINE_REASONS = {line.DOWN: "link_down", line.GREETING: "not_greeted", line.LISTENING: "unreconciled"}


def board_reason(state: m.State, settings: Settings, purpose: str = "") -> str:
    """Why the board must not be asked for water now, or an empty string."""
    if state.records_failed:
        return "records_failed"
    if state.leaving:
        return "leaving"
    trips = trips_that_forbid(state, settings, purpose)
    if trips:
        return "tripped:" + trips[0]
    if state.line.state == line.DOWN:
        return "link_down"
    if state.limits_differ:
        return "limits_differ"
    if state.line.state in _LINE_REASONS:
        return _LINE_REASONS[state.line.state]
    if state.open_dose is not None:
        return "dose_open"
    if next_dose_id(state) > messages.DOSE_ID_MAX:
        return "dose_ids_used_up"
    if state.asked_clear is not None:
        return "clearing"
    if state.now.monotonic_ms < state.hold_until_ms:
        return state.hold_reason
    return ""


def pump_past_bounds(state: m.State, settings: Settings) -> str:
    """Which bound of its age the pump has passed, or an empty string: the tube's hours, the factor's drift."""
    chamber = settings.chamber
    if state.pump_age.turned_ms > chamber.pump.tube_life_h * MS_PER_H:
        return "tube_worn"
    return "pump_drifted" if state.pump_age.drift_pct > chamber.acceptance.pump_drift_max_pct else ""


def may_dose(state: m.State, settings: Settings, wanted: Wanted) -> str:
    """Why ``wanted`` must not be given now, or an empty string when it may."""
    reason = board_reason(state, settings, wanted.purpose)
    if reason:
        return reason
    if settings.plan.watering.aged_pump == "stop" and wanted.purpose != m.CALIBRATION:
        reason = pump_past_bounds(state, settings)
        if reason:
            return reason
    limits = settings.chamber.limits
    in_board_day_ml = given_since_ml(state.given_lately, state.run_ms - BOARD_DAY_MS)
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
    to_plants = [given for given in state.given_lately if given.purpose not in (m.FIRST_WETTING, m.ELSEWHERE)]
    if wanted.purpose == m.FIXED_TIME:  # from start to start, so that times just a rest or a day apart are kept
        to_plants = [given._replace(run_ms=given.began_run_ms) for given in to_plants]
        since_ms = None if since_ms is None else state.run_ms - state.last_dose_began_run_ms
    if given_since_ml(to_plants, state.run_ms - MS_PER_DAY) + wanted.volume_ml > law.daily_cap_ml + 1e-9:
        return "daily_cap"
    weekly_ml = law.weekly_cap_ml
    if (
        weekly_ml is not None
        and given_since_ml(to_plants, state.run_ms - WEEK_MS) + wanted.volume_ml > weekly_ml + 1e-9
    ):
        return "weekly_cap"
    if since_ms is not None and since_ms < law.rest_h * MS_PER_H:
        return "resting"
    if state.effect_check is not None:
        return "effect_unseen"
    return ""


WINDOWS_MS = {"chamber_daily_limit": BOARD_DAY_MS, "daily_cap": MS_PER_DAY, "weekly_cap": WEEK_MS}


def until_room_ms(state: m.State, settings: Settings, reason: str) -> int:
    """How long until the budget that holds a dose back has room for it, if none is given meanwhile."""
    law, window_ms = settings.plan.watering, WINDOWS_MS[reason]
    given, cap_ml = list(state.given_lately), settings.chamber.limits.daily_max_ml
    if reason != "chamber_daily_limit":
        given = [each for each in given if each.purpose not in (m.FIRST_WETTING, m.ELSEWHERE)]
        cap_ml = law.daily_cap_ml if reason == "daily_cap" else law.most_in_a_week_ml
    wanted = wanted_dose(state, settings)
    left_ml = given_since_ml(given, state.run_ms - window_ms) + (law.dose_ml if wanted is None else wanted.volume_ml)
    until_ms = 0
    for each in sorted(given):
        if left_ml <= cap_ml + 1e-9:
            break
        if each.run_ms > state.run_ms - window_ms:
            left_ml -= each.volume_max_ml
            until_ms = each.run_ms + window_ms - state.run_ms
    return until_ms if left_ml <= cap_ml + 1e-9 else window_ms


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
    moisture_led = Wanted(m.MOISTURE_LED, law.dose_ml) if state.thirsty else None
    if (m.DOSE_WITHOUT_EFFECT, m.ON_HOST) in state.trips and law.fallback is not None and law.fallback.without_effect:
        return _fallback_dose(state, settings, state.last_dose_run_ms or 0) or moisture_led
    return moisture_led


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


# -- what a dose did ----


def pump_rate_steps_per_s(settings: Settings, purpose: str) -> int:
    """The pump's working rate, slowed so that the first wetting stays under its push rate."""
    pump = settings.chamber.pump
    if purpose != m.FIRST_WETTING:
        return pump.steps_per_s
    push_steps_per_s = settings.plan.first_wetting.push_rate_max_ml_per_min / 60.0 / pump.ml_per_step
    return max(1, min(pump.steps_per_s, int(push_steps_per_s + 1e-9)))


def volume_of(steps_min: int, steps_max: int, dose: m.DoseIntended) -> tuple[float, float, float]:
    """(volume, its standard uncertainty, the most it can be) in ml of an interval of steps, by a dose's own factor.

    The interval is taken as a rectangular distribution (JCGM 100:2008, 4.3.7: half width over root three) and
    combined with the calibration's standard uncertainty, which multiplies the steps.
    """
    middle_steps = (steps_min + steps_max) / 2
    from_calibration_ml = middle_steps * dose.ml_per_step_standard_uncertainty
    from_interval_ml = (steps_max - steps_min) / 2 * dose.ml_per_step / 3**0.5
    uncertainty_ml = (from_calibration_ml**2 + from_interval_ml**2) ** 0.5
    return middle_steps * dose.ml_per_step, uncertainty_ml, steps_max * dose.ml_per_step


def effect_to_see(
    dose: m.DoseIntended, closed: m.DoseClosed, before_fraction: float | None, settings: Settings
) -> m.EffectRecord | None:
    """What a dose for plants that may have been given whole should do to the moisture, if a trusted probe can tell."""
    rise = dose.volume_ml / settings.plan.medium.bed_volume_ml
    is_judged = dose.purpose in (m.MOISTURE_LED, m.FIXED_TIME) and closed.steps_max >= dose.dose_steps
    if not is_judged or before_fraction is None or rise < EFFECT_RISE_MIN_FRACTION:
        return None
    due_run_ms = closed.run_ms + effect_after_ms(settings)
    return m.EffectRecord(closed.at, dose.dose_id, m.AWAITED, due_run_ms, before_fraction, rise)


def effect_after_ms(settings: Settings) -> int:
    """How long after a dose the probe is asked: water needs its time, and the level of the medium its readings."""
    return max(EFFECT_AFTER_MS, (sensing.RECENT_VALUES + 1) * round(settings.plan.sample_every_s * 1000))


def effect_seen(state: m.State, settings: Settings) -> m.EffectRecord | None:
    """What became of the awaited effect, once its time has come. A probe that stays untrusted says nothing."""
    check = state.effect_check
    if check is None or state.run_ms < check.due_run_ms:
        return None
    content = water_content_fraction(state, settings)
    if content is None:
        is_over = state.run_ms - check.due_run_ms >= effect_after_ms(settings)
        return replace(check, at=state.now, effect=m.UNKNOWN) if is_over else None
    rise = content - check.moisture_before_fraction
    is_seen = rise >= EFFECT_SHARE_MIN * check.rise_expected_fraction
    return replace(check, at=state.now, effect=m.SEEN if is_seen else m.MISSED)
