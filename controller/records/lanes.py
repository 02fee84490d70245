"""What lies on the page's time line: lanes of spans and marks, from the records of a run."""

from dataclasses import dataclass, field

from controller.control import model as m
from controller.records.journal import Journal
from controller.records.timeline import Timeline

Span = tuple[int, int]  # from, to on UTC in ms


@dataclass(frozen=True, slots=True)
class Lane:
    """One line: ``spans`` last for a time, ``marks`` are single moments. ``style`` tells lanes apart in print."""

    title: str
    style: str
    spans: list[Span] = field(default_factory=list)
    marks: list[int] = field(default_factory=list)


def lanes_of(journal: Journal, timeline: Timeline, gaps_ms: list[Span], end_ms: int) -> list[Lane]:
    """The lanes, those that stopped water first; a lane without anything in it is kept, because empty says well."""

    def moments(record_class: type[m.ClockRecord | m.BootRecord | m.ObservationRecord], where: str = "") -> list[int]:
        return sorted({timeline.place(record.at).utc_ms for record in journal.records(record_class, where)})

    signed = {timeline.place(step.at).utc_ms for step in journal.records(m.StepRecord, "done = 1")}
    links = {
        timeline.place(event.at).utc_ms for event in journal.records(m.EventRecord) if event.event != "records_resumed"
    }
    return [
        Lane("Trips", "trip", spans=trip_spans(journal, timeline, end_ms)),
        Lane("Alarms", "alarm", spans=_alarm_spans(journal, timeline, end_ms)),
        Lane("No readings", "gap", spans=gaps_ms),
        Lane("Steps due", "due", spans=_due_spans(journal, timeline, end_ms)),
        Lane("Steps signed", "signed", marks=sorted(signed)),
        Lane("Looks at the plants", "look", marks=moments(m.ObservationRecord)),
        Lane("Controller starts", "boot", marks=moments(m.BootRecord)),
        Lane("Board and line", "link", marks=sorted(links)),
        Lane("Clock moved", "clock", marks=moments(m.ClockRecord)),
    ]


def trip_spans(journal: Journal, timeline: Timeline, end_ms: int) -> list[Span]:
    """From each trip to its clearing, or to the end of the records."""
    events = [
        *((row, "on", record.trip_reason, record.at) for row, record in journal.numbered(m.TripRecord)),
        *((row, "off", record.trip_reason, record.at) for row, record in journal.numbered(m.TripCleared)),
    ]
    return _spans(events, timeline, end_ms)


def _alarm_spans(journal: Journal, timeline: Timeline, end_ms: int) -> list[Span]:
    events = [
        (row, "on" if record.raised else "off", record.alarm, record.at)
        for row, record in journal.numbered(m.AlarmRecord)
        if not record.alarm.startswith("trip_")  # the lane of the trips has these
    ]
    return _spans(events, timeline, end_ms)


def _due_spans(journal: Journal, timeline: Timeline, end_ms: int) -> list[Span]:
    events = [
        (row, "off" if record.done else "on", record.step, record.at) for row, record in journal.numbered(m.StepRecord)
    ]
    return _spans(events, timeline, end_ms)


def _spans(events: list[tuple[int, str, str, m.Moment]], timeline: Timeline, end_ms: int) -> list[Span]:
    since: dict[str, int] = {}
    spans: list[Span] = []
    for _, turn, name, at in sorted(events, key=lambda event: event[0]):
        placed_ms = timeline.place(at).utc_ms
        if turn == "on":
            since.setdefault(name, placed_ms)
        elif name in since:
            spans.append((since.pop(name), placed_ms))
    spans += [(start_ms, end_ms) for start_ms in since.values()]
    return sorted(spans)


def lit_spans(journal: Journal, timeline: Timeline, gaps_ms: list[Span], end_ms: int) -> list[Span]:
    """When the lamp was on, without the time of which nothing is known."""
    turns = sorted((timeline.place(lamp.at).utc_ms, lamp.duty_fraction > 0.0) for lamp in journal.records(m.LampRecord))
    spans: list[Span] = []
    since_ms: int | None = None
    for at_ms, lit in [*turns, (end_ms, False)]:
        if lit and since_ms is None:
            since_ms = at_ms
        elif not lit and since_ms is not None:
            spans.append((since_ms, at_ms))
            since_ms = None
    for gap_from_ms, gap_to_ms in gaps_ms:
        spans = [
            part
            for start_ms, stop_ms in spans
            for part in ((start_ms, min(stop_ms, gap_from_ms)), (max(start_ms, gap_to_ms), stop_ms))
            if part[0] < part[1]
        ]
    return spans
