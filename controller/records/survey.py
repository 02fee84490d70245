"""What each closed UTC day of a run was like, from its readings: extremes, means, light, heat, and gaps.

A reading speaks for the time until the next one, unless that comes too late; then nothing is known in between and
nothing is filled in: such a gap counts neither as light nor as darkness, neither as warm nor as cold.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from controller.control import model as m
from controller.control.model.moments import MS_PER_DAY, MS_PER_H
from controller.plan import Climate, Settings
from controller.records.journal import Journal
from controller.records.series import (
    EVERYTHING,
    GOOD,
    Block,
    Left,
    Values,
    Window,
    blocks_of,
    flux_densities_umol_m2_s,
    in_order,
    joined,
    vapour_pressure_deficits_kpa,
    water_content_fractions,
)
from controller.records.timeline import Flags, Milliseconds, Timeline
from controller.science.light import daily_light_integral_mol_m2
from controller.science.thermal_time import degree_days_from_series

LONGEST_GAP_MS = 400 * MS_PER_DAY  # as long as a run may be; a longer one is a clock without any trust that moved
GAP_SAMPLES = 2.5  # readings further apart than this many sampling intervals leave a gap (a choice, no source)


@dataclass(frozen=True, slots=True)
class Span:
    """Lowest, mean and highest of the good readings; None where there was none."""

    low: float | None = None
    mean: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class Day:
    """One UTC day. ``day`` counts days from 1970-01-01; None where there was no good reading."""

    day: int
    readings: int = 0
    air_temperature_c: Span = Span()
    relative_humidity_pct: Span = Span()
    vapour_pressure_deficit_mean_kpa: float | None = None
    water_content_fraction: Span = Span()
    light_h: float | None = None
    daily_light_integral_mol_m2: float | None = None
    degree_days: float | None = None
    air_temperature_outside_band_h: float | None = None
    relative_humidity_outside_band_h: float | None = None
    gap_h: float = 0.0


@dataclass(slots=True)
class Survey:
    """All days of a window of a run, and what was missing."""

    days: list[Day] = field(default_factory=list)
    gaps_ms: list[tuple[int, int]] = field(default_factory=list)  # from, to on UTC
    readings: int = 0
    extent_ms: tuple[int, int] | None = None  # the part of the window, [from, to), in which the run went on
    not_good: dict[str, int] = field(default_factory=dict)  # channel -> readings that were suspect or missing
    left: list[Left] = field(default_factory=list)

    @property
    def unplaced(self) -> int:
        """Readings of boots whose clock was never trusted, left out of the days."""
        return sum(each.unplaced for each in self.left)

    @property
    def out_of_order(self) -> int:
        return sum(each.out_of_order for each in self.left)


@dataclass(frozen=True, slots=True, eq=False)
class _Levels:
    """Moments at which the lamp was set, to what duty, and the flux density at the canopy from then on."""

    utc_ms: Milliseconds
    duty_fraction: Values
    flux_density_umol_m2_s: Values


def survey_of(
    journal: Journal,
    settings: Settings,
    timeline: Timeline,
    window: Window = EVERYTHING,
    blocks: Iterable[Block] | None = None,
) -> Survey:
    """The days of a run. ``blocks`` are its readings in order, where a caller already reads them."""
    survey = Survey()
    if blocks is None:
        blocks = in_order(blocks_of(journal, timeline, window), timeline, survey.left)
    lamp = _lamp_levels(journal, timeline, settings)
    gap_ms = GAP_SAMPLES * settings.plan.sample_every_s * 1000
    sample_ms = round(settings.plan.sample_every_s * 1000)
    survey.not_good = {"air_temperature": 0, "relative_humidity": 0, "moisture": 0}
    before_ms, after_ms = _outside(journal, window)
    first_ms = last_ms = None
    latest_ms = before_ms
    for day, before, here, after in _by_day(blocks):
        _count(survey, here)
        times_ms = here.utc_ms if latest_ms is None else np.concatenate(([latest_ms], here.utc_ms))
        late = np.flatnonzero(np.diff(times_ms) > gap_ms)
        survey.gaps_ms += [(int(times_ms[i]) + sample_ms, int(times_ms[i + 1])) for i in late]
        survey.days.append(_day(day, before, here, after, lamp, gap_ms, settings))
        first_ms = int(here.utc_ms[0]) if first_ms is None else first_ms
        last_ms = latest_ms = int(here.utc_ms[-1])
    if latest_ms is not None and after_ms is not None and after_ms - latest_ms > gap_ms:
        survey.gaps_ms.append((latest_ms + sample_ms, after_ms))
    survey.extent_ms = _extent(window, before_ms, first_ms, last_ms, after_ms)
    survey.gaps_ms = [
        (max(start_ms, window.from_ms), min(end_ms, window.to_ms))
        for start_ms, end_ms in survey.gaps_ms
        if end_ms - start_ms <= LONGEST_GAP_MS and start_ms < window.to_ms and end_ms > window.from_ms
    ]
    survey.days = _with_gaps(survey.days, survey.gaps_ms)
    return survey


def _outside(journal: Journal, window: Window) -> tuple[int | None, int | None]:
    """The last reading before the window and the first after it, so that a gap at an edge is not overlooked."""
    if window == EVERYTHING:
        return None, None
    readings = "(at_utc_ms) FROM readings WHERE utc_trusted = 1 AND at_utc_ms"
    before = journal.connection.execute(f"SELECT max{readings} < ?", (window.from_ms,)).fetchone()[0]
    after = journal.connection.execute(f"SELECT min{readings} >= ?", (window.to_ms,)).fetchone()[0]
    return before, after


def _extent(
    window: Window, before_ms: int | None, first_ms: int | None, last_ms: int | None, after_ms: int | None
) -> tuple[int, int] | None:
    """The part of the window in which the run went on: to its edge where there are readings beyond."""
    start_ms = window.from_ms if before_ms is not None else first_ms
    end_ms = window.to_ms if after_ms is not None else None if last_ms is None else last_ms + 1
    return None if start_ms is None or end_ms is None else (start_ms, end_ms)


def _lamp_levels(journal: Journal, timeline: Timeline, settings: Settings) -> _Levels:
    rows = []
    for each in journal.records(m.LampRecord):
        full = settings.chamber_of(each.at.boot_id).lamp.ppfd_at_full_duty_umol_m2_s
        rows.append((timeline.place(each.at).utc_ms, each.duty_fraction, each.duty_fraction * full))
    rows.sort(key=lambda row: row[0])
    times_ms = np.array([row[0] for row in rows], dtype=np.int64)
    levels = np.array([row[1:] for row in rows], dtype=np.float64).reshape(-1, 2)
    return _Levels(times_ms, levels[:, 0], levels[:, 1])


def _count(survey: Survey, here: Block) -> None:
    survey.readings += len(here)
    for channel, quality in (
        ("air_temperature", here.air_quality),
        ("relative_humidity", here.humidity_quality),
        ("moisture", here.moisture_quality),
    ):
        survey.not_good[channel] += int((quality != GOOD).sum())


def _by_day(blocks: Iterable[Block]) -> Iterator[tuple[int, Block | None, Block, Block | None]]:
    """(day, last reading before it, its readings, first reading after it)."""
    before: Block | None = None
    pieces: list[Block] = []
    day = 0
    for block in blocks:
        days = block.utc_ms // MS_PER_DAY
        starts = [0, *(np.flatnonzero(np.diff(days)) + 1).tolist(), len(block)]
        for start, end in pairwise(starts):
            piece = block.only(slice(start, end))
            if pieces and days[start] != day:
                here = joined(pieces)
                yield day, before, here, piece.only(slice(0, 1))
                before, pieces = here.only(slice(-1, None)), []
            day = int(days[start])
            pieces.append(piece)
    if pieces:
        yield day, before, joined(pieces), None


def _day(
    day: int,
    before: Block | None,
    here: Block,
    after: Block | None,
    lamp: _Levels,
    gap_ms: float,
    settings: Settings,
) -> Day:
    """One day's figures; stretches that cross midnight are cut there."""
    edges = joined([each for each in (before, here, after) if each is not None])
    start_ms, end_ms = day * MS_PER_DAY, (day + 1) * MS_PER_DAY
    from_ms, to_ms = np.maximum(edges.utc_ms[:-1], start_ms), np.minimum(edges.utc_ms[1:], end_ms)
    known = np.diff(edges.utc_ms) <= gap_ms
    hours = np.where(known, (to_ms - from_ms) / MS_PER_H, 0.0)
    light_h, ppfd_h = _light(edges, lamp, known, start_ms, end_ms, settings)
    integral = daily_light_integral_mol_m2(ppfd_h / light_h, light_h) if light_h > 0.0 else 0.0
    climate = settings.plan.climate
    deficit_kpa = vapour_pressure_deficits_kpa(here)
    air_good, humidity_good = edges.air_quality[:-1] == GOOD, edges.humidity_quality[:-1] == GOOD
    any_known = bool(known.any())
    return Day(
        day=day,
        readings=len(here),
        air_temperature_c=_span(here.air_temperature_c[here.air_quality == GOOD]),
        relative_humidity_pct=_span(here.relative_humidity_pct[here.humidity_quality == GOOD]),
        vapour_pressure_deficit_mean_kpa=_span(deficit_kpa[~np.isnan(deficit_kpa)]).mean,
        water_content_fraction=_span(water_content_fractions(here, settings)[here.moisture_quality == GOOD]),
        light_h=light_h if any_known else None,
        daily_light_integral_mol_m2=integral if any_known else None,
        degree_days=_degree_days(edges, known, start_ms, end_ms, climate),
        air_temperature_outside_band_h=_outside_h(
            edges.air_temperature_c[:-1],
            air_good & known,
            hours,
            climate.air_temperature_low_c,
            climate.air_temperature_high_c,
        ),
        relative_humidity_outside_band_h=_outside_h(
            edges.relative_humidity_pct[:-1],
            humidity_good & known,
            hours,
            climate.relative_humidity_low_pct,
            climate.relative_humidity_high_pct,
        ),
    )


