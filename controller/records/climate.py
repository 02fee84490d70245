"""Rows of the climate table: every reading, or means of the good readings over equal intervals of UTC."""

from collections.abc import Iterable, Iterator
from itertools import product
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from controller.control.model.moments import MS_PER_H
from controller.plan import Settings
from controller.records.cells import POINT, Clock, Signs, number
from controller.records.columns import CLIMATE
from controller.records.lines import lines, moments, numbers, words
from controller.records.series import (
    GOOD,
    QUALITIES,
    Block,
    Codes,
    Values,
    dew_points_c,
    flux_densities_umol_m2_s,
    outside_calibration,
    vapour_pressure_deficits_kpa,
    water_content_fractions,
)
from controller.records.survey import LONGEST_GAP_MS
from controller.records.timeline import Flags, Timeline

PARTLY = "partly"

_DECIMALS = [column.decimals for column in CLIMATE if column.decimals is not None]


def _measured(block: Block, settings: Settings) -> list[Values]:
    """The number columns after the hours, each reading by itself, raw values as they came."""
    return [
        block.air_temperature_c,
        block.relative_humidity_pct,
        vapour_pressure_deficits_kpa(block),
        dew_points_c(block),
        water_content_fractions(block, settings),
        block.moisture_counts,
        block.lamp_duty_fraction,
        flux_densities_umol_m2_s(block, settings),
    ]


def raw_rows(blocks: Iterable[Block], settings: Settings, clock: Clock, signs: Signs = POINT) -> Iterator[bytes]:
    """One line a reading, in the order of the readings, some thousands at a time. No cell needs quotes."""
    separator, decimal_mark = signs
    tails = [
        separator.join((*qualities, calibrated if qualities[-1] == QUALITIES[GOOD] else "", "1", trusted))
        for trusted, *qualities, calibrated in product(("0", "1"), QUALITIES, QUALITIES, QUALITIES, ("1", "0"))
    ]
    for block in blocks:
        values = [block.hours_since_hydration, *_measured(block, settings)]
        tail = block.utc_trusted.astype(np.int16)
        for codes in _qualities(block):
            tail = len(QUALITIES) * tail + codes
        tail = 2 * tail + outside_calibration(block, settings)
        columns = [
            *moments(block.utc_ms, clock),
            *(numbers(column, decimals, decimal_mark) for column, decimals in zip(values, _DECIMALS, strict=True)),
            words(tails, tail),
        ]
        yield lines(columns, separator)


def _qualities(block: Block) -> tuple[Codes, Codes, Codes]:
    return block.air_quality, block.humidity_quality, block.moisture_quality


class _Sums(NamedTuple):
    """What is gathered about intervals: one row an interval."""

    interval: NDArray[np.int64]
    readings: NDArray[np.int64]
    trusted: NDArray[np.int64]
    sums: Values  # intervals x columns
    counts: NDArray[np.int64]  # how many good readings stand behind each sum
    quality_counts: NDArray[np.int64]  # intervals x channels x qualities
    outside: NDArray[np.int64]  # good moisture readings beyond the probe's calibration


