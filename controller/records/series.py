"""The readings of a journal as blocks of arrays, placed on UTC, and what is derived from them.

Blocks are read one after the other, so a year of readings takes no more memory than a block.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import chain
from sqlite3 import Cursor
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from controller.control import model as m
from controller.control.model.moments import MS_PER_H
from controller.plan import Chamber, MoistureProbe, Settings
from controller.records.journal import Journal
from controller.records.timeline import Flags, Milliseconds, Timeline
from controller.science.air import dew_point_c, vapour_pressure_deficit_kpa

ROWS_PER_BLOCK = 16_384
ROWS_PER_FETCH = 1_024
QUALITIES = (m.MISSING, m.SUSPECT, m.GOOD)  # a quality is its place in this row
GOOD = QUALITIES.index(m.GOOD)

Values = NDArray[np.float64]
Codes = NDArray[np.int8]

# trust and qualities in one number, base 4; the plain case is told apart first because it is nearly all there is
_CODE = " + ".join(
    f"{4**place} * CASE {channel}_quality " + " ".join(f"WHEN '{q}' THEN {i}" for i, q in enumerate(QUALITIES)) + " END"
    for place, channel in enumerate(("air", "humidity", "moisture"))
)
_SELECT = f"""
SELECT at_utc_ms, run_ms, air_temperature_c, relative_humidity_pct, moisture_counts, lamp_duty_fraction,
       CASE WHEN utc_trusted = 1 AND air_quality = '{m.GOOD}' AND humidity_quality = '{m.GOOD}'
            AND moisture_quality = '{m.GOOD}' THEN {64 + GOOD * 21} ELSE 64 * utc_trusted + {_CODE} END{{more}}
FROM readings WHERE (utc_trusted = 0 OR (at_utc_ms >= ? AND at_utc_ms < ?)) AND row_id > ? AND row_id <= ?
ORDER BY row_id
"""
_DOUBTED = ", CASE utc_trusted WHEN 0 THEN monotonic_ms ELSE 0 END, CASE utc_trusted WHEN 0 THEN boot_id ELSE 0 END"
_BOOT = ", boot_id"


class Window(NamedTuple):
    """From ``from_ms`` on, up to but not including ``to_ms``, in milliseconds of UTC."""

    from_ms: int = -(2**62)
    to_ms: int = 2**62

    def holds(self, utc_ms: int) -> bool:
        return self.from_ms <= utc_ms < self.to_ms


EVERYTHING = Window()


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Readings that follow each other. Raw values are NaN where nothing could be read; qualities are codes."""

    utc_ms: Milliseconds
    utc_trusted: Flags
    hours_since_hydration: Values  # NaN before hydration
    air_temperature_c: Values
    relative_humidity_pct: Values
    moisture_counts: Values
    lamp_duty_fraction: Values
    air_quality: Codes
    humidity_quality: Codes
    moisture_quality: Codes
    chamber: NDArray[np.int16]  # which of the run's chamber files held, 0 for the one it was begun with

    def __len__(self) -> int:
        return len(self.utc_ms)

    def only(self, rows: Flags | slice) -> "Block":
        """Some of the rows."""
        return Block(*(getattr(self, name)[rows] for name in Block.__slots__))


def joined(blocks: list[Block]) -> Block:
    """Blocks end to end."""
    if len(blocks) == 1:
        return blocks[0]
    return Block(*(np.concatenate([getattr(block, name) for block in blocks]) for name in Block.__slots__))


def _qualities(codes: Codes) -> tuple[Codes, Codes, Codes]:
    return codes % 4, codes // 4 % 4, codes // 16


