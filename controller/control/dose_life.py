"""The life of a dose on the host, from its record to its account: states, events, and every move between them.

A dose is open from the moment its intent is on disk until its outcome is. Nothing else stops, renews or closes one.
Every state waits, so every state has a deadline and what is safe when it passes. A pair that is not in the table cannot
happen.
"""

from typing import NamedTuple

from controller.control import line, watering
from controller.control import model as m
from controller.control.remember import noted
from controller.plan import Settings
from firmware_bridge import interlocks, limits

Decision = tuple[m.State, list[m.Action]]

# States of an open dose
ASKED = "asked"  # the board was asked and has not answered
TURNING = "turning"  # the board has it in hand; its lease is renewed
STOPPING = "stopping"  # the host says no: "stop" is repeated, nothing is renewed
AWAITED = "awaited"  # nothing is left to say; the board's account is awaited
STATES = (ASKED, TURNING, STOPPING, AWAITED)

# Ends of an open dose
AS_TOLD = "as_told"  # the steps that the board tells
NOTHING = "nothing"  # the board will never obey: no step
ALL = "all"  # nobody knows: from nothing to all of it, counted in full; a later word of the board corrects it
OUTCOMES = (AS_TOLD, NOTHING, ALL)

# What happens to it
ACCEPTED = "accepted"
REFUSED = "refused"
IN_HAND = "in_hand"  # a report of the board shows it in hand
AT_REST = "at_rest"  # a report shows it as the board's last dose, and ended
NEVER_TAKEN = "never_taken"  # a report made after everything we said, by a board that does not know the dose
FORGOTTEN = "forgotten"  # likewise, though the board had taken it
TOLD = "told"  # the board's account
SAYS_NO = "says_no"  # a trip on either side, failing records, the end of the run or of the program
SILENT = "silent"  # no word of the board for longer than its reports are apart
LINE_LOST = "line_lost"  # the port is gone, or the conversation in which it was asked
EXCHANGED = "exchanged"  # another board answers
OVERDUE = "overdue"
EVENTS = (
    ACCEPTED, REFUSED, IN_HAND, AT_REST, NEVER_TAKEN, FORGOTTEN, TOLD, SAYS_NO, SILENT, LINE_LOST, EXCHANGED, OVERDUE,
)  # fmt: skip

TRANSITIONS: dict[tuple[str, str], str] = {
    (ASKED, ACCEPTED): TURNING,
    (ASKED, REFUSED): NOTHING,
    (ASKED, IN_HAND): TURNING,
    (ASKED, AT_REST): AWAITED,
    (ASKED, NEVER_TAKEN): NOTHING,
    (ASKED, FORGOTTEN): ALL,
    (ASKED, TOLD): AS_TOLD,
    (ASKED, SAYS_NO): STOPPING,
    (ASKED, SILENT): ASKED,
    (ASKED, LINE_LOST): AWAITED,
    (ASKED, EXCHANGED): ALL,
    (ASKED, OVERDUE): STOPPING,
    (TURNING, ACCEPTED): TURNING,
    (TURNING, REFUSED): STOPPING,  # a board that takes its word back
    (TURNING, IN_HAND): TURNING,
    (TURNING, AT_REST): AWAITED,
    (TURNING, NEVER_TAKEN): ALL,  # it had accepted
    (TURNING, FORGOTTEN): ALL,
    (TURNING, TOLD): AS_TOLD,
    (TURNING, SAYS_NO): STOPPING,
    (TURNING, SILENT): STOPPING,
    (TURNING, LINE_LOST): AWAITED,  # nothing is renewed, so it ends with its lease
    (TURNING, EXCHANGED): ALL,
    (TURNING, OVERDUE): STOPPING,
    (STOPPING, ACCEPTED): STOPPING,
    (STOPPING, REFUSED): NOTHING,
    (STOPPING, IN_HAND): STOPPING,
    (STOPPING, AT_REST): STOPPING,
    (STOPPING, NEVER_TAKEN): NOTHING,
    (STOPPING, FORGOTTEN): ALL,
    (STOPPING, TOLD): AS_TOLD,
    (STOPPING, SAYS_NO): STOPPING,
    (STOPPING, SILENT): STOPPING,
    (STOPPING, LINE_LOST): STOPPING,  # never resumed: when the line comes back it is stopped again
    (STOPPING, EXCHANGED): ALL,
    (STOPPING, OVERDUE): ALL,
    (AWAITED, ACCEPTED): AWAITED,
    (AWAITED, REFUSED): NOTHING,
    (AWAITED, IN_HAND): TURNING,  # the line came back within the lease
    (AWAITED, AT_REST): AWAITED,
    (AWAITED, NEVER_TAKEN): NOTHING,
    (AWAITED, FORGOTTEN): ALL,
    (AWAITED, TOLD): AS_TOLD,
    (AWAITED, SAYS_NO): STOPPING,
    (AWAITED, SILENT): AWAITED,
    (AWAITED, LINE_LOST): AWAITED,
    (AWAITED, EXCHANGED): ALL,
    (AWAITED, OVERDUE): ALL,
}