def averaged_rows(
    blocks: Iterable[Block],
    every_ms: int,
    extent_ms: tuple[int, int] | None,
    timeline: Timeline,
    settings: Settings,
    clock: Clock,
) -> Iterator[str]:
    """One line an interval, from the first to the last of ``extent_ms``; without readings its cells are empty."""
    if extent_ms is None:
        return
    following = extent_ms[0] // every_ms
    for sums in _whole(_sums(block, every_ms, settings) for block in blocks):
        means = np.full(sums.sums.shape, np.nan)
        np.divide(sums.sums, sums.counts, out=means, where=sums.counts > 0)
        for row, interval in enumerate(sums.interval.tolist()):
            yield from _empty_rows(following, interval, every_ms, timeline, clock)
            following = interval + 1
            cells = [number(value, form) for value, form in zip(means[row].tolist(), _DECIMALS[1:], strict=True)]
            cells += [_quality_words(counts) for counts in sums.quality_counts[row].tolist()]
            readings, trusted = int(sums.readings[row]), int(sums.trusted[row])
            good_moisture = int(sums.quality_counts[row][-1][GOOD])
            calibrated = "" if not good_moisture else "0" if sums.outside[row] else "1"
            tail = [*cells, calibrated, str(readings), "1" if trusted == readings else "0"]
            yield ",".join([*_head(interval * every_ms, timeline, clock), *tail]) + "\r\n"
    yield from _empty_rows(following, (extent_ms[1] - 1) // every_ms + 1, every_ms, timeline, clock)


def _head(start_ms: int, timeline: Timeline, clock: Clock) -> list[str]:
    hydrated = timeline.hydrated
    hours = None if hydrated is None or start_ms < hydrated.utc_ms else (start_ms - hydrated.utc_ms) / MS_PER_H
    return [clock.utc(start_ms), clock.local(start_ms), number(hours, _DECIMALS[0])]


def _empty_rows(start: int, end: int, every_ms: int, timeline: Timeline, clock: Clock) -> Iterator[str]:
    if (end - start) * every_ms > LONGEST_GAP_MS:
        return
    empty = "," * (len(CLIMATE) - 3)
    for interval in range(start, end):
        yield ",".join(_head(interval * every_ms, timeline, clock)) + empty + "\r\n"


def _quality_words(counts: list[int]) -> str:
    good = counts[GOOD]
    if good == sum(counts):
        return QUALITIES[GOOD]
    if good:
        return PARTLY
    return QUALITIES[1] if counts[1] else QUALITIES[0]


def _sums(block: Block, every_ms: int, settings: Settings) -> _Sums:
    intervals = block.utc_ms // every_ms
    starts = np.concatenate(([0], np.flatnonzero(np.diff(intervals)) + 1))
    air, humidity, moisture = (quality == GOOD for quality in _qualities(block))
    measured = _measured(block, settings)
    everywhere: Flags = np.ones(len(block), dtype=np.bool_)
    wanted = [air, humidity, everywhere, everywhere, everywhere, moisture, everywhere, everywhere]
    use = [np.asarray(flags & ~np.isnan(values)) for flags, values in zip(wanted, measured, strict=True)]
    sums = [np.add.reduceat(np.where(u, values, 0.0), starts) for u, values in zip(use, measured, strict=True)]
    counts = [np.add.reduceat(u.astype(np.int64), starts) for u in use]
    qualities = [
        [np.add.reduceat((quality == code).astype(np.int64), starts) for code in range(len(QUALITIES))]
        for quality in _qualities(block)
    ]
    return _Sums(
        intervals[starts],
        np.diff(np.concatenate((starts, [len(block)]))),
        np.add.reduceat(block.utc_trusted.astype(np.int64), starts),
        np.stack(sums, axis=1),
        np.stack(counts, axis=1),
        np.moveaxis(np.array(qualities), 2, 0),
        np.add.reduceat(outside_calibration(block, settings).astype(np.int64), starts),
    )


def _whole(parts: Iterable[_Sums]) -> Iterator[_Sums]:
    """The same sums with intervals that two blocks share put together."""
    held: _Sums | None = None
    for part in parts:
        if held is not None:
            part = _joined(held, part)
        if len(part.interval) > 1:
            yield _rows(part, slice(None, -1))
        held = _rows(part, slice(-1, None))
    if held is not None:
        yield held


def _rows(sums: _Sums, rows: slice) -> _Sums:
    return _Sums(
        sums.interval[rows],
        sums.readings[rows],
        sums.trusted[rows],
        sums.sums[rows],
        sums.counts[rows],
        sums.quality_counts[rows],
        sums.outside[rows],
    )


def _joined(held: _Sums, part: _Sums) -> _Sums:
    """One interval and those that follow it, as one; the first two may be the same interval."""
    if held.interval[0] == part.interval[0]:
        part.readings[0] += held.readings[0]
        part.trusted[0] += held.trusted[0]
        part.sums[0] += held.sums[0]
        part.counts[0] += held.counts[0]
        part.quality_counts[0] += held.quality_counts[0]
        part.outside[0] += held.outside[0]
        return part
    return _Sums(
        np.concatenate((held.interval, part.interval)),
        np.concatenate((held.readings, part.readings)),
        np.concatenate((held.trusted, part.trusted)),
        np.concatenate((held.sums, part.sums)),
        np.concatenate((held.counts, part.counts)),
        np.concatenate((held.quality_counts, part.quality_counts)),
        np.concatenate((held.outside, part.outside)),
    )
