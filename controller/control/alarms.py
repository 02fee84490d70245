"""What a person should be told: conditions that stand for a while raise an alarm, and end it when they are gone."""

from controller.control import dose_life, hands_on, line, watering
from controller.control import model as m
from controller.control.remember import NOT_GREETED_YET
from controller.control.words import trip_words, watering_words
from controller.plan import Settings

TUBE_WARNS_FRACTION = 0.8  # of the tube's hours: time to buy a new one (a choice, no source)
BUDGETS = ("total_cap", "daily_cap", "weekly_cap", "chamber_daily_limit", "refused:window_full")
HOLD_MS = 120_000  # a condition must stand this long to raise an alarm, and be gone this long to end it
AT_ONCE = ("records_failed", "board_limits_differ", "dose_in_doubt", "water_missing")


def conditions(state: m.State, settings: Settings) -> dict[str, str]:
    """Alarm name -> plain words, for everything that is not as it should be in this state."""
    climate = settings.plan.climate
    found: dict[str, str] = {}
    if state.air.quality == m.GOOD and state.air.value is not None:
        if state.air.value > climate.air_temperature_alarm_high_c:
            found["air_temperature_high"] = f"Air temperature is above {climate.air_temperature_alarm_high_c:g} C."
        elif state.air.value < climate.air_temperature_alarm_low_c:
            found["air_temperature_low"] = f"Air temperature is below {climate.air_temperature_alarm_low_c:g} C."
    elif state.reading is not None:
        found["air_temperature_untrusted"] = f"The air temperature cannot be trusted: {state.air.cause}."
    if state.humidity.quality == m.GOOD and state.humidity.value is not None:
        if state.humidity.value > climate.relative_humidity_alarm_high_pct:
            found["relative_humidity_high"] = (
                f"Relative humidity is above {climate.relative_humidity_alarm_high_pct:g} %."
            )
        elif state.humidity.value < climate.relative_humidity_alarm_low_pct:
            found["relative_humidity_low"] = (
                f"Relative humidity is below {climate.relative_humidity_alarm_low_pct:g} %."
            )
    elif state.reading is not None:
        found["relative_humidity_untrusted"] = f"The humidity cannot be trusted: {state.humidity.cause}."
    if state.moisture.quality != m.GOOD and state.reading is not None:
        found["moisture_untrusted"] = f"The moisture reading cannot be trusted: {state.moisture.cause}."
    if state.line.state == line.DOWN:
        found["board_silent"] = "The board does not answer: its line cannot be opened."
    elif state.line.state != line.SETTLED:
        found["board_silent"] = (
            "The line is open, but nothing on it answers as a board of this release does: look what is plugged in, "
            "and whether it was flashed with this release."
        )
    if state.limits_differ:
        found["board_limits_differ"] = "Board and controller hold different limits: logging goes on without water."
    if not state.now.utc_trusted:
        found["clock_untrusted"] = "The clock has no network time; records are marked and the run clock goes on."
    if state.clock_doubted_since_ms is not None:
        found["clock_leaps"] = "The clock claims that far more time has passed than seems likely: look at its date."
    if state.phase in (m.WETTING, m.GROWING) and state.watering_answer in BUDGETS:
        found["water_budget_used"] = "The plants ask for water but the plan's budget for it is used up."
    found |= _doses(state)
    found |= _missing_water(state, settings)
    found |= _aged_pump(state, settings)
    for reason, side in state.trips:
        found[f"trip_{reason}"] = f"{trip_words(reason)} (noticed by the {side})"
    return found


def _doses(state: m.State) -> dict[str, str]:
    """Doses whose account is missing: still awaited, or counted in full without it."""
    found = {}
    life, dose = state.dose_life, state.open_dose
    if life is not None and dose is not None and life.state in (dose_life.STOPPING, dose_life.AWAITED):
        found["dose_unaccounted"] = (
            f"The board has not told yet what became of dose {dose.dose_id}; if it stays silent for "
            f"{dose_life.ACCOUNT_MS // 60_000} minutes the whole dose is counted."
        )
    for account in state.open_accounts:
        young = state.run_ms - account.closed.run_ms < m.MS_PER_DAY
        if account.closed.steps_min < account.closed.steps_max and young:
            words = "the whole dose is counted. Look at the bed and the reservoir."
            found["dose_in_doubt"] = f"Nobody knows how much of dose {account.closed.dose_id} was given; {words}"
    return found


def _missing_water(state: m.State, settings: Settings) -> dict[str, str]:
    """Water that the plan wants and that does not come, whatever holds it back."""
    since_ms = state.wanting_since_run_ms
    if since_ms is None or state.phase == m.ENDED:
        return {}
    wait_h = settings.plan.watering.missing_after_h
    waited_ms = state.run_ms - since_ms
    if state.phase == m.PREPARING:
        waited_ms = state.now.monotonic_ms - state.wanting_since_ms
    if waited_ms < wait_h * m.MS_PER_H:
        return {}
    wanted = f"Water has been wanted for {wait_h:g} h and none came."
    told = (wanted, watering_words(state.watering_answer), lasting(state, settings))
    return {"water_missing": " ".join(words for words in told if words)}