def _span(values: Values) -> Span:
    if not len(values):
        return Span()
    return Span(float(values.min()), float(values.mean()), float(values.max()))


def _outside_h(values: Values, known: Flags, hours: Values, low: float, high: float) -> float | None:
    if not known.any():
        return None
    return float(hours[known & ((values < low) | (values > high))].sum())


def _light(
    edges: Block, lamp: _Levels, known: Flags, start_ms: int, end_ms: int, settings: Settings
) -> tuple[float, float]:
    """(hours with light, hours times flux density) between two moments, where readings say that the controller was
    there."""
    if len(edges) < 2:
        return 0.0, 0.0
    first, last = edges.utc_ms[0], edges.utc_ms[-1]
    inside = (lamp.utc_ms > first) & (lamp.utc_ms < last)
    moments = np.concatenate((edges.utc_ms, lamp.utc_ms[inside]))
    duties = np.concatenate((edges.lamp_duty_fraction, lamp.duty_fraction[inside]))
    fluxes = np.concatenate((flux_densities_umol_m2_s(edges, settings), lamp.flux_density_umol_m2_s[inside]))
    order = np.argsort(moments, kind="stable")
    moments, duties, fluxes = moments[order], duties[order], fluxes[order]
    stretch = np.searchsorted(edges.utc_ms, moments[:-1], side="right") - 1
    hours = (np.clip(moments[1:], start_ms, end_ms) - np.clip(moments[:-1], start_ms, end_ms)) / MS_PER_H
    hours = np.where(known[np.clip(stretch, 0, len(known) - 1)], hours, 0.0)
    return min(24.0, float(hours[duties[:-1] > 0.0].sum())), float((hours * fluxes[:-1]).sum())


