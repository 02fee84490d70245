"""People's part: phases that wait for hands, steps that fall due, requests and their answers."""

from datetime import UTC, datetime, timedelta

from controller.control import asked_clears, dose_life, photoperiod, watering
from controller.control import model as m
from controller.control.remember import noted
from controller.control.words import watering_words
from controller.plan import HandsOnStep, Settings

Decision = tuple[m.State, list[m.Action]]

HEIGHT_MAX_MM, LEAVES_MAX, STAGE_MAX_BBCH = 3_000.0, 500, 99
GATES = {m.PREPARING: "before_wetting", m.DRAINING: "after_soak", m.OPENING: "after_drain"}
DUE_PHASES = {
    "before_wetting": (m.PREPARING,),
    "after_soak": (m.DRAINING, m.OPENING, m.GROWING),
    "after_drain": (m.OPENING, m.GROWING),
}


def gates_open(state: m.State, settings: Settings, due: str) -> bool:
    """Whether every gating step of this kind is signed."""
    return all(s.name in state.steps_done for s in settings.plan.steps if s.gate and s.due == due)


def run_utc_ms(state: m.State) -> int:
    """UTC by the run clock: hydration's UTC plus elapsed time."""
    return state.now.utc_ms if state.hydrated_utc_ms is None else state.hydrated_utc_ms + state.run_ms


def day_moment_utc_ms(hydrated_utc_ms: int, step: HandsOnStep) -> int:
    """When an ``on_day`` step falls due: that many UTC days after the day of hydration, at its time of day."""
    day = photoperiod.moment_of(hydrated_utc_ms).date() + timedelta(days=step.day or 0)
    at_utc = step.at_utc
    clock = datetime(day.year, day.month, day.day, tzinfo=UTC)
    if at_utc is not None:
        clock = clock.replace(hour=at_utc.hour, minute=at_utc.minute, second=at_utc.second)
    return photoperiod.utc_ms(clock)


# -- phases ----


def phase_after(state: m.State, settings: Settings) -> Decision:
    """Move to the next phase when this one is over; at most one move a tick, each with its record."""
    phase = state.phase
    spent_ms = state.run_ms - state.phase_since_run_ms
    wetting = settings.plan.first_wetting
    if phase == m.PREPARING:
        if not held_before_wetting(state, settings):
            return _hydrate(state, settings)
    elif phase == m.WETTING:
        if settings.steps_for(watering.wetting_left_ml(state, settings)) < 1:
            return _enter(state, m.SOAKING, settings)
    elif phase == m.SOAKING:
        if spent_ms >= wetting.soak_s * 1000:
            return _enter(state, m.DRAINING if wetting.drain else m.OPENING, settings)
    elif phase == m.DRAINING:
        if gates_open(state, settings, "after_soak"):
            return _enter(state, m.OPENING, settings)
    elif phase == m.OPENING and gates_open(state, settings, "after_drain"):
        return _enter(state, m.GROWING, settings)
    if phase != m.ENDED and state.run_ms >= settings.plan.length_days * m.MS_PER_DAY:
        return _enter(state, m.ENDED, settings)
    return state, []


def held_before_wetting(state: m.State, settings: Settings) -> str:
    """Why a run that is getting ready does not begin: time zero is the first water, so it waits until that may flow."""
    if not gates_open(state, settings, "before_wetting"):
        return "steps_not_signed"
    # the pause after water that was found on the board begins with the run clock, which stands still until then
    ready = state.but(phase=m.WETTING, given_lately=_given_by_now(state), last_dose_run_ms=None)
    wanted = watering.wanted_dose(ready, settings)
    return watering.board_reason(state, settings) if wanted is None else watering.may_dose(ready, settings, wanted)


def _given_by_now(state: m.State) -> tuple[m.Given, ...]:
    """The water of other journals as old as it is now: the run clock stands still while people get ready.

    What the board told of meanwhile, and stands in this journal, counts as given now.
    """
    waited_ms = state.now.monotonic_ms - state.looked_elsewhere_ms
    return tuple(
        given
        if given.dose_id
        else given._replace(run_ms=given.run_ms - waited_ms, began_run_ms=given.began_run_ms - waited_ms)
        for given in state.given_lately
    )


def _hydrate(state: m.State, settings: Settings) -> Decision:
    state = state.but(given_lately=_given_by_now(state), run_clock_placed=True, run_ms=0)
    return _enter(state, m.WETTING, settings)


def _enter(state: m.State, phase: str, settings: Settings) -> Decision:
    state, entered = noted(state, m.PhaseRecord(state.now, phase, state.run_ms), settings)
    if phase == m.GROWING:
        is_trusted = watering.water_content_fraction(state, settings) is not None
        state = state.but(moisture_untrusted_since_run_ms=None if is_trusted else state.run_ms)
    state, due = fall_due(state, settings)
    return state, [*entered, *due]


def fall_due(state: m.State, settings: Settings) -> Decision:
    """Mark the steps whose moment has come."""
    actions: list[m.Action] = []
    for step in settings.hands_on_steps:
        if step.name in state.steps_due:
            continue
        if step.due == "on_day":
            if state.run_ms < ((step.day or 0) - 1) * m.MS_PER_DAY:
                continue  # cannot be due yet, whatever its time of day
            hydrated = state.hydrated_utc_ms
            due = hydrated is not None and run_utc_ms(state) >= day_moment_utc_ms(hydrated, step)
        else:
            due = state.phase in DUE_PHASES[step.due]
        if due:
            state, recorded = noted(state, m.StepRecord(state.now, step.name, done=False, signed_by=""), settings)
            actions += recorded
    return state, actions