def lasting(state: m.State, settings: Settings) -> str:
    """How long what holds the water back will last, and what ends it sooner."""
    reason = state.watering_answer
    if reason.startswith("tripped:"):
        return "It lasts until somebody has looked at the chamber and cleared the trip."
    if reason in NOT_GREETED_YET:
        return "It lasts until the board answers: look at its cable and its power."
    if reason == "limits_differ":
        return "It lasts until the board is flashed with this program's limits."
    if reason in ("total_cap", "dose_ids_used_up", "tube_worn", "pump_drifted"):
        return "It lasts to the end of the run unless a person does something about it."
    if reason == "refused:window_full":
        return "It lasts up to 25 hours, until the board's own count of the last day has room again."
    if reason in watering.WINDOWS_MS:
        return f"It lasts {watering.until_room_ms(state, settings, reason) / m.MS_PER_H:.1f} h more."
    if reason.startswith("refused:") or reason in ("dose_not_started", "dose_not_given", "dose_in_doubt"):
        return "It is tried again every few minutes: look at the board, its cable and its power."
    if reason == "moisture_untrusted":
        return "It lasts until the moisture probe can be trusted again: look at its plug and its cable."
    return ""


def _aged_pump(state: m.State, settings: Settings) -> dict[str, str]:
    """What the hours of the tube and the drift of the factor ask for; whether they stop water is the plan's to say."""
    age, life_h = state.pump_age, settings.chamber.pump.tube_life_h
    turned_h = age.turned_ms / m.MS_PER_H
    found = {}
    if turned_h > life_h:
        found["tube_worn"] = f"The pump has turned its tube for more than {life_h:g} h: put in a new one, calibrate it."
    elif turned_h > TUBE_WARNS_FRACTION * life_h:
        found["tube_ageing"] = f"The pump has turned its tube for {turned_h:.1f} of {life_h:g} h: have a new one ready."
    if age.drifts or age.drift_pct > settings.chamber.acceptance.pump_drift_max_pct:
        found["pump_drifts"] = f"The pump's factor has moved, by {age.drift_pct:.1f} % at least: calibrate the pump."
    return found


def hold_ms(alarm: str) -> int:
    return 0 if alarm in AT_ONCE or alarm.startswith("trip_") else HOLD_MS


def judge(
    alarms: tuple[tuple[str, m.AlarmState], ...], found: dict[str, str], at: m.Moment
) -> tuple[tuple[tuple[str, m.AlarmState], ...], list[m.AlarmRecord]]:
    """The alarms after this moment, and a record for each one that was raised or ended."""
    if not alarms and not found:
        return alarms, []
    before = dict(alarms)
    after: list[tuple[str, m.AlarmState]] = []
    records: list[m.AlarmRecord] = []
    for name in sorted(before.keys() | found.keys()):
        holds = name in found
        alarm = before.get(name, m.AlarmState(at.monotonic_ms, holds, False))
        if alarm.holds != holds:
            alarm = m.AlarmState(at.monotonic_ms, holds, alarm.raised)
        if alarm.raised != holds and at.monotonic_ms - alarm.since_ms >= hold_ms(name):
            records.append(m.AlarmRecord(at, name, holds, found.get(name, "This is over.")))
            alarm = m.AlarmState(alarm.since_ms, holds, holds)
        if alarm.raised or holds:
            after.append((name, alarm))
    return tuple(after), records


def status_pattern(state: m.State) -> str:
    """What the status lamp shows: fast for a trip or failing records, slow for an alarm, else steady."""
    if state.trips or state.records_failed:
        return m.STATUS_FAST
    return m.STATUS_SLOW if any(alarm.raised for _, alarm in state.alarms) else m.STATUS_STEADY


def held_back(state: m.State, settings: Settings) -> tuple[str, bool]:
    """(why there is no water now or "", whether the plan wants any): what a teacher may ask at any moment."""
    wanted = watering.wanted_dose(state, settings)
    if state.phase == m.PREPARING:
        reason = hands_on.held_before_wetting(state, settings)
        return reason, reason != "steps_not_signed"
    if state.phase in (m.DRAINING, m.OPENING):
        return "steps_not_signed", False
    if state.phase == m.CALIBRATING:
        return watering.board_reason(state, settings), False
    if state.phase in (m.SOAKING, m.ENDED):
        return state.phase, False
    if wanted is None:
        untrusted = (
            state.phase == m.GROWING
            and settings.plan.watering.moisture is not None
            and state.moisture_untrusted_since_run_ms is not None
        )
        reason = watering.board_reason(state, settings)
        if not untrusted:
            return reason, False
        # with a fallback the plan itself orders the wait for its next dose
        return reason or "moisture_untrusted", settings.plan.watering.fallback is None
    return watering.may_dose(state, settings, wanted), True
