"""Everything that happened in a run besides readings and water, in one row of plain words after the other."""

import heapq
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

from controller.control import model as m
from controller.control.words import END_WORDS, PHASE_WORDS, trip_words, watering_words
from controller.plan import Settings
from controller.records.account import corrects, span_words
from controller.records.journal import Journal

REQUEST_WORDS = {
    m.SIGN_STEP: "Asked to sign off the step {subject}.",
    m.CLEAR_TRIP: "Asked to clear the trip {subject}.",
    m.OBSERVE: "Asked to write down what was seen at position {position}.",
    m.END_RUN: "Asked to end the run.",
    m.SEE_ALARM: "Said that the alarm {subject} was seen.",
    m.TRY_ALERT: "Asked for a trial message.",
}


_Placed = tuple[tuple[int, ...], "Happening"]  # where it stands in the order, and what it is


@dataclass(frozen=True, slots=True)
class Happening:
    """One line: ``kind`` says what sort it is, ``name`` is the project's own word for it, ``words`` are plain."""

    at: m.Moment
    kind: str
    name: str
    words: str
    by: str = ""
    note: str = ""
    row: int | None = None  # number of an observation, which a later one may correct
    observation: m.ObservationRecord | None = None
    drained_g: float | None = None


def happenings_of(journal: Journal, settings: Settings) -> Iterator[Happening]:
    """In the order in which they happened: by boot, and within a boot by the monotonic clock."""
    titles = {step.name: step.title for step in settings.hands_on_steps}

    def told(record_class: type[Any], tell: Callable[..., Happening | None]) -> Iterator[_Placed]:
        asks_first = 0 if record_class is m.Request else 1
        for row, record in journal.numbered(record_class):
            happening = tell(row, record)
            if happening is not None:
                at = happening.at
                yield (at.boot_id, at.monotonic_ms, asks_first, row), happening

    streams = [
        told(m.BootRecord, _boot),
        told(m.PhaseRecord, _phase),
        told(m.DoseClosed, _Corrections()),
        told(m.BoardRecord, _board),
        told(m.WateringAnswer, _answer),
        told(m.TripRecord, _trip),
        told(m.TripCleared, _trip_cleared),
        told(m.AlarmRecord, _alarm),
        told(m.LampRecord, _LampTurns()),
        told(m.StepRecord, lambda row, record: _step(record, titles)),
        told(m.ObservationRecord, _observation),
        told(m.ClockRecord, _clock),
        told(m.EventRecord, _event),
        told(m.Request, _request),
        told(m.RequestAnswered, _request_answered),
    ]
    for _, happening in heapq.merge(*streams, key=lambda each: each[0]):
        yield happening


class _LampTurns:
    """Only light on and light off are told; the ramp between them is in the climate table."""

    def __init__(self) -> None:
        self._lit: bool | None = None

    def __call__(self, row: int, record: m.LampRecord) -> Happening | None:
        lit = record.duty_fraction > 0.0
        if lit == self._lit:
            return None
        self._lit = lit
        return Happening(record.at, "lamp", "lamp_on" if lit else "lamp_off", "Light on." if lit else "Light off.")


class _Corrections:
    """Of the outcomes of doses only those are told that correct an earlier one; the others are the water account."""

    def __init__(self) -> None:
        self._known: dict[int, m.DoseClosed] = {}

    def __call__(self, row: int, record: m.DoseClosed) -> Happening | None:
        before = self._known.get(record.dose_id)
        self._known[record.dose_id] = record
        if before is None or not corrects(record, before):
            return None
        end = END_WORDS.get(record.end_reason, record.end_reason).removesuffix(".")
        words = f"Dose {record.dose_id} is corrected from {span_words(before)} to {span_words(record)}: {end}."
        return Happening(record.at, "dose_corrected", f"dose_{record.dose_id}", words)


def _boot(row: int, record: m.BootRecord) -> Happening:
    words = f"The controller started, software {record.software_version}."
    return Happening(record.at, "boot", f"boot_{record.at.boot_id}", words)


def _phase(row: int, record: m.PhaseRecord) -> Happening:
    return Happening(record.at, "phase", record.phase, PHASE_WORDS.get(record.phase, record.phase))


