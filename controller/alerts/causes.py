"""What is worth a message now, and what of it a person has already seen: read from the journal alone."""

from dataclasses import dataclass

from controller.control import model as m
from controller.plan import Settings
from controller.records.following import Followed
from controller.records.journal import Journal
from controller.records.status import status_of

SILENT = "controller_silent"
SEEN_BEFORE = "alarm_seen_"  # an event of this name tells that somebody saw the alarm that follows it
TESTED = "alert_test"
STEP_LATE_MS = 6 * 3_600_000


@dataclass(frozen=True)
class Cause:
    """One thing that stands. An ``urgent`` one is told in quiet hours too."""

    name: str
    words: str
    urgent: bool = False


def causes_of(journal: Journal, settings: Settings, at_utc_ms: int, followed: Followed | None = None) -> list[Cause]:
    """Everything that stands at this moment: trips, alarms, a silent controller, late steps."""
    followed = followed or Followed(settings)
    status = status_of(journal, settings, at_utc_ms, followed)
    if status.phase == m.ENDED:
        return []
    found = [Cause(f"trip_{reason}", words, urgent=True) for reason, words in status.trips]
    found += [Cause(name, words) for name, words in status.alarms_of_people]
    if status.controller_silent:
        found.append(Cause(SILENT, "The controller is silent: nothing is recorded and nobody waters.", urgent=True))
    due = followed.steps_due_since_ms
    for name, title in status.steps_due:
        if at_utc_ms - due.get(name, at_utc_ms) > STEP_LATE_MS:
            found.append(Cause(f"step_{name}", f"A hands-on step is late: {title}."))
    return found


def seen_of(journal: Journal) -> dict[str, int]:
    """Alarm -> when somebody last said that they saw it, on UTC in milliseconds."""
    events = journal.records(m.EventRecord, "event LIKE ?", (SEEN_BEFORE + "%",))
    return {each.event.removeprefix(SEEN_BEFORE): each.at.utc_ms for each in events}


def trials_of(journal: Journal) -> int:
    """How many trial messages were asked for so far."""
    return sum(1 for _ in journal.events(TESTED))
