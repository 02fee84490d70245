"""A long record thinned to what a page can show: the lowest and highest value of every column of points.

No extreme is lost, no value is made up, and every point keeps its own moment.
"""

from dataclasses import dataclass, field

import numpy as np

from controller.plan import Settings
from controller.records.journal import Journal
from controller.records.series import (
    GOOD,
    Values,
    blocks_of,
    in_order,
    vapour_pressure_deficits_kpa,
    water_content_fractions,
)
from controller.records.survey import GAP_SAMPLES
from controller.records.timeline import Flags, Milliseconds, Timeline


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """Points of one curve in the order of time, and the spans [from, to) in which some reading was not good.

    A NaN between two points says that the curve breaks there.
    """

    utc_ms: Values
    values: Values
    doubted_ms: list[tuple[int, int]]


@dataclass(frozen=True, slots=True)
class Traces:
    """What the page draws from the readings; ``column_ms`` is the span of one column of points."""

    column_ms: int
    break_ms: float
    air_temperature_c: Trace
    relative_humidity_pct: Trace
    vapour_pressure_deficit_kpa: Trace
    water_content_fraction: Trace

    def thinner(self, times: int) -> "Traces":
        """The same with columns so many times as wide: the extremes of extremes are the extremes."""
        column_ms = self.column_ms * times
        break_ms = max(self.break_ms, 2.0 * column_ms)

        def thinned(trace: Trace) -> Trace:
            points = ~np.isnan(trace.values)
            utc_ms, values = trace.utc_ms[points].astype(np.int64), trace.values[points]
            return _broken(utc_ms, values, column_ms, break_ms, trace.doubted_ms)

        return Traces(
            column_ms,
            break_ms,
            thinned(self.air_temperature_c),
            thinned(self.relative_humidity_pct),
            thinned(self.vapour_pressure_deficit_kpa),
            thinned(self.water_content_fraction),
        )


def _broken(
    utc_ms: Milliseconds, values: Values, column_ms: int, break_ms: float, doubted_ms: list[tuple[int, int]]
) -> Trace:
    """A trace of the extremes of every column, broken where neighbours are too far apart."""
    kept = extremes(utc_ms // column_ms, values)
    utc_ms, values = utc_ms[kept], values[kept]
    breaks = np.flatnonzero(np.diff(utc_ms) > break_ms) + 1
    return Trace(np.insert(utc_ms.astype(np.float64), breaks, np.nan), np.insert(values, breaks, np.nan), doubted_ms)


@dataclass(slots=True)
class _Curve:
    """Thinned points of one channel as they are gathered, and the columns in which a reading was not good."""

    moments: list[Milliseconds] = field(default_factory=list)
    values: list[Values] = field(default_factory=list)
    doubted: set[int] = field(default_factory=set)

    def take(self, utc_ms: Milliseconds, values: Values, good: Flags, column_ms: int) -> None:
        self.doubted.update(np.unique(utc_ms[~good] // column_ms).tolist())
        kept = extremes(utc_ms[good] // column_ms, values[good])
        self.moments.append(utc_ms[good][kept])
        self.values.append(values[good][kept])

    def trace(self, column_ms: int, break_ms: float) -> Trace:
        utc_ms = np.concatenate(self.moments) if self.moments else np.empty(0, dtype=np.int64)
        values = np.concatenate(self.values) if self.values else np.empty(0)
        return _broken(utc_ms, values, column_ms, break_ms, self.doubted_ms(column_ms))

    def doubted_ms(self, column_ms: int) -> list[tuple[int, int]]:
        spans: list[tuple[int, int]] = []
        for column in sorted(self.doubted):
            start_ms, end_ms = column * column_ms, (column + 1) * column_ms
            if spans and spans[-1][1] == start_ms:
                spans[-1] = (spans[-1][0], end_ms)
            else:
                spans.append((start_ms, end_ms))
        return spans


def extremes(columns: Milliseconds, values: Values) -> Milliseconds:
    """Places, in rising order, of the first lowest and first highest value of each run of equal columns."""
    if not len(values):
        return np.empty(0, dtype=np.int64)
    starts = np.concatenate(([0], np.flatnonzero(np.diff(columns)) + 1))
    lengths = np.diff(np.concatenate((starts, [len(values)])))
    group = np.repeat(np.arange(len(starts)), lengths)
    found = []
    for reduced in (np.minimum.reduceat(values, starts), np.maximum.reduceat(values, starts)):
        places = np.flatnonzero(values == reduced[group])
        _, first = np.unique(group[places], return_index=True)
        found.append(places[first])
    return np.unique(np.concatenate(found))


def traces_of(
    journal: Journal, settings: Settings, timeline: Timeline, extent_ms: tuple[int, int], columns: int
) -> Traces:
    """Thin all readings to so many columns over ``extent_ms``; good readings make the curves."""
    sample_ms = settings.plan.sample_every_s * 1000
    column_ms = max(round(sample_ms), -(-(extent_ms[1] - extent_ms[0]) // columns))
    air, humidity, deficit, moisture = _Curve(), _Curve(), _Curve(), _Curve()
    for block in in_order(blocks_of(journal, timeline), timeline, []):
        deficit_kpa = vapour_pressure_deficits_kpa(block)
        content_fraction = water_content_fractions(block, settings)
        for curve, values, good in (
            (air, block.air_temperature_c, block.air_quality == GOOD),
            (humidity, block.relative_humidity_pct, block.humidity_quality == GOOD),
            (deficit, deficit_kpa, ~np.isnan(deficit_kpa)),
            (moisture, content_fraction, block.moisture_quality == GOOD),
        ):
            curve.take(block.utc_ms, values, good, column_ms)
    break_ms = max(GAP_SAMPLES * sample_ms, 2.0 * column_ms)  # neighbours may lie nearly two columns apart
    return Traces(
        column_ms,
        break_ms,
        air.trace(column_ms, break_ms),
        humidity.trace(column_ms, break_ms),
        deficit.trace(column_ms, break_ms),
        moisture.trace(column_ms, break_ms),
    )
