"""A person asks a running controller, by a row in its journal, and waits a moment for the answer."""

import time
from collections.abc import Callable
from typing import Any

from controller.chamber.computer_clock import ComputerClock
from controller.chamber.hurried_clock import chamber_utc_ms
from controller.control import model as m
from controller.control.words import PHASE_WORDS, trip_words, watering_words
from controller.plan import Settings
from controller.records.journal import Journal

ANSWER_WITHIN_S = 5.0


def ask(
    journal: Journal,
    wish: dict[str, Any],
    *,
    within_s: float = ANSWER_WITHIN_S,
    clock: Callable[[], float] = time.monotonic,
    pause: Callable[[float], None] = time.sleep,
) -> m.RequestAnswered | None:
    """Write the request; answers what the controller says within that time, or None."""
    now = ComputerClock().now()
    at = m.Moment(now_utc_ms(journal), now.monotonic_ms, journal.next_boot_id() - 1, now.utc_trusted)
    number = journal.ask(m.Request(at=at, request_id=0, **wish))
    until_s = clock() + within_s
    while clock() < until_s:
        answer = journal.answer_to(number)
        if answer is not None:
            return answer
        pause(0.1)
    return None


def now_utc_ms(journal: Journal) -> int:
    """The time in the chamber: the computer's, or that of a simulated one that lives faster."""
    return chamber_utc_ms(journal.path.parent, ComputerClock().now().utc_ms)


def now_words(state: m.State, settings: Settings) -> str:
    """One line for a log: the phase, what holds the water back, what waits for hands."""
    parts = [PHASE_WORDS[state.phase]]
    if state.records_failed:
        parts.append(f"{watering_words('records_failed')} Cause: {state.records_failed_words}.")
    if state.trips:
        parts += [trip_words(reason) for reason, _ in state.trips]
    elif state.watering_answer and not state.records_failed:
        parts.append(watering_words(state.watering_answer))
    waiting = [s.name for s in settings.hands_on_steps if s.name in state.steps_due and s.name not in state.steps_done]
    if waiting:
        parts.append("Waiting for hands: " + ", ".join(waiting) + ".")
    return " ".join(parts)