def _fetched(found: Cursor, width: int) -> Values:
    """The next rows as numbers, NaN for what is not there; a few at a time, so that few objects live at once."""
    parts = []
    for _ in range(-(-ROWS_PER_BLOCK // ROWS_PER_FETCH)):
        taken = found.fetchmany(min(ROWS_PER_FETCH, ROWS_PER_BLOCK))
        parts.append(np.fromiter(chain.from_iterable(taken), dtype=np.float64, count=len(taken) * width))
        if len(taken) < ROWS_PER_FETCH:
            break
    return np.concatenate(parts).reshape(-1, width)


def blocks_of(
    journal: Journal, timeline: Timeline, window: Window = EVERYTHING, rows: tuple[int, int] = (0, 2**62)
) -> Iterator[Block]:
    """All readings inside the window, in the order they were written; of ``rows`` (above one, up to another) only."""
    any_doubted = timeline.doubted_readings != (0, 0)
    boots = np.array(timeline.chamber_boots, dtype=np.int64)
    more = (_DOUBTED if any_doubted else "") + (_BOOT if len(boots) else "")
    found = journal.connection.execute(_SELECT.format(more=more), (*window, *rows))
    width = len(found.description)
    while len(values := _fetched(found, width)):
        table = np.ascontiguousarray(values.T)  # milliseconds stay exact: they are far below 2**53
        code = table[6].astype(np.int8)
        utc_ms, trusted = table[0].astype(np.int64), code >= 64
        if any_doubted:
            utc_ms, trusted = timeline.place_all(utc_ms, table[7].astype(np.int64), table[8].astype(np.int64), trusted)
        run_h = table[1] / MS_PER_H
        if timeline.hydrated is not None and timeline.hydrated.utc_trusted:
            by_utc_h = (utc_ms - timeline.hydrated.utc_ms) / MS_PER_H
            run_h = np.where(trusted & (by_utc_h >= 0), by_utc_h, run_h)
        air_quality, humidity_quality, moisture_quality = _qualities(code % 64)
        chamber = np.zeros(len(code), dtype=np.int16)
        if len(boots):
            chamber = np.searchsorted(boots, table[-1].astype(np.int64), side="right").astype(np.int16)
        block = Block(
            utc_ms=utc_ms,
            utc_trusted=trusted,
            hours_since_hydration=run_h,
            air_temperature_c=table[2],
            relative_humidity_pct=table[3],
            moisture_counts=table[4],
            lamp_duty_fraction=table[5],
            air_quality=air_quality,
            humidity_quality=humidity_quality,
            moisture_quality=moisture_quality,
            chamber=chamber,
        )
        inside = (utc_ms >= window.from_ms) & (utc_ms < window.to_ms)
        if not inside.all():
            block = block.only(inside)
        if len(block):
            yield block


class Left(NamedTuple):
    """Readings that cannot stand in a table ordered by time."""

    unplaced: int  # of a boot whose clock was never trusted
    out_of_order: int  # earlier than a reading before them


def in_order(blocks: Iterator[Block], timeline: Timeline, left: list[Left]) -> Iterator[Block]:
    """Blocks whose times only grow, for tables over time; ``left`` gets one entry for each block cut short.

    Where no clock of the whole journal was ever trusted, the times as written are used.
    """
    latest_ms = -(2**62)
    for block in blocks:
        wanted = block.utc_trusted if timeline.any_trusted else np.ones(len(block), dtype=np.bool_)
        unplaced = len(block) - int(wanted.sum())
        block = block.only(wanted)
        high_ms = np.maximum.accumulate(np.concatenate(([latest_ms], block.utc_ms)))
        forward = block.utc_ms >= high_ms[:-1]
        latest_ms = int(high_ms[-1])
        if unplaced or not forward.all():
            left.append(Left(unplaced, len(block) - int(forward.sum())))
            block = block.only(forward)
        if len(block):
            yield block


def vapour_pressure_deficits_kpa(block: Block) -> Values:
    """Vapour pressure deficit of each reading; NaN where air temperature or humidity is not good."""
    known = (block.air_quality == GOOD) & (block.humidity_quality == GOOD)
    deficit_kpa = np.full(len(block), np.nan)
    if known.any():
        air_c, humidity_pct = block.air_temperature_c[known], block.relative_humidity_pct[known]
        deficit_kpa[known] = vapour_pressure_deficit_kpa(air_c, humidity_pct)
    return deficit_kpa


def dew_points_c(block: Block) -> Values:
    """Dew point of each reading; NaN where a reading is not good, and in air without any vapour."""
    known = (block.air_quality == GOOD) & (block.humidity_quality == GOOD) & (block.relative_humidity_pct > 0.0)
    dew_c = np.full(len(block), np.nan)
    if known.any():
        dew_c[known] = dew_point_c(block.air_temperature_c[known], block.relative_humidity_pct[known])
    return dew_c


def _by_chamber(block: Block, settings: Settings, figure: Callable[[Chamber], float]) -> Values | float:
    """A figure of the chamber file that held at each reading; one number where there is only one file."""
    figures = [figure(chamber) for chamber in settings.chambers]
    if len(figures) == 1:
        return figures[0]
    known = np.minimum(block.chamber, len(figures) - 1)  # a file taken up this very moment is known at the next look
    values: Values = np.array(figures, dtype=np.float64)[known]
    return values


def outside_calibration(block: Block, settings: Settings) -> Flags:
    """Which good moisture readings lie beyond the counts between which the probe was calibrated."""
    low = _by_chamber(block, settings, lambda chamber: chamber.moisture_probe.calibrated_counts[0])
    high = _by_chamber(block, settings, lambda chamber: chamber.moisture_probe.calibrated_counts[1])
    beyond = (block.moisture_counts < low) | (block.moisture_counts > high)
    return np.asarray((block.moisture_quality == GOOD) & beyond)


def water_content_fractions(block: Block, settings: Settings) -> Values:
    """Volumetric water content by the probe's calibration line; NaN where the moisture reading is not good."""
    counts = np.where(block.moisture_quality == GOOD, block.moisture_counts, np.nan)
    dry_fraction = _by_chamber(block, settings, lambda chamber: chamber.moisture_probe.dry_fraction)
    dry_count = _by_chamber(block, settings, lambda chamber: chamber.moisture_probe.dry_count)
    per_count = _by_chamber(block, settings, lambda chamber: _per_count(chamber.moisture_probe))
    values: Values = dry_fraction + (counts - dry_count) * per_count
    return values


def _per_count(probe: MoistureProbe) -> float:
    return (probe.wet_fraction - probe.dry_fraction) / (probe.wet_count - probe.dry_count)


def flux_densities_umol_m2_s(block: Block, settings: Settings) -> Values:
    """Photosynthetic photon flux density at the canopy, by the lamp's duty and its last check."""
    full = _by_chamber(block, settings, lambda chamber: chamber.lamp.ppfd_at_full_duty_umol_m2_s)
    values: Values = block.lamp_duty_fraction * full
    return values