ANSWER_MS = 10_000  # the board answers in a hundredth of it
SLOW_MS = 10_000  # beyond steps / rate and the board's own margin
ACCOUNT_MS = 2 * limits.RUN_MS_MAX  # by then no board that keeps its law turns any more
SILENT_MS = 3_000  # a turning board reports twice a second
LEASE_MS = limits.LEASE_MS_MAX
REGREET_MS = 30_000  # a board that rests with a dose it has told already tells it again when it is greeted
UNSTARTED_HOLD_MS = 60_000
REFUSED_HOLD_MS = 600_000
# Refusals that a new greeting settles; one that comes again at once is held as long as any other.
SOON = (interlocks.NOT_GREETED, interlocks.DONE_NOT_SEEN, interlocks.IS_BUSY, interlocks.ID_NOT_NEW)
SOON_HOLD_MS = 5_000


class Told(NamedTuple):
    """The board's account of a dose."""

    steps_min: int
    steps_max: int
    end_reason: str


def deadline_ms(life: m.DoseLife, dose: m.DoseIntended) -> int:
    """How long a state may last."""
    if life.state == ASKED:
        return ANSWER_MS
    if life.state == TURNING:
        return dose.dose_steps * 1000 // dose.steps_per_s + limits.RUN_MARGIN_MS + SLOW_MS
    return ACCOUNT_MS


def happened(state: m.State, event: str, settings: Settings, told: Told | None = None) -> Decision:
    """What an event makes of the open dose; without one nothing."""
    life = state.dose_life
    if life is None:
        return state, []
    after = TRANSITIONS[(life.state, event)]
    if after in OUTCOMES:
        return _end(state, after, settings, told)
    if after != life.state:
        state = state.but(dose_life=life._replace(state=after, since_ms=state.now.monotonic_ms))
    return state, []


def open_dose(state: m.State, settings: Settings, wanted: watering.Wanted, steps: int) -> Decision:
    """Open a dose: its intent is on disk before the command to the board leaves."""
    pump = settings.chamber.pump
    rate = watering.pump_rate_steps_per_s(settings, wanted.purpose)
    dose_id = watering.next_dose_id(state)
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
    before_fraction = watering.water_content_fraction(state, settings)
    state, recorded = noted(state, intent, settings)
    state, asked = line.say(state, "dose", dose_id, steps, rate)
    life = m.DoseLife(ASKED, state.now.monotonic_ms, state.line.session, state.line.said, False, before_fraction)
    return state.but(dose_life=life), [*recorded, asked]


def _end(state: m.State, outcome: str, settings: Settings, told: Told | None) -> Decision:
    dose, life = state.open_dose, state.dose_life
    assert dose is not None
    assert life is not None
    if outcome == ALL:
        told = Told(0, dose.dose_steps, m.IN_DOUBT)
        state = held(state, UNSTARTED_HOLD_MS, "dose_in_doubt")
    elif outcome == NOTHING:
        told = Told(0, 0, m.NOT_STARTED)
        state = held(state, UNSTARTED_HOLD_MS, "dose_not_started")
    assert told is not None
    if outcome == AS_TOLD:
        given = told.steps_max > 0
        state = held(state, 0, "") if given else held(state, UNSTARTED_HOLD_MS, "dose_not_given")
    closed = outcome_of(state, dose, told)
    state, recorded = noted(state, closed, settings)
    awaited = watering.effect_to_see(dose, closed, life.moisture_before_fraction, settings)
    if awaited is None:
        return state, recorded
    state, noticed = noted(state, awaited, settings)
    return state, [*recorded, *noticed]


def held(state: m.State, for_ms: int, reason: str) -> m.State:
    """Leave the board in peace for a while."""
    return state.but(hold_until_ms=state.now.monotonic_ms + for_ms, hold_reason=reason)


def outcome_of(state: m.State, dose: m.DoseIntended, told: Told) -> m.DoseClosed:
    """The outcome of a dose, by the factor that it was intended with."""
    steps_min, steps_max = sorted((told.steps_min, told.steps_max))
    volume_ml, uncertainty_ml, volume_max_ml = watering.volume_of(steps_min, steps_max, dose)
    return m.DoseClosed(
        state.now, dose.dose_id, steps_min, steps_max, told.end_reason, volume_ml, uncertainty_ml, volume_max_ml,
        state.run_ms,
    )  # fmt: skip


def host_says_no(state: m.State, settings: Settings) -> bool:
    """Whether anything on the host forbids that the pump turns."""
    purpose = state.open_dose.purpose if state.open_dose else ""
    trips = watering.trips_that_forbid(state, settings, purpose)
    return bool(trips) or state.records_failed or state.phase == m.ENDED or state.leaving


def obey_the_host(state: m.State, settings: Settings) -> Decision:
    """After every event: from the moment anything says no, the dose is stopped and its lease not renewed."""
    life = state.dose_life
    if life is None or life.state == STOPPING or not host_says_no(state, settings):
        return state, []
    state, moved = happened(state, SAYS_NO, settings)
    state, stop = _stop(state)
    return state, [*moved, *stop]


