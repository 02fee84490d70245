"""The course of a run for a screen: a year is kept as the extremes of ten minutes, and only new readings are read.

Every extreme stays, at its own moment; a short window is read from the journal itself.
"""

import os
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from zipfile import BadZipFile

import numpy as np

from controller.plan import Settings
from controller.records.journal import Journal
from controller.records.series import (
    GOOD,
    Block,
    Values,
    Window,
    blocks_of,
    in_order,
    water_content_fractions,
)
from controller.records.survey import GAP_SAMPLES
from controller.records.thinning import extremes
from controller.records.timeline import Flags, Milliseconds, Timeline

COLUMN_MS = 600_000
KEPT_FORMAT = 1
_PARTS = ("utc_ms", "values")
CHANNELS = ("air_temperature_c", "relative_humidity_pct", "water_content_fraction")
KEEP_AFTER_ROWS = 50_000  # a longer catching-up is kept on the disk, so that a new start need not repeat it
TIMELINE_S = 60.0  # a timeline asks every reading whether its clock was trusted: made anew no more often than this
RAW_WINDOW_MS = 4 * 86_400_000  # a shorter window is read from the readings themselves


@dataclass(slots=True)
class Curve:
    """Points of one channel in the order of time."""

    utc_ms: Milliseconds = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    values: Values = field(default_factory=lambda: np.empty(0))

    def take(self, utc_ms: Milliseconds, values: Values, column_ms: int) -> None:
        """Add later points; the last column is thinned anew with them."""
        if not len(utc_ms):
            return
        start = int(np.searchsorted(self.utc_ms // column_ms, utc_ms[0] // column_ms))
        late_ms = np.concatenate((self.utc_ms[start:], utc_ms))
        late = np.concatenate((self.values[start:], values))
        kept = extremes(late_ms // column_ms, late)
        self.utc_ms = np.concatenate((self.utc_ms[:start], late_ms[kept]))
        self.values = np.concatenate((self.values[:start], late[kept]))

    def between(self, window: Window, column_ms: int) -> "Curve":
        """The part inside a window, thinned further, with one point beyond each end so that lines reach it."""
        low = max(0, int(np.searchsorted(self.utc_ms, window.from_ms)) - 1)
        high = int(np.searchsorted(self.utc_ms, window.to_ms)) + 1
        utc_ms, values = self.utc_ms[low:high], self.values[low:high]
        kept = extremes(utc_ms // column_ms, values)
        return Curve(utc_ms[kept], values[kept])


def _channels(block: Block, settings: Settings) -> list[tuple[str, Values, Flags]]:
    content = water_content_fractions(block, settings)
    return [
        (CHANNELS[0], block.air_temperature_c, block.air_quality == GOOD),
        (CHANNELS[1], block.relative_humidity_pct, block.humidity_quality == GOOD),
        (CHANNELS[2], content, block.moisture_quality == GOOD),
    ]


class Overview:
    """What was read of one run so far. Safe to use from several threads; ``kept`` is a file it may be kept in.

    ``renewed`` tells the settings of a run that goes on, where it may be started with another chamber file.
    """

    def __init__(
        self, settings: Settings, kept: Path | None = None, renewed: Callable[[Journal], Settings] | None = None
    ) -> None:
        self._settings = settings
        self._renewed = renewed
        self._kept = kept
        self._timeline: Timeline | None = None
        self._timeline_s = 0.0
        self._lock = threading.Lock()
        self._curves = {name: Curve() for name in CHANNELS}
        self._row = 0
        self.extent_ms: tuple[int, int] | None = None

    @property
    def break_ms(self) -> float:
        """Neighbouring readings further apart than this leave a gap."""
        return GAP_SAMPLES * self._settings.plan.sample_every_s * 1000.0

    def catch_up(self, journal: Journal) -> None:
        """Take in the readings written since the last time."""
        with self._lock:
            last = journal.last_reading_row()
            if self._row == 0:
                self._recall(last)
            if last == self._row:
                return
            timeline = self._timeline_of(journal)
            for block in in_order(blocks_of(journal, timeline, rows=(self._row, last)), timeline, []):
                self._take(block)
            if last - self._row >= KEEP_AFTER_ROWS:
                self._keep(last)
            self._row = last

    def timeline(self, journal: Journal) -> Timeline:
        """Where the rows lie in time, as of at most a minute ago."""
        with self._lock:
            return self._timeline_of(journal)

    def _timeline_of(self, journal: Journal) -> Timeline:
        """The timeline, and beside it the settings with as many chamber files as it knows."""
        chambers = len(self._settings.later_chambers)
        if self._renewed is not None:
            self._settings = self._renewed(journal)
        is_old = time.monotonic() - self._timeline_s > TIMELINE_S or len(self._settings.later_chambers) != chambers
        if self._timeline is None or is_old:
            self._timeline, self._timeline_s = Timeline(journal), time.monotonic()
        return self._timeline

    def _keep(self, row: int) -> None:
        if self._kept is None or self.extent_ms is None:
            return
        arrays = {f"{name}_{part}": getattr(self._curves[name], part) for name in CHANNELS for part in _PARTS}
        new = self._kept.with_name(self._kept.name + ".new")
        with new.open("wb") as file:
            np.savez(file, mark=np.array([KEPT_FORMAT, row, *self.extent_ms]), **arrays)
        os.replace(new, self._kept)

    def _recall(self, last: int) -> None:
        """Take up what was kept; anything that does not fit is left, and read from the journal instead."""
        if self._kept is None or not self._kept.is_file():
            return
        try:
            with np.load(self._kept, allow_pickle=False) as found:
                kept_format, row, first_ms, last_ms = found["mark"].tolist()
                curves = {name: Curve(*(found[f"{name}_{part}"] for part in _PARTS)) for name in CHANNELS}
        except (OSError, ValueError, KeyError, BadZipFile):
            return
        if kept_format == KEPT_FORMAT and row <= last:
            self._curves, self._row, self.extent_ms = curves, row, (first_ms, last_ms)

    def _take(self, block: Block) -> None:
        if self.extent_ms is not None:
            block = block.only(block.utc_ms > self.extent_ms[1])
        if not len(block):
            return
        for name, values, good in _channels(block, self._settings):
            self._curves[name].take(block.utc_ms[good], values[good], COLUMN_MS)
        first_ms = int(block.utc_ms[0]) if self.extent_ms is None else self.extent_ms[0]
        self.extent_ms = (first_ms, int(block.utc_ms[-1]))

    def curves(self, journal: Journal, window: Window, columns: int) -> dict[str, Curve]:
        """Channel -> its points in the window, at most four to a column of the screen."""
        self.catch_up(journal)
        column_ms = max(1, (window.to_ms - window.from_ms) // columns)
        if window.to_ms - window.from_ms > RAW_WINDOW_MS:
            with self._lock:
                return {name: curve.between(window, column_ms) for name, curve in self._curves.items()}
        found = {name: Curve() for name in CHANNELS}
        timeline = self.timeline(journal)
        rows = rows_of(journal, window) if timeline.doubted_readings == (0, 0) else (0, journal.last_reading_row())
        for block in in_order(blocks_of(journal, timeline, window, rows=rows), timeline, []):
            for name, values, good in _channels(block, self._settings):
                found[name].take(block.utc_ms[good], values[good], column_ms)
        return found

    def days(self) -> dict[int, dict[str, tuple[float, float]]]:
        """UTC day, counted from 1970-01-01 -> channel -> (lowest, highest) good reading."""
        found: dict[int, dict[str, tuple[float, float]]] = {}
        with self._lock:
            for name, curve in self._curves.items():
                days = curve.utc_ms // 86_400_000
                starts = np.flatnonzero(np.diff(days, prepend=-1))
                if not len(starts):
                    continue
                lows, highs = np.minimum.reduceat(curve.values, starts), np.maximum.reduceat(curve.values, starts)
                for day, low, high in zip(days[starts].tolist(), lows.tolist(), highs.tolist(), strict=True):
                    found.setdefault(day, {})[name] = (low, high)
        return found


def rows_of(journal: Journal, window: Window) -> tuple[int, int]:
    """(row before the first, last row) of the readings of a window, where every clock can be trusted.

    Rows are numbered in the order they were written, so their times are halved instead of looking at all of them; a
    clock that was set back is why some rows on either side are taken too.
    """
    last = journal.last_reading_row()

    def before(utc_ms: int) -> int:
        low, high = 0, last
        while low < high:
            middle = (low + high + 1) // 2
            if journal.reading_utc_ms(middle) < utc_ms:
                low = middle
            else:
                high = middle - 1
        return low

    margin = 1_000
    return max(0, before(window.from_ms) - margin), min(last, before(window.to_ms) + margin)
