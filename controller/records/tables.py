"""Rows of the daily, water and events tables, in the order of their columns."""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from controller.control import model as m
from controller.control.model.moments import MS_PER_DAY
from controller.control.words import END_WORDS
from controller.plan import Settings
from controller.records import columns
from controller.records.account import Entry, Totals, entries_of, span_words
from controller.records.cells import Cell, Clock, number, safe
from controller.records.happenings import Happening, happenings_of
from controller.records.journal import Journal
from controller.records.series import Window
from controller.records.survey import Day, Survey
from controller.records.timeline import Timeline

PURPOSE_WORDS = {
    m.FIRST_WETTING: "a portion of the first wetting",
    m.MOISTURE_LED: "the medium was drier than the plan wants",
    m.FIXED_TIME: "a watering time of the plan",
    m.CALIBRATION: "a portion of a calibration, into a technician's vessel",
    m.FALLBACK: "the plan's fallback while the moisture reading was not trusted",
}


def _formed(table: tuple[columns.Column, ...], values: list[Cell]) -> list[str]:
    """Values as cells: numbers with the decimals of their column, None as an empty cell."""
    return [
        ("" if value is None else str(value)) if column.decimals is None else number(_as_float(value), column.decimals)
        for column, value in zip(table, values, strict=True)
    ]


def _as_float(value: Cell) -> float | None:
    return None if value is None else float(value)


def with_mark(rows: Iterable[list[str]], table: tuple[columns.Column, ...], decimal_mark: str) -> Iterator[list[str]]:
    """The same rows with another sign before the decimals of their numbers."""
    places = [place for place, column in enumerate(table) if column.decimals is not None]
    for row in rows:
        if decimal_mark != ".":
            for place in places:
                row[place] = row[place].replace(".", decimal_mark)
        yield row


# -- daily ----


@dataclass(slots=True)
class _DayCounts:
    doses: int = 0
    water: Totals = field(default_factory=Totals)
    alarms: int = 0
    trips: int = 0


def daily_rows(
    journal: Journal, settings: Settings, timeline: Timeline, window: Window, survey: Survey
) -> Iterator[list[str]]:
    """One row a UTC day."""
    counts = _counts_by_day(journal, settings, timeline, window)
    for day in survey.days:
        yield _formed(columns.DAILY, _daily_row(day, counts[day.day]))


def _counts_by_day(
    journal: Journal, settings: Settings, timeline: Timeline, window: Window
) -> defaultdict[int, _DayCounts]:
    counts: defaultdict[int, _DayCounts] = defaultdict(_DayCounts)

    def day_of(at: m.Moment) -> int | None:
        placed = timeline.place(at)
        believed = placed.utc_trusted or not timeline.any_trusted
        return placed.utc_ms // MS_PER_DAY if believed and window.holds(placed.utc_ms) else None

    for entry in entries_of(journal, settings):
        day = day_of(entry.counts_at)
        if day is None:
            continue
        here = counts[day]
        if entry.closed is not None:
            here.doses += entry.closed.steps_max > 0
            here.water = here.water.with_dose(entry.closed, *entry.calibration)
        elif entry.drained is not None:
            here.water = here.water.with_drain(entry.drained.drained_g or 0.0)
    for alarm in journal.records(m.AlarmRecord, "raised = 1"):
        if (day := day_of(alarm.at)) is not None:
            counts[day].alarms += 1
    for trip in journal.records(m.TripRecord):
        if (day := day_of(trip.at)) is not None:
            counts[day].trips += 1
    return counts


