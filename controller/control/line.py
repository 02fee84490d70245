"""The conversation with the board: four states, the moves between them, and the numbers that keep it honest.

The board numbers each conversation (``firmware_bridge/messages.py`` says why); a message that is not of the one in hand
or not newer than what was heard is dropped here, before anything is made of it.
"""

from controller.control import model as m
from firmware_bridge import limits, messages

Decision = tuple[m.State, list[m.Action]]

DOWN = "down"  # the port cannot be opened
GREETING = "greeting"  # the board was greeted and has not answered
LISTENING = "listening"  # it has answered; its account of the last dose is awaited
SETTLED = "settled"  # it may be asked for water
STATES = (DOWN, GREETING, LISTENING, SETTLED)

FOUND = "found"
LOST = "lost"
ANSWERED = "answered"  # the board's answer to our newest greeting
ACCOUNTED = "accounted"  # a report after which nothing is owed between board and host
ANOTHER_BEGAN = "another_began"  # the board speaks in a later conversation than this one: it restarted, or was greeted
OVERDUE = "overdue"
EVENTS = (FOUND, LOST, ANSWERED, ACCOUNTED, ANOTHER_BEGAN, OVERDUE)

TRANSITIONS: dict[tuple[str, str], str] = {
    (DOWN, FOUND): GREETING,
    (DOWN, LOST): DOWN,
    (GREETING, FOUND): GREETING,
    (GREETING, LOST): DOWN,
    (GREETING, ANSWERED): LISTENING,
    (GREETING, OVERDUE): GREETING,  # greeted again
    (LISTENING, FOUND): GREETING,
    (LISTENING, LOST): DOWN,
    (LISTENING, ANSWERED): LISTENING,
    (LISTENING, ACCOUNTED): SETTLED,
    (LISTENING, ANOTHER_BEGAN): GREETING,
    (LISTENING, OVERDUE): GREETING,
    (SETTLED, FOUND): GREETING,
    (SETTLED, LOST): DOWN,
    (SETTLED, ANSWERED): SETTLED,
    (SETTLED, ACCOUNTED): SETTLED,
    (SETTLED, ANOTHER_BEGAN): GREETING,
    (SETTLED, OVERDUE): GREETING,
}
# How long a state may last without a word of the board. DOWN is the port's to end; an alarm stands meanwhile.
DEADLINES_MS = {GREETING: 3_000, LISTENING: 5_000, SETTLED: 150_000}  # at rest, news come once a minute
HELLOS_PER_BOOT = 1_000_000


def may_happen(state: m.State, event: str) -> bool:
    return (state.line.state, event) in TRANSITIONS


def happened(state: m.State, event: str) -> m.State:
    """The line after an event that may happen in its state."""
    line = state.line
    after = TRANSITIONS[(line.state, event)]
    return state if after == line.state else state.but(line=line._replace(state=after, since_ms=state.now.monotonic_ms))


def say(state: m.State, kind: str, *values: int | str) -> tuple[m.State, m.SendToBoard]:
    """A message under the next number of this conversation."""
    line = state.line
    number = line.said + 1
    return state.but(line=line._replace(said=number)), m.SendToBoard(kind, (line.session, number, *values))


def greet(state: m.State) -> Decision:
    """Begin a conversation. What was said in the last one will never be obeyed once the board has answered."""
    line, at = state.line, state.now
    # A greeting of an earlier life has another number, even if the records of that life are lost and its boot's number
    # is used again: a life greets less often than once a second.
    first = at.boot_id % HELLOS_PER_BOOT * HELLOS_PER_BOOT + at.utc_ms // 1000 % HELLOS_PER_BOOT
    number = (line.hello_number or first) + 1
    line = line._replace(state=GREETING, since_ms=at.monotonic_ms, hello_number=number, hello_ms=at.monotonic_ms)
    hello = m.SendToBoard("hello", (limits.PROTOCOL, messages.LIMITS_CHECKSUM, state.journal_id, number))
    return state.but(line=line), [hello]


def is_overdue(state: m.State) -> bool:
    line = state.line
    allowed_ms = DEADLINES_MS.get(line.state)
    spoken_ms = max(line.since_ms, line.heard_ms)
    return allowed_ms is not None and state.now.monotonic_ms - spoken_ms >= allowed_ms


def heard(state: m.State, message: tuple[str | int | None, ...]) -> m.State | None:
    """The state after a message of this conversation, or None for one that is of another, or late, or a copy."""
    session, number, echo = (messages.number(message, name) for name in ("session", "number", "echo"))
    line = state.line
    if line.state not in (LISTENING, SETTLED) or session != line.session or number <= line.heard:
        return None
    return state.but(line=line._replace(heard=number, echo=echo, heard_ms=state.now.monotonic_ms))