# -- requests ----


def requested(state: m.State, request: m.Request, settings: Settings) -> Decision:
    """Grant or refuse what a person asks, always with an answer in plain words."""
    if asked_clears.is_too_old(state, request):
        return asked_clears.answered(state, request.request_id, asked_clears.TOO_OLD)
    if not request.asked_by.strip():
        return state, [_answer(state, request, False, "Initials are needed.")]
    if request.request == m.SIGN_STEP:
        return _sign(state, request, settings)
    if request.request == m.CLEAR_TRIP:
        return asked_clears.clear(state, request, settings)
    if request.request == m.OBSERVE:
        return _observe(state, request, settings)
    if request.request == m.GIVE_PORTION:
        return _give_portion(state, request, settings)
    if request.request == m.END_RUN:
        state, ended = _enter(state, m.ENDED, settings)
        return state, [*ended, _answer(state, request, True, "The run has ended.")]
    if request.request == m.SEE_ALARM:
        return _see(state, request)
    if request.request == m.TRY_ALERT:
        words = f"A trial message was asked for by {request.asked_by}."
        return state, [
            m.Append(m.EventRecord(state.now, "alert_test", words)),
            _answer(state, request, True, "Written."),
        ]
    return state, [_answer(state, request, False, f"{request.request} is not something that can be asked.")]


def _answer(state: m.State, request: m.Request, granted: bool, words: str) -> m.Action:
    event = asked_clears.FITS if granted else asked_clears.DOES_NOT_FIT
    return asked_clears.answered(state, request.request_id, event, words)[1][0]


def portion_steps(subject: str) -> int | None:
    """The steps that a request for a portion names, or None when it names no whole number from 1 to nine digits."""
    if not (subject.isascii() and subject.isdecimal() and len(subject) <= 9):
        return None
    return int(subject) or None


def _give_portion(state: m.State, request: m.Request, settings: Settings) -> Decision:
    """One portion into a technician's vessel: the same board, interlocks, limits and records as any dose."""
    if state.phase != m.CALIBRATING:
        words = "Portions are given only in a calibration, never in a run."
        return state, [_answer(state, request, False, words)]
    steps = portion_steps(request.subject)
    if steps is None:
        words = f"A portion is a whole number of steps, 1 or more; {request.subject!r} is not."
        return state, [_answer(state, request, False, words)]
    wanted = watering.Wanted(m.CALIBRATION, steps * settings.chamber.pump.ml_per_step)
    reason = watering.may_dose(state, settings, wanted)
    if reason:
        return state, [_answer(state, request, False, watering_words(reason))]
    state, opened = dose_life.open_dose(state, settings, wanted, steps)
    return state, [_answer(state, request, True, f"Portion {state.last_dose_id}."), *opened]


def _sign(state: m.State, request: m.Request, settings: Settings) -> Decision:
    step = next((s for s in settings.hands_on_steps if s.name == request.subject), None)
    if step is None:
        names = ", ".join(s.name for s in settings.hands_on_steps)
        return state, [_answer(state, request, False, f"{request.subject} is not a step of this plan ({names}).")]
    if step.name not in state.steps_due:
        return state, [_answer(state, request, False, f"{step.title}: not due yet.")]
    if step.name in state.steps_done:
        return state, [_answer(state, request, False, f"{step.title}: already signed.")]
    if step.asks_drained_mass and request.drained_g is None:
        return state, [_answer(state, request, False, f"{step.title}: give the drained mass in grams.")]
    given_ml = state.first_wetting_given_ml + state.watering_given_ml
    if request.drained_g is not None and not 0.0 <= request.drained_g <= given_ml + 50.0:
        words = f"{step.title}: {request.drained_g:g} g cannot have drained from {given_ml:g} ml given."
        return state, [_answer(state, request, False, words)]
    record = m.StepRecord(state.now, step.name, True, request.asked_by, request.drained_g, request.note)
    state, recorded = noted(state, record, settings)
    return state, [*recorded, _answer(state, request, True, f"{step.title}: signed.")]


def _see(state: m.State, request: m.Request) -> Decision:
    """Somebody has seen an alarm; nothing but the record changes."""
    if not any(name == request.subject and alarm.raised for name, alarm in state.alarms):
        return state, [_answer(state, request, False, f"There is no alarm {request.subject!r} now.")]
    words = f"{request.subject} was seen by {request.asked_by}."
    return state, [
        m.Append(m.EventRecord(state.now, f"alarm_seen_{request.subject}", words)),
        _answer(state, request, True, "Written."),
    ]


def _observe(state: m.State, request: m.Request, settings: Settings) -> Decision:
    if request.position not in [p.number for p in settings.plan.positions]:
        return state, [_answer(state, request, False, f"There is no position {request.position} in this plan.")]
    assert request.position is not None
    for name, value, most, unit in (
        ("The height", request.height_mm, HEIGHT_MAX_MM, " mm"),
        ("The number of leaves", request.leaves, LEAVES_MAX, ""),
        ("The growth stage", request.growth_stage_bbch, STAGE_MAX_BBCH, ""),
    ):
        if value is not None and not 0 <= value <= most:
            words = f"{name} must be from 0 to {most:g}{unit}, {value:g} is not."
            return state, [_answer(state, request, False, words)]
    record = m.ObservationRecord(
        state.now,
        request.position,
        request.asked_by,
        request.emerged,
        request.height_mm,
        request.leaves,
        request.growth_stage_bbch,
        request.note,
        request.picture,
        request.corrects,
    )
    return state, [m.Append(record), _answer(state, request, True, "Written.")]
