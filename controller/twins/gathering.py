"""One run as the comparison sees it: aligned on the time since hydration, day by day and hour by hour.

Wherever a run comes from (its folder, an archive, parcels: see ``sources``), here it is a journal and its settings.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np

from controller.control import model as m
from controller.control.model.moments import MS_PER_DAY, MS_PER_H
from controller.control.photoperiod import light_anchor_utc_ms, light_fraction
from controller.errors import JournalError
from controller.plan import Settings
from controller.records.account import Totals, entries_of, planned_ml
from controller.records.happenings import standing_observations
from controller.records.journal import Journal
from controller.records.series import (
    GOOD,
    Block,
    Values,
    blocks_of,
    in_order,
    vapour_pressure_deficits_kpa,
    water_content_fractions,
)
from controller.records.summary import utc_text
from controller.records.survey import Day, Survey, survey_of
from controller.records.timeline import Placed, Timeline

HOURLY = ("air_temperature_c", "relative_humidity_pct", "vapour_pressure_deficit_kpa", "water_content_fraction")
GAP_TOLD_H = 0.25  # shorter gaps (a restart of the program) are counted, not told one by one
PICTURE_ENDINGS = (".jpg", ".jpeg", ".png")


class Look(NamedTuple):
    """What a person saw at a position, so many hours after hydration."""

    hour_h: float
    position: int
    emerged: bool | None
    height_mm: float | None
    leaves: int | None
    growth_stage_bbch: int | None
    picture: str
    note: str


class Stop(NamedTuple):
    """An interlock that held the water back, from its trip to its clearing (or the end)."""

    reason: str
    from_h: float
    to_h: float


@dataclass(frozen=True, eq=False)
class Hours:
    """Means of the good readings of each hour since hydration; NaN where there was none."""

    air_temperature_c: Values
    relative_humidity_pct: Values
    vapour_pressure_deficit_kpa: Values
    water_content_fraction: Values
    lamp_duty_fraction: Values

    def degree_days_at(self, hour_h: float, base_c: float) -> float:
        """Degree-days from hydration to this hour; hours without a reading are bridged by their neighbours."""
        summed = self.degree_days_by_hour(base_c)
        return float("nan") if summed is None else float(np.interp(hour_h, np.arange(len(summed)), summed))

    def reached_at_h(self, degree_days: float, base_c: float) -> float:
        """The hour since hydration at which so many degree-days were reached; NaN when they never were."""
        summed = self.degree_days_by_hour(base_c)
        if summed is None or not degree_days <= summed[-1] + 1e-9:
            return float("nan")
        return float(np.interp(degree_days, summed, np.arange(len(summed))))

    def degree_days_by_hour(self, base_c: float) -> Values | None:
        """Degree-days up to the start of each hour, and to the end of the last; None without any reading."""
        warm_c = self.air_temperature_c
        known = np.flatnonzero(~np.isnan(warm_c))
        if not known.size:
            return None
        excess_c = np.maximum(0.0, np.interp(np.arange(len(warm_c)), known, warm_c[known]) - base_c)
        return np.concatenate(([0.0], np.cumsum(excess_c) / 24.0))


@dataclass(frozen=True, eq=False)
class Twin:
    """One run. Days and hours count from hydration; only whole days are kept."""

    name: str
    folder: Path
    run: dict[str, str | int]
    settings: Settings
    hydrated_utc_ms: int
    hydrated_utc_trusted: bool
    length_h: float
    days: list[Day]
    planned_light_h: list[float]
    planned_light_integral_mol_m2: list[float]
    survey: Survey
    hours: Hours
    water: Totals
    asked_ml: float
    looks: list[Look]
    stops: list[Stop]
    phase: str
    readings_placed: int
    readings_untrusted: int
    source: str = "run folder"
    not_carried: str = ""  # what such a source does not carry, in a sentence; empty where it carries all

    @property
    def hydrated_at_utc(self) -> str:
        return utc_text(self.hydrated_utc_ms)

    @property
    def simulated(self) -> bool:
        return bool(self.run["simulated"])

    @property
    def gaps_h(self) -> list[tuple[float, float]]:
        """Gaps worth telling, in hours since hydration."""
        return [
            (start / MS_PER_H, end / MS_PER_H)
            for start, end in self.survey.gaps_ms
            if (end - start) / MS_PER_H >= GAP_TOLD_H
        ]


class _SinceHydration:
    """The timeline of a journal with hydration as its zero, so that days are days of the run."""

    def __init__(self, timeline: Timeline, zero_ms: int) -> None:
        self._timeline = timeline
        self._zero_ms = zero_ms
        self.any_trusted = timeline.any_trusted

    def place(self, at: m.Moment) -> Placed:
        placed = self._timeline.place(at)
        return Placed(placed.utc_ms - self._zero_ms, placed.utc_trusted)


def twin_of(journal: Journal, settings: Settings, folder: Path, name: str | None = None) -> Twin:
    """Everything the comparison needs of one journal."""
    timeline = Timeline(journal)
    if timeline.hydrated is None:
        raise JournalError(f"{folder}: this run was never given water, so it has no day 0 and nothing to compare.")
    zero_ms = timeline.hydrated.utc_ms
    since = _SinceHydration(timeline, zero_ms)
    gathered = _Hourly(settings)
    left: list[object] = []
    shifted = _shifted(in_order(blocks_of(journal, timeline), timeline, left), zero_ms, gathered)  # type: ignore[arg-type]
    survey = survey_of(journal, settings, since, blocks=shifted)  # type: ignore[arg-type]
    end_ms = 0 if survey.extent_ms is None else survey.extent_ms[1]
    whole = [day for day in survey.days if day.day >= 0 and (day.day + 1) * MS_PER_DAY <= end_ms + MS_PER_H / 2]
    anchor_ms = light_anchor_utc_ms(settings.plan.photoperiod, zero_ms, settings.chamber.site.time_zone)
    planned = [_planned_light(settings, zero_ms + day.day * MS_PER_DAY, anchor_ms) for day in whole]
    totals = Totals()
    for entry in entries_of(journal, settings):
        totals = entry.totals
    placed, untrusted = timeline.doubted_readings
    phases = list(journal.records(m.PhaseRecord))
    return Twin(
        name=name or settings.chamber.site.name,
        folder=folder,
        run=journal.run_row(),
        settings=settings,
        hydrated_utc_ms=zero_ms,
        hydrated_utc_trusted=timeline.hydrated.utc_trusted,
        length_h=end_ms / MS_PER_H,
        days=whole,
        planned_light_h=[light_h for light_h, _ in planned],
        planned_light_integral_mol_m2=[integral for _, integral in planned],
        survey=survey,
        hours=gathered.hours(),
        water=totals,
        asked_ml=planned_ml(journal, settings),
        looks=_looks(journal, timeline),
        stops=_stops(journal, since, end_ms),
        phase=phases[-1].phase if phases else m.PREPARING,
        readings_placed=placed,
        readings_untrusted=untrusted,
    )


class _Hourly:
    """Sums of good readings by the hour since hydration, gathered while the days are surveyed."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._sums: dict[str, Values] = {}
        self._counts: dict[str, Values] = {}

    def take(self, block: Block) -> None:
        hours = block.utc_ms // MS_PER_H
        inside = hours >= 0
        if not inside.any():
            return
        content = water_content_fractions(block, self._settings)
        for name, values, good in (
            ("air_temperature_c", block.air_temperature_c, block.air_quality == GOOD),
            ("relative_humidity_pct", block.relative_humidity_pct, block.humidity_quality == GOOD),
            ("vapour_pressure_deficit_kpa", vapour_pressure_deficits_kpa(block), None),
            ("water_content_fraction", content, block.moisture_quality == GOOD),
            ("lamp_duty_fraction", block.lamp_duty_fraction, None),
        ):
            wanted = inside & ~np.isnan(values) & (True if good is None else good)
            size = int(hours[-1]) + 1
            for store, weights in ((self._sums, values[wanted]), (self._counts, np.ones(int(wanted.sum())))):
                summed = np.bincount(hours[wanted], weights=weights, minlength=size)
                self._add(store, name, np.asarray(summed, dtype=np.float64))

    @staticmethod
    def _add(store: dict[str, Values], name: str, more: Values) -> None:
        known = store.get(name, np.zeros(0))
        size = max(len(known), len(more))
        store[name] = np.pad(known, (0, size - len(known))) + np.pad(more, (0, size - len(more)))

    def hours(self) -> Hours:
        means = {}
        for name in (*HOURLY, "lamp_duty_fraction"):
            sums, counts = self._sums.get(name, np.zeros(0)), self._counts.get(name, np.zeros(0))
            means[name] = np.divide(sums, counts, out=np.full(len(sums), np.nan), where=counts > 0)
        return Hours(**means)


