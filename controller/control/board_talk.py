"""What the board says and what the host makes of it: its answer to a greeting, its reports, its accounts of doses."""

from controller.control import acquaintance, asked_clears, dose_life, line, trips
from controller.control import model as m
from controller.plan import Settings
from firmware_bridge import interlocks, limits, messages

Decision = tuple[m.State, list[m.Action]]
Message = tuple[str | int | None, ...]


def link_found(state: m.State, settings: Settings) -> Decision:
    state, ended = lost_conversation(line.happened(state, line.FOUND), settings)
    state, hello = line.greet(state)
    return state, [*hello, *ended, m.Append(m.EventRecord(state.now, "link_found", "The line to the board is open."))]


def link_lost(state: m.State, detail: str, settings: Settings) -> Decision:
    state, ended = lost_conversation(line.happened(state, line.LOST), settings)
    words = f"The line to the board is gone: {detail}"
    return state, [m.Append(m.EventRecord(state.now, "link_lost", words)), *ended]


def lost_conversation(state: m.State, settings: Settings) -> Decision:
    """What was asked in a conversation that is over will not be answered in it."""
    state, moved = dose_life.happened(state, dose_life.LINE_LOST, settings)
    state, answered = asked_clears.happened(state, asked_clears.LINE_LOST, settings)
    return state, [*moved, *answered]


def greeted_again(state: m.State, settings: Settings) -> Decision:
    state, ended = lost_conversation(state, settings)
    state, hello = line.greet(state)
    return state, [*hello, *ended]


def pass_time(state: m.State, settings: Settings) -> Decision:
    """Each second: greet a board that has not answered, or has fallen silent."""
    if line.is_overdue(state):
        return greeted_again(line.happened(state, line.OVERDUE), settings)
    return state, []


def reported(state: m.State, message: Message, settings: Settings) -> Decision:
    """What follows from one message of the board."""
    kind = message[0]
    if kind == "board":
        return _answered(state, message, settings)
    if kind not in messages.TO_HOST:
        return state, []
    heard = line.heard(state, message)
    if heard is None:
        return _of_another_conversation(state, message, settings)
    state = heard
    if kind == "report":
        return _report(state, message, settings)
    if kind == "judged":
        return dose_life.judged(state, messages.number(message, "dose_id"), str(message[5]), settings)
    if kind == "cleared":
        return asked_clears.board_said(state, str(messages.word(message, "answer")), settings)
    return _told(state, message, settings)


def _of_another_conversation(state: m.State, message: Message, settings: Settings) -> Decision:
    """A late message is nothing; one of a later conversation means that this one is over."""
    later = messages.number(message, "session") > state.line.session
    return _another_began(state, settings) if later else (state, [])


def _another_began(state: m.State, settings: Settings) -> Decision:
    """The board speaks with somebody else, or is another one: our conversation is over, whatever its number."""
    if not line.may_happen(state, line.ANOTHER_BEGAN):
        return state, []
    return greeted_again(line.happened(state, line.ANOTHER_BEGAN), settings)


# -- greetings ----


def _answered(state: m.State, message: Message, settings: Settings) -> Decision:
    journal_id, hello_number = (messages.number(message, name) for name in ("journal_id", "hello_number"))
    if journal_id != state.journal_id or hello_number > state.line.hello_number:
        if state.line.state == line.GREETING:  # the board may owe it to somebody who is gone
            return state, []
        state, tripped = trips.latch(state, m.SECOND_CONTROLLER, settings)
        state, greeted = _another_began(state, settings)
        return state, [*tripped, *greeted]
    if hello_number != state.line.hello_number or not line.may_happen(state, line.ANSWERED):
        return state, []  # the answer to an earlier greeting of ours
    session, number, echo = (messages.number(message, name) for name in ("session", "number", "echo"))
    if session == state.line.session and number <= state.line.heard:
        # a copy, unless it is another board, whose conversations may have the same numbers
        known = state.line.greeting
        is_copy = known is None or known.board_id == messages.number(message, "board_id")
        return (state, []) if is_copy else _another_began(state, settings)
    return _acquainted(state, message, session, number, echo, settings)


