"""What stands in a journal, read by the judge with its own eyes: rows, nothing that the law makes of them."""

from collections import Counter
from typing import NamedTuple

from controller.control import model as m


class Row(NamedTuple):
    """A record with the true moment at which it was written."""

    true_ms: int
    record: m.Record


class Trip(NamedTuple):
    reason: str
    side: str
    true_ms: int


class Ledger:
    """Doses, trips, answers and the phase as the rows tell them; the last row of a dose's id holds."""

    def __init__(self) -> None:
        self.intents: dict[int, tuple[int, m.DoseIntended]] = {}
        self.closed: dict[int, tuple[int, m.DoseClosed]] = {}
        self.trips: list[Trip] = []
        self.cleared: list[tuple[int, str]] = []  # true moment and reason
        self.answers: Counter[int] = Counter()
        self.boards: list[m.BoardRecord] = []
        self.alarms: set[str] = set()
        self.steps_done: set[str] = set()
        self.phase = m.PREPARING

    def add(self, true_ms: int, record: m.Record) -> None:
        if isinstance(record, m.DoseIntended):
            self.intents[record.dose_id] = (true_ms, record)
        elif isinstance(record, m.DoseClosed):
            self.closed[record.dose_id] = (true_ms, record)
        elif isinstance(record, m.TripRecord):
            if (record.trip_reason, record.side) not in [(trip.reason, trip.side) for trip in self.trips]:
                self.trips.append(Trip(record.trip_reason, record.side, true_ms))
        elif isinstance(record, m.TripCleared):
            self.trips = [trip for trip in self.trips if trip.reason != record.trip_reason]
            self.cleared.append((true_ms, record.trip_reason))
        elif isinstance(record, m.RequestAnswered):
            self.answers[record.request_id] += 1
        elif isinstance(record, m.BoardRecord):
            self.boards.append(record)
        elif isinstance(record, m.AlarmRecord):
            (self.alarms.add if record.raised else self.alarms.discard)(record.alarm)
        elif isinstance(record, m.StepRecord) and record.done:
            self.steps_done.add(record.step)
        elif isinstance(record, m.PhaseRecord):
            self.phase = record.phase

    @property
    def open_ids(self) -> list[int]:
        return [dose_id for dose_id in self.intents if dose_id not in self.closed]

    def counted_steps(self, dose_id: int) -> int:
        """The most that a dose has given, by its rows."""
        if dose_id in self.closed:
            return self.closed[dose_id][1].steps_max
        return self.intents[dose_id][1].dose_steps

    def account_steps(self) -> int:
        """What the journal says was turned for it, at most."""
        ids = self.intents.keys() | self.closed.keys()
        return sum(self.counted_steps(dose_id) for dose_id in ids if self.purpose(dose_id) != m.ELSEWHERE)

    def purpose(self, dose_id: int) -> str:
        return self.intents[dose_id][1].purpose if dose_id in self.intents else ""