def _daily_row(day: Day, counts: _DayCounts) -> list[Cell]:
    return [
        Clock.day(day.day),
        *(day.air_temperature_c.low, day.air_temperature_c.mean, day.air_temperature_c.high),
        *(day.relative_humidity_pct.low, day.relative_humidity_pct.mean, day.relative_humidity_pct.high),
        day.vapour_pressure_deficit_mean_kpa,
        *(day.water_content_fraction.low, day.water_content_fraction.mean, day.water_content_fraction.high),
        day.light_h,
        day.daily_light_integral_mol_m2,
        day.degree_days,
        day.air_temperature_outside_band_h,
        day.relative_humidity_outside_band_h,
        counts.doses,
        counts.water.delivered_ml,
        counts.water.delivered_standard_uncertainty_ml,
        counts.water.drained_ml,
        counts.alarms,
        counts.trips,
        day.readings,
        day.gap_h,
    ]


# -- water ----


def water_rows(
    journal: Journal, settings: Settings, timeline: Timeline, window: Window, clock: Clock
) -> Iterator[list[str]]:
    """One row a dose or drain; the totals run from the beginning of the run, whatever the window."""
    for entry in entries_of(journal, settings):
        placed = timeline.place(entry.at)
        if window.holds(placed.utc_ms):
            hours = timeline.hours_since_hydration(entry.at)
            head: list[Cell] = [clock.utc(placed.utc_ms), clock.local(placed.utc_ms), hours]
            yield _formed(columns.WATER, [*head, *_water_row(entry), int(placed.utc_trusted)])


def _water_row(entry: Entry) -> list[Cell]:
    intended, closed, drained, totals = entry.intended, entry.closed, entry.drained, entry.totals
    ml_per_step, _ = entry.calibration
    return [
        "drain" if drained else "dose",
        entry.dose_id,
        None if drained else (intended.purpose if intended else "unknown"),
        intended.volume_ml if intended else None,
        closed.volume_ml if closed else None,
        closed.steps_min * ml_per_step if closed else None,
        closed.volume_max_ml if closed else None,
        closed.volume_standard_uncertainty_ml if closed else None,
        safe(closed.end_reason) if closed else None,
        safe(water_words(entry)),
        drained.drained_g if drained else None,
        entry.drained_ml,
        entry.drained_standard_uncertainty_ml,
        totals.delivered_ml,
        totals.delivered_standard_uncertainty_ml,
        totals.drained_ml,
        totals.held_ml,
        totals.held_standard_uncertainty_ml,
        safe(drained.signed_by) if drained else None,
    ]


def water_words(entry: Entry) -> str:
    """Why the dose was given and how it ended, or that water was drained."""
    if entry.drained is not None:
        return "Drained and weighed."
    why = PURPOSE_WORDS.get(entry.intended.purpose, entry.intended.purpose) if entry.intended else "no intent recorded"
    if entry.closed is None:
        return f"{why.capitalize()}: not settled yet."
    words = f"{why.capitalize()}: {END_WORDS.get(entry.closed.end_reason, entry.closed.end_reason)}"
    if entry.first_closed is not None:
        words = f"{words.removesuffix('.')}. Corrected later: {span_words(entry.first_closed)} was written first."
    return words


# -- events ----


def event_rows(
    journal: Journal, settings: Settings, timeline: Timeline, window: Window, clock: Clock
) -> Iterator[list[str]]:
    """One row a happening."""
    for happening in happenings_of(journal, settings):
        placed = timeline.place(happening.at)
        if window.holds(placed.utc_ms):
            hours = timeline.hours_since_hydration(happening.at)
            head: list[Cell] = [clock.utc(placed.utc_ms), clock.local(placed.utc_ms), hours]
            yield _formed(columns.EVENTS, [*head, *_event_row(happening), int(placed.utc_trusted)])


def _event_row(happening: Happening) -> list[Cell]:
    seen = happening.observation
    emerged = None if seen is None or seen.emerged is None else int(seen.emerged)
    return [
        happening.kind,
        safe(happening.name),
        safe(happening.words),
        safe(happening.by),
        happening.row,
        seen.corrects if seen else None,
        seen.position if seen else None,
        emerged,
        seen.height_mm if seen else None,
        seen.leaves if seen else None,
        seen.growth_stage_bbch if seen else None,
        happening.drained_g,
        safe(seen.picture) if seen else None,
        safe(happening.note),
    ]
