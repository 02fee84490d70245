"""The life of a person's request, and of the one kind that the board must be asked about: clearing a trip.

A request is made, taken, and answered exactly once. One at a time is asked of the board.
"""

from controller.control import acquaintance, line, trips
from controller.control import model as m
from controller.control.remember import noted
from controller.control.words import trip_words
from controller.plan import Settings
from firmware_bridge import interlocks

Decision = tuple[m.State, list[m.Action]]

# States of a request
MADE = "made"  # it stands in the journal
ASKED = "asked"  # the board was asked
GRANTED = "granted"
REFUSED = "refused"
STATES = (MADE, ASKED, GRANTED, REFUSED)

# What happens to it
FITS = "fits"  # it may be granted by the host alone
DOES_NOT_FIT = "does_not_fit"
TOO_OLD = "too_old"  # whoever asked saw the chamber of another time
ANOTHER_IS_ASKED = "another_is_asked"
IS_THE_BOARDS = "is_the_boards"  # the board must be asked
BOARD_YES = "board_yes"
BOARD_NO = "board_no"
LINE_LOST = "line_lost"
OVERDUE = "overdue"
EVENTS = (FITS, DOES_NOT_FIT, TOO_OLD, ANOTHER_IS_ASKED, IS_THE_BOARDS, BOARD_YES, BOARD_NO, LINE_LOST, OVERDUE)

TRANSITIONS: dict[tuple[str, str], str] = {
    (MADE, FITS): GRANTED,
    (MADE, DOES_NOT_FIT): REFUSED,
    (MADE, TOO_OLD): REFUSED,
    (MADE, ANOTHER_IS_ASKED): REFUSED,
    (MADE, IS_THE_BOARDS): ASKED,
    (ASKED, BOARD_YES): GRANTED,
    (ASKED, BOARD_NO): REFUSED,
    (ASKED, LINE_LOST): REFUSED,
    (ASKED, OVERDUE): REFUSED,
}

LOOK_MS = 60_000  # nobody has looked at a board that was plugged in since less than this
ANSWER_MS = 15_000  # the board answers at once, if the line is there
# What somebody wants now expires: who looked longer ago looks again, and a portion comes while its asker waits for it.
# The other requests tell what was done or seen.
AGE_MS_MAX = {m.CLEAR_TRIP: 600_000, m.GIVE_PORTION: 15_000}

WORDS = {
    TOO_OLD: "That was asked too long ago, or before the controller started; look again and ask again.",
    ANOTHER_IS_ASKED: "The board is just being asked to clear a trip; wait a few seconds and ask again.",
    LINE_LOST: "The board fell silent before it answered; ask again.",
    OVERDUE: "The board did not answer; look at its cable and power, and ask again.",
}


def answered(state: m.State, request_id: int, event: str, words: str = "", before: str = MADE) -> Decision:
    """Answer a request as the table says."""
    granted = TRANSITIONS[(before, event)] == GRANTED
    return state, [m.Append(m.RequestAnswered(state.now, request_id, granted, words or WORDS[event]))]


def is_too_old(state: m.State, request: m.Request) -> bool:
    most_ms = AGE_MS_MAX.get(request.request)
    if most_ms is None:
        return False
    age_ms = state.now.utc_ms - request.at.utc_ms
    return request.at.boot_id != state.now.boot_id or abs(age_ms) > most_ms


