"""What the board says to the host in a given state: the next message of the conversation in hand, or any other."""

from typing import Any

from controller.control import model as m
from firmware_bridge import interlocks, limits, messages
from tests import examples

Word = int | str | None


def later(state: m.State, ms: int = 1000, **changes: Any) -> m.Moment:
    """A moment so long after the state's, on both clocks."""
    at = state.now._replace(monotonic_ms=state.now.monotonic_ms + ms, utc_ms=state.now.utc_ms + ms)
    return at._replace(**changes)


def said(state: m.State, kind: str, *values: Word, **conversation: int) -> m.BoardReported:
    """The board's next message, by a board that has heard all that was said; ``session``, ``number`` or ``echo`` of
    another one make it another board's, a late one or a copy."""
    line = state.line
    numbers = {"session": line.session, "number": line.heard + 1, "echo": line.said} | conversation
    return m.BoardReported(later(state, 20), (kind, *numbers.values(), *values))


def judged(state: m.State, answer: str, dose_id: int | None = None, **conversation: int) -> m.BoardReported:
    """The board's answer to the command, by default to the newest dose."""
    return said(state, "judged", state.last_dose_id if dose_id is None else dose_id, answer, **conversation)


def done(
    state: m.State, dose_id: int, steps_min: int, steps_max: int, end_reason: str = "complete", **conversation: int
) -> m.BoardReported:
    """The board's account of a dose."""
    return said(state, "done", dose_id, steps_min, steps_max, end_reason, **conversation)


def cleared(state: m.State, answer: str, **conversation: int) -> m.BoardReported:
    """The board's answer to the wish to clear a trip."""
    return said(state, "cleared", state.board_trip_number, answer, **conversation)


def report(state: m.State, /, **changes: Word) -> m.BoardReported:
    """A report of a dry board at rest after the newest dose it has told, with any field changed."""
    line = state.line
    values = (
        line.session, line.heard + 1, line.said, interlocks.RESTING, None, 0, 0, 5, 0, 0, 2000, 2000, 1000, 1740, 100,
    )  # fmt: skip
    fields: dict[str, Any] = dict(zip(messages.FIELDS["report"], values, strict=True))
    assert changes.keys() <= fields.keys()
    return m.BoardReported(later(state, 20), ("report", *(fields | changes).values()))


def answer(state: m.State, /, *, boots: int | None = None, **changes: Word) -> m.BoardReported:
    """The board's answer to the state's newest greeting, which begins a session: the next, or the first of a start."""
    line = state.line
    known = line.greeting or examples.board(last_dose_id=state.last_dose_id)
    first = (boots or messages.boots_of(line.session) or 1) * messages.SESSIONS_PER_BOOT + 1
    session = max(first, line.session + 1)
    values = (
        session, 1, 0, limits.PROTOCOL, messages.LIMITS_CHECKSUM, state.journal_id, line.hello_number, known.board_id,
        state.last_dose_id, state.journal_id, state.turned_total_steps,
    )  # fmt: skip
    fields: dict[str, Any] = dict(zip(messages.FIELDS["board"], values, strict=True))
    assert changes.keys() <= fields.keys()
    return m.BoardReported(later(state, 20), ("board", *(fields | changes).values()))


def records(actions: list[m.Action]) -> list[m.Record]:
    """What is to be written, in order."""
    return [action.record for action in actions if isinstance(action, m.Append)]


def kinds(actions: list[m.Action]) -> list[str]:
    """Names of what is to be written, in order."""
    return [type(each).__name__ for each in records(actions)]


def sent(actions: list[m.Action]) -> list[tuple[Word, ...]]:
    """What is said to the board, without the numbers of the conversation."""
    return [
        (action.kind, *(action.values if action.kind == "hello" else action.values[2:]))
        for action in actions
        if isinstance(action, m.SendToBoard)
    ]