def _board(row: int, record: m.BoardRecord) -> Happening:
    words = (
        f"Board {record.board_id} answered the greeting: started {record.boots} times, its pump turned "
        f"{record.turned_total_steps} steps in all, its last dose {record.last_dose_id or 'none'}."
    )
    if record.accepted_by:
        words += " A person accepted it for this run."
    return Happening(record.at, "link", "board_known", words, by=record.accepted_by)


def _answer(row: int, record: m.WateringAnswer) -> Happening:
    wanted = " The plan asks for water now." if record.wanted else ""
    return Happening(record.at, "watering_answer", record.reason or "allowed", watering_words(record.reason) + wanted)


def _trip(row: int, record: m.TripRecord) -> Happening:
    words = f"{trip_words(record.trip_reason)} Noticed by the {record.side}."
    if record.side == m.ON_BOARD:
        words += f" The motor was off after {record.motor_off_delay_ms} ms."
    return Happening(record.at, "trip", record.trip_reason, words)


def _trip_cleared(row: int, record: m.TripCleared) -> Happening:
    words = f"Cleared: {trip_words(record.trip_reason)}"
    return Happening(record.at, "trip_cleared", record.trip_reason, words, by=record.cleared_by)


def _alarm(row: int, record: m.AlarmRecord) -> Happening:
    return Happening(record.at, "alarm" if record.raised else "alarm_over", record.alarm, record.words)


def _step(record: m.StepRecord, titles: dict[str, str]) -> Happening:
    title = titles.get(record.step, record.step)
    if not record.done:
        return Happening(record.at, "step_due", record.step, f"Due: {title}.")
    words = f"Done: {title}."
    if record.drained_g is not None:
        words += f" Drained {record.drained_g:g} g."
    return Happening(
        record.at,
        "step_signed",
        record.step,
        words,
        by=record.signed_by,
        note=record.note,
        drained_g=record.drained_g,
    )


def _observation(row: int, record: m.ObservationRecord) -> Happening:
    words = observation_words(record)
    if record.corrects is not None:
        words += f" This corrects observation {record.corrects}."
    return Happening(
        record.at,
        "observation",
        f"position_{record.position}",
        words,
        by=record.seen_by,
        note=record.note,
        row=row,
        observation=record,
    )


def observation_words(record: m.ObservationRecord) -> str:
    """What was seen at a position, in one sentence."""
    seen = []
    if record.emerged is not None:
        seen.append("emerged" if record.emerged else "nothing to see yet")
    if record.height_mm is not None:
        seen.append(f"{record.height_mm:g} mm high")
    if record.leaves is not None:
        seen.append(f"{record.leaves} {'leaf' if record.leaves == 1 else 'leaves'}")
    if record.growth_stage_bbch is not None:
        seen.append(f"growth stage BBCH {record.growth_stage_bbch:02d}")
    return f"Position {record.position}: {', '.join(seen) or 'a note'}."


def _clock(row: int, record: m.ClockRecord) -> Happening:
    moved_s = abs(record.difference_ms) / 1000.0
    way = "forward" if record.difference_ms >= 0 else "back"
    trust = "Network time stands behind it." if record.at.utc_trusted else "No network time stands behind it."
    return Happening(record.at, "clock", "clock_stepped", f"The wall clock moved {way} by {moved_s:g} s. {trust}")


def _event(row: int, record: m.EventRecord) -> Happening | None:
    if record.event == m.CHAMBER_FILE:  # a whole file; what changed in it is told beside it
        return None
    kind = "link" if record.event.startswith(("link_", "board_")) else "event"
    return Happening(record.at, kind, record.event, record.words)


def _request(row: int, record: m.Request) -> Happening:
    words = REQUEST_WORDS.get(record.request, "Asked for {request}.")
    words = words.format(subject=record.subject, position=record.position, request=record.request)
    return Happening(record.at, "request", record.request, words, by=record.asked_by, note=record.note)


def _request_answered(row: int, record: m.RequestAnswered) -> Happening:
    return Happening(record.at, "answer", "granted" if record.granted else "refused", record.words)


def standing_observations(journal: Journal) -> list[tuple[int, m.ObservationRecord]]:
    """Observations that no later one corrects; one that does stands at the time of the first it replaces."""
    rows = list(journal.numbered(m.ObservationRecord))
    first_at = {row: record.at for row, record in rows}
    for row, record in rows:
        if record.corrects in first_at:
            first_at[row] = first_at[record.corrects]
    corrected = {record.corrects for _, record in rows}
    return [(row, replace(record, at=first_at[row])) for row, record in rows if row not in corrected]
