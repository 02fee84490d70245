"""One run as the comparison sees it: aligned on the time since hydration, day by day and hour by hour.

A run comes from its folder or its journal; whatever else can hold one (an archive, parcels) only has to give a
journal and its settings to ``twin_of``.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import numpy as np

from controller.control import model as m
from controller.control.photoperiod import light_anchor_utc_ms, light_fraction
from controller.errors import JournalError, SettingsError
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
from controller.records.timeline import MS_PER_DAY, MS_PER_H, Placed, Timeline
from controller.settings import settings_from_text

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
        warm_c = self.air_temperature_c
        known = np.flatnonzero(~np.isnan(warm_c))
        if not known.size:
            return float("nan")
        places = np.arange(len(warm_c))
        excess_c = np.maximum(0.0, np.interp(places, known, warm_c[known]) - base_c)
        summed = np.concatenate(([0.0], np.cumsum(excess_c) / 24.0))
        return float(np.interp(hour_h, np.arange(len(summed)), summed))


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
    faults: list[str] = field(default_factory=list)

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


def gather(path: Path, name: str | None = None) -> Twin:
    """A run from its folder or journal file. JournalError or SettingsError in one sentence when it is none."""
    journal = Journal.open(path / "journal.sqlite" if path.is_dir() else path)
    try:
        run = journal.run_row()
        settings = settings_from_text(str(run["plan_text"]), str(run["chamber_text"]))
        return twin_of(journal, settings, path if path.is_dir() else path.parent, name)
    finally:
        journal.close()


def gather_all(paths: list[Path]) -> list[Twin]:
    """Runs with names that differ: the site, and the run's own id where two share a site."""
    twins = [gather(path) for path in paths]
    ids = [str(twin.run["run_id"]) for twin in twins]
    for place, run_id in enumerate(ids):
        if run_id in ids[:place] and twins[place].name in [twin.name for twin in twins[:place]]:
            raise SettingsError((f"{paths[place]}: this is run {run_id}, which was given already; give it once.",))
    names = [twin.name for twin in twins]
    return [_renamed(twin, place) if names.count(twin.name) > 1 else twin for place, twin in enumerate(twins, 1)]


def _renamed(twin: Twin, place: int) -> Twin:
    values = dict(twin.__dict__)
    values["name"] = f"{twin.name} ({place})"
    return Twin(**values)


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


def differences_of_plans(twins: list[Twin]) -> list[str]:
    """One sentence for each value in which a plan differs from the first twin's; a changed remark is told too."""
    first, found = twins[0], []
    for other in twins[1:]:
        if other.run["plan_sha256"] == first.run["plan_sha256"]:
            continue
        changes = list(_changes(first.settings.plan, other.settings.plan, ""))
        for key, here, there in changes:
            found.append(f"{key} is {here} at {first.name}, and {there} at {other.name}.")
        if not changes:
            found.append(f"The plan files of {first.name} and {other.name} differ only in remarks or layout.")
    return found


def refuse_unlike(twins: list[Twin], *, unlike_wanted: bool) -> list[str]:
    """The differences of the plans; SettingsError when there are any and nobody asked for them to be overlooked."""
    found = differences_of_plans(twins)
    if found and not unlike_wanted:
        raise SettingsError(
            (
                "These runs are not of one plan (their plan digests differ), so they are no twins. "
                "Give --unlike to compare them all the same.",
                *found,
            )
        )
    return found


def _changes(here: object, there: object, path: str) -> Iterator[tuple[str, str, str]]:
    fields = getattr(here, "__dataclass_fields__", None)
    if fields is not None and type(here) is type(there):
        for name in fields:
            yield from _changes(getattr(here, name), getattr(there, name), f"{path}.{name}" if path else name)
    elif isinstance(here, list) and isinstance(there, list) and len(here) == len(there):
        for place, (one, other) in enumerate(zip(here, there, strict=True), 1):
            yield from _changes(one, other, f"{path}[{place}]")
    elif here != there:
        yield path, _short(here), _short(there)


def _short(value: object) -> str:
    if value is None:
        return "not given"
    text = f"{len(value)} entries" if isinstance(value, list) else str(value)
    return text if len(text) <= 120 else text[:117] + "..."


class _Hourly:
    """Sums of good readings by the hour since hydration, gathered while the days are surveyed."""

    def __init__(self, settings: Settings) -> None:
        self._probe = settings.chamber.moisture_probe
        self._sums: dict[str, Values] = {}
        self._counts: dict[str, Values] = {}

    def take(self, block: Block) -> None:
        hours = block.utc_ms // MS_PER_H
        inside = hours >= 0
        if not inside.any():
            return
        content = water_content_fractions(block, self._probe)
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