def _degree_days(edges: Block, known: Flags, start_ms: int, end_ms: int, climate: Climate) -> float | None:
    """Degree-days of the stretches in which both ends are good and no gap lies between."""
    good = edges.air_quality == GOOD
    usable = known & good[:-1] & good[1:] & (np.diff(edges.utc_ms) > 0)
    if not usable.any():
        return None
    hours_h = (edges.utc_ms - start_ms) / MS_PER_H
    day_h = (end_ms - start_ms) / MS_PER_H
    total = 0.0
    borders = np.flatnonzero(np.diff(np.concatenate(([0], usable.astype(np.int8), [0]))))
    for start, end in zip(borders[::2].tolist(), borders[1::2].tolist(), strict=True):
        stretch_h, air_c = hours_h[start : end + 1], edges.air_temperature_c[start : end + 1]
        cut_h = np.clip(stretch_h, 0.0, day_h)
        air_c = np.interp(cut_h, stretch_h, air_c)
        kept = np.concatenate(([True], np.diff(cut_h) > 0.0))
        if kept.sum() > 1:
            total += degree_days_from_series(cut_h[kept], air_c[kept], climate.degree_day_base_c)
    return total


def _with_gaps(days: list[Day], gaps_ms: list[tuple[int, int]]) -> list[Day]:
    """The same days with their share of the gaps, and an empty day for each one that has no reading at all."""
    found = {each.day: each for each in days}
    gap_h = dict.fromkeys(found, 0.0)
    for from_ms, to_ms in gaps_ms:
        for day in range(from_ms // MS_PER_DAY, (to_ms - 1) // MS_PER_DAY + 1):
            start_ms, end_ms = max(from_ms, day * MS_PER_DAY), min(to_ms, (day + 1) * MS_PER_DAY)
            gap_h[day] = gap_h.get(day, 0.0) + (end_ms - start_ms) / MS_PER_H
    return [replace(found.get(day, Day(day)), gap_h=hours) for day, hours in sorted(gap_h.items())]