def clear(state: m.State, request: m.Request, settings: Settings) -> Decision:
    """Clear a trip on every side that it is latched on. The board is asked first, the host's own latch waits for it."""
    reason, number = request.subject, request.request_id
    sides = [side for latched, side in state.trips if latched == reason]
    if not sides:
        return answered(state, number, DOES_NOT_FIT, f"There is no trip {reason!r} to clear.")
    if state.asked_clear is not None:
        return answered(state, number, ANOTHER_IS_ASKED)
    still = _still(state, reason)
    since_ms = state.strange_board.changed_ms
    if reason == m.BOARD_EXCHANGED and since_ms is not None and state.now.monotonic_ms - since_ms < LOOK_MS:
        still = "Yet another board was plugged in a moment ago; look at it, wait a minute and ask again."
    if m.ON_HOST in sides and still:
        return answered(state, number, DOES_NOT_FIT, still)
    if m.ON_BOARD not in sides:
        state, cleared = _cleared(state, reason, request.asked_by, settings)
        state, said = answered(state, number, FITS, "Cleared.")
        return state, [*cleared, *said]
    if state.line.state not in (line.LISTENING, line.SETTLED) or state.board_trip_number is None:
        return answered(state, number, DOES_NOT_FIT, "The board does not answer; it must be asked first.")
    state, asked = line.say(state, "clear", state.board_trip_number, reason)
    return state.but(asked_clear=m.AskedClear(number, reason, request.asked_by, state.now.monotonic_ms)), [asked]


def _still(state: m.State, reason: str) -> str:
    """Why the host's own trip cannot be cleared yet, or an empty string."""
    reading = state.reading
    if reason == interlocks.LEAK_WET and reading is not None and reading.local_leak_wet:
        return "The controller's own probe is still wet."
    if reason == interlocks.OVERFILL_FLOAT_UP and reading is not None and reading.local_float_up:
        return "The controller's own probe is still wet."
    if reason == m.AIR_TOO_HOT and state.hot_samples:
        return "The air is still too hot."
    if reason in acquaintance.OF_ACQUAINTANCE and state.line.state not in (line.LISTENING, line.SETTLED):
        return "The board does not answer; it must be asked first."
    return ""


def _cleared(state: m.State, reason: str, cleared_by: str, settings: Settings) -> Decision:
    state, actions = noted(state, m.TripCleared(state.now, reason, cleared_by), settings)
    if _still(state, reason):  # wet again while the board was asked
        state, tripped = trips.latch(state, reason, settings)
        return state, [*actions, *tripped]
    if reason in acquaintance.OF_ACQUAINTANCE:
        state, accepted = acquaintance.accepted(state, cleared_by, settings)
        state, hello = line.greet(state)  # it tells its last account again
        actions = [*actions, *accepted, *hello]
    return state, actions


def happened(state: m.State, event: str, settings: Settings, words: str = "") -> Decision:
    """What an event makes of the request that the board was asked about; without one nothing."""
    asked = state.asked_clear
    if asked is None:
        return state, []
    state = state.but(asked_clear=None)
    actions: list[m.Action] = []
    if TRANSITIONS[(ASKED, event)] == GRANTED:
        state, actions = _cleared(state, asked.trip_reason, asked.cleared_by, settings)
        words = "Cleared."
    state, said = answered(state, asked.request_id, event, words, ASKED)
    return state, [*actions, *said]


def pass_time(state: m.State, settings: Settings) -> Decision:
    asked = state.asked_clear
    if asked is None or state.now.monotonic_ms - asked.since_ms < ANSWER_MS:
        return state, []
    return happened(state, OVERDUE, settings)


def board_said(state: m.State, answer: str, settings: Settings) -> Decision:
    """A board that is not tripped any more was cleared by somebody else: that is as good."""
    if answer in (interlocks.ACCEPTED, interlocks.NOT_TRIPPED):
        return happened(state, BOARD_YES, settings)
    words = {
        interlocks.NOT_DRY: _not_dry_words(state.reading),
        interlocks.OTHER_REASON: "The board is tripped for another reason; look again.",
    }.get(answer, f"The board refused: {answer}.")
    return happened(state, BOARD_NO, settings, words)


def _not_dry_words(reading: m.Reading | None) -> str:
    """Which probe keeps the board from being cleared, as far as the newest reading shows."""
    if reading is not None:
        leak, overfill, reservoir = reading.leak_counts, reading.float_counts, reading.reservoir_counts
        if leak is not None and overfill is not None and reservoir is not None:
            fault = interlocks.probe_fault(leak, overfill, reservoir)
            if fault is not None:
                return f"Not yet. {trip_words(fault)} Mend that first, and wait a few seconds."
    return "The board has not seen its probes dry and whole for long enough; wait a few seconds and ask again."