def _stop(state: m.State) -> Decision:
    if state.line.state == line.DOWN or state.open_dose is None:
        return state, []
    state, stop = line.say(state, "stop", state.open_dose.dose_id)
    return state, [stop]


def repeat_stop(state: m.State) -> Decision:
    """Stop again what is being stopped: once may have been lost."""
    is_stopping = state.dose_life is not None and state.dose_life.state == STOPPING
    return _stop(state) if is_stopping else (state, [])


def pass_time(state: m.State, settings: Settings) -> Decision:
    """Each second: what is due to be said to the board about the open dose, and what its deadline asks for."""
    dose, life, now_ms = state.open_dose, state.dose_life, state.now.monotonic_ms
    if dose is None or life is None:
        return state, []
    passed: list[m.Action] = []
    if now_ms - life.since_ms >= deadline_ms(life, dose):
        state, passed = happened(state, OVERDUE, settings)
    elif now_ms - max(state.line.heard_ms, life.since_ms) >= SILENT_MS:
        state, passed = happened(state, SILENT, settings)
    life = state.dose_life
    if life is None:
        return state, passed
    if life.state == STOPPING:
        state, stop = repeat_stop(state)
        return state, [*passed, *stop]
    if state.line.state != line.SETTLED:
        return state, passed
    if life.state == TURNING:
        state, renew = line.say(state, "renew", dose.dose_id, LEASE_MS)
        return state, [*passed, renew]
    if life.state == ASKED:
        state, ask = line.say(state, "ask")
        return state, [*passed, ask]
    if now_ms - max(life.since_ms, state.line.hello_ms) >= REGREET_MS:
        state, hello = line.greet(state)
        return state, [*passed, *hello]
    return state, passed


def reported(state: m.State, board_state: str, board_dose_id: int, settings: Settings) -> Decision:
    """What a report of this conversation says about the open dose."""
    dose, life = state.open_dose, state.dose_life
    if dose is None or life is None:
        return state, []
    if board_dose_id > dose.dose_id:  # it has taken another since, so it has told this one to somebody else
        return happened(state, FORGOTTEN, settings)
    if board_dose_id < dose.dose_id:
        told_later = state.line.session != life.session or state.line.echo >= life.number
        if not told_later:
            return state, []
        return happened(state, FORGOTTEN if life.taken else NEVER_TAKEN, settings)
    if board_state not in (interlocks.SAVING, interlocks.TURNING):
        return happened(state, AT_REST, settings)
    state, moved = happened(_taken(state), IN_HAND, settings)
    state, stop = repeat_stop(state)  # one of an earlier life is stopped as soon as it is seen
    return state, [*stop, *moved]


def _taken(state: m.State) -> m.State:
    life = state.dose_life
    return state if life is None or life.taken else state.but(dose_life=life._replace(taken=True))


def judged(state: m.State, dose_id: int, answer: str, settings: Settings) -> Decision:
    """The board's answer to the command."""
    dose = state.open_dose
    if dose is None or dose.dose_id != dose_id:
        return state, []
    if answer == interlocks.ACCEPTED:
        return happened(_taken(state), ACCEPTED, settings)
    if state.dose_life is not None and state.dose_life.taken:  # a board that takes its word back: its account decides
        return happened(state, SAYS_NO, settings)
    reason, is_again = "refused:" + answer, state.hold_reason == "refused:" + answer
    state, moved = happened(state, REFUSED, settings)
    words = f"The board refused dose {dose_id}: {answer}."
    refused = m.Append(m.EventRecord(state.now, "board_refused", words))
    if answer not in SOON or is_again:
        return held(state, REFUSED_HOLD_MS, reason), [*moved, refused]
    state, hello = line.greet(held(state, SOON_HOLD_MS, reason))
    return state, [*moved, *hello, refused]


def told(state: m.State, dose_id: int, account: Told, settings: Settings) -> Decision:
    """The board's account of a dose: the end of the open one, or a correction of one that was closed without it."""
    if not _is_of_this_journal(state, dose_id):
        return state, []
    dose = state.open_dose
    if dose is not None and dose.dose_id == dose_id:
        return happened(state, TOLD, settings, account)
    late = next((each for each in state.open_accounts if each.closed.dose_id == dose_id), None)
    if late is None or (late.closed.steps_min, late.closed.steps_max, late.closed.end_reason) == account:
        return state, []
    state, recorded = noted(state, outcome_of(state, late.intent, account), settings)
    words = f"The board has told what became of dose {dose_id}; the account is corrected."
    return state, [*recorded, m.Append(m.EventRecord(state.now, "dose_corrected", words))]


def _is_of_this_journal(state: m.State, dose_id: int) -> bool:
    """Whether it is a dose of ours that the board tells of, and not another journal's of the same number."""
    greeting = state.line.greeting
    return greeting is None or dose_id > greeting.last_dose_id or greeting.journal_id == state.journal_id