def _shifted(blocks: Iterator[Block], zero_ms: int, gathered: _Hourly) -> Iterator[Block]:
    for block in blocks:
        values = {name: getattr(block, name) for name in Block.__slots__}
        moved = Block(**(values | {"utc_ms": block.utc_ms - zero_ms}))
        gathered.take(moved)
        yield moved


def _planned_light(settings: Settings, start_ms: int, anchor_ms: int) -> tuple[float, float]:
    """(hours with light, mol per square metre) that the plan gives in the day from ``start_ms`` on."""
    period = settings.plan.photoperiod
    full = settings.lamp_duty_fraction * settings.chamber.lamp.ppfd_at_full_duty_umol_m2_s
    shares = [light_fraction(period, start_ms + minute * 60_000 + 30_000, anchor_ms) for minute in range(1440)]
    return sum(share > 0.0 for share in shares) / 60.0, full * sum(shares) * 60.0 / 1e6


def _looks(journal: Journal, timeline: Timeline) -> list[Look]:
    found = []
    for _, seen in standing_observations(journal):
        hour_h = timeline.hours_since_hydration(seen.at)
        if hour_h is not None:
            found.append(
                Look(
                    hour_h,
                    seen.position,
                    seen.emerged,
                    seen.height_mm,
                    seen.leaves,
                    seen.growth_stage_bbch,
                    seen.picture,
                    seen.note,
                )
            )
    return sorted(found)


def _stops(journal: Journal, since: _SinceHydration, end_ms: int) -> list[Stop]:
    clears = list(journal.numbered(m.TripCleared))
    found = []
    for row, trip in journal.numbered(m.TripRecord):
        cleared = next((c for number, c in clears if number > row and c.trip_reason == trip.trip_reason), None)
        to_ms = end_ms if cleared is None else since.place(cleared.at).utc_ms
        found.append(Stop(trip.trip_reason, since.place(trip.at).utc_ms / MS_PER_H, to_ms / MS_PER_H))
    return found