def _acquainted(state: m.State, message: Message, session: int, number: int, echo: int, settings: Settings) -> Decision:
    protocol, limits_checksum = message[4], message[5]
    differ = protocol != limits.PROTOCOL or limits_checksum != messages.LIMITS_CHECKSUM
    boots, before = messages.boots_of(session), state.line.greeting
    greeting = m.BoardRecord(
        state.now,
        messages.number(message, "board_id"),
        boots,
        messages.number(message, "last_dose_id"),
        messages.number(message, "turned_total_steps"),
        messages.number(message, "last_journal_id"),
        "",
    )
    actions: list[m.Action] = []
    if before is not None and before.board_id == greeting.board_id and before.boots != boots:
        actions.append(m.Append(m.EventRecord(state.now, "board_restarted", "The board has restarted.")))
    if before is None or before.boots != boots or differ != state.limits_differ:
        words = "The board holds other limits than this program." if differ else "The board holds the same limits."
        actions.append(m.Append(m.EventRecord(state.now, "board_greeted", f"{words} It has started {boots} times.")))
    was_said = state.line.said if session == state.line.session else 0  # echo: a life before may have said more
    state = line.happened(state, line.ANSWERED)
    now_line = state.line._replace(
        session=session,
        said=max(was_said, echo),
        heard=number,
        echo=echo,
        heard_ms=state.now.monotonic_ms,
        greeting=greeting,
    )
    state = state.but(line=now_line, limits_differ=differ, board_trip_number=None)
    state, trip_reason, recorded = acquaintance.judge(state, settings)
    tripped: list[m.Action] = []
    if trip_reason:
        state, tripped = trips.latch(state, trip_reason, settings)
    return state, [*actions, *recorded, *tripped]


# -- reports ----


def _report(state: m.State, message: Message, settings: Settings) -> Decision:
    board_state, trip_reason = str(message[4]), messages.word(message, "trip_reason")
    dose_id, turned_steps = messages.number(message, "dose_id"), messages.number(message, "turned_steps")
    state = state.but(board_trip_number=messages.number(message, "trip_number"))
    actions: list[m.Action] = []
    if trip_reason is not None:
        delay_ms = messages.number(message, "trip_delay_ms")
        state, actions = trips.latch(state, trip_reason, settings, m.ON_BOARD, delay_ms)
    in_hand = board_state in (interlocks.SAVING, interlocks.TURNING)
    dose = state.open_dose
    if in_hand and (dose is None or dose.dose_id != dose_id):  # nobody here wants it
        state, stop = line.say(state, "stop", dose_id)
        return state, [stop, *actions]
    if dose is not None and dose.dose_id == dose_id and turned_steps > dose.dose_steps:
        state, over = trips.latch(state, m.BOARD_OVER_DOSE, settings)
        actions += over
    if acquaintance.is_known(state) or dose is None:
        state, moved = dose_life.reported(state, board_state, dose_id, settings)
        actions += moved
    is_owed = messages.number(message, "done_unseen") == 1 and not in_hand and acquaintance.is_known(state)
    return (state if is_owed else line.happened(state, line.ACCOUNTED)), actions


def _told(state: m.State, message: Message, settings: Settings) -> Decision:
    """Close or correct the account, and only then let the board forget it."""
    dose_id = messages.number(message, "dose_id")
    if not acquaintance.is_known(state):
        return state, []  # a strange board keeps its account until a person has accepted it
    account = dose_life.Told(
        messages.number(message, "steps_min"),
        messages.number(message, "steps_max"),
        str(messages.word(message, "end_reason")),
    )
    is_ours = state.open_dose is not None and state.open_dose.dose_id == dose_id
    over = is_ours and state.open_dose is not None and account.steps_max > state.open_dose.dose_steps
    state, recorded = dose_life.told(state, dose_id, account, settings)
    if not recorded:
        state, recorded = acquaintance.foreign_account(state, dose_id, account, settings)
    if over:
        state, tripped = trips.latch(state, m.BOARD_OVER_DOSE, settings)
        recorded = [*recorded, *tripped]
    state, seen = line.say(state, "seen", dose_id)
    return state, [*recorded, seen]
