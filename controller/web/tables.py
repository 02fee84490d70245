"""The tables of a run as lines, in the form a classroom's spreadsheet reads."""

import csv
import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from controller.control.photoperiod import utc_ms
from controller.plan import Settings
from controller.records import columns
from controller.records.cells import Clock, Signs
from controller.records.climate import averaged_rows, raw_rows
from controller.records.export import MARK
from controller.records.journal import Journal
from controller.records.series import Window, blocks_of, in_order
from controller.records.survey import survey_of
from controller.records.tables import daily_rows, event_rows, water_rows, with_mark
from controller.records.timeline import Timeline

TABLES = {
    "climate": columns.CLIMATE,
    "daily": columns.DAILY,
    "water": columns.WATER,
    "events": columns.EVENTS,
}
STEPS_S = {"every": None, "1min": 60, "10min": 600, "1h": 3_600, "1d": 86_400}
SEPARATORS = {"comma": ",", "semicolon": ";"}
DECIMALS = {"point": ".", "comma": ","}
LINES_PER_CHUNK = 400


@dataclass(frozen=True)
class Choice:
    """What somebody wants to download. Days are whole days of the chamber's clocks, both included."""

    table: str = "climate"
    first: date | None = None
    last: date | None = None
    step: str = "10min"
    separator: str = "comma"
    decimal: str = "point"

    def window(self, zone: ZoneInfo) -> Window:
        """The days as a window of UTC."""
        everything = Window()
        start = None if self.first is None else datetime.combine(self.first, time(), zone)
        end = None if self.last is None else datetime.combine(self.last + timedelta(days=1), time(), zone)
        return Window(
            everything.from_ms if start is None else utc_ms(start), everything.to_ms if end is None else utc_ms(end)
        )

    @property
    def is_plain(self) -> bool:
        """Whether it is every reading, and no cell of it needs quotes."""
        every = self.table == "climate" and STEPS_S[self.step] is None
        return every and SEPARATORS[self.separator] != DECIMALS[self.decimal]

    def file_name(self, site: str, ending: str) -> str:
        """A name that says what is inside."""
        days = f"{self.first or 'start'}_{self.last or 'end'}"
        parts = [site.lower().replace(" ", "-"), self.table, days]
        if self.table == "climate":
            parts.append(self.step)
        stem = "_".join("".join(c for c in part if c.isalnum() or c in "-_") for part in parts)
        return f"{stem}.{ending}"


def rows_of(journal: Journal, settings: Settings, choice: Choice, zone: ZoneInfo) -> Iterator[list[str]]:
    """The rows of the chosen table, as cells, without its first line; the same cells as ``wardian export`` writes."""
    timeline, window = Timeline(journal), choice.window(zone)
    name = settings.chamber.site.time_zone
    if choice.table == "climate":
        step_s = STEPS_S[choice.step]
        lines: Iterator[str]
        if step_s is None:
            parts = raw_rows(blocks_of(journal, timeline, window), settings, Clock(name))
            lines = (line for part in parts for line in part.decode().splitlines(keepends=True))
        else:
            extent_ms = survey_of(journal, settings, timeline, window).extent_ms
            ordered = in_order(blocks_of(journal, timeline, window), timeline, [])
            lines = averaged_rows(ordered, step_s * 1000, extent_ms, timeline, settings, Clock(name, "seconds"))
        for line in lines:
            yield line[:-2].split(",")  # no cell of this table needs quotes
    elif choice.table == "daily":
        yield from daily_rows(journal, settings, timeline, window, survey_of(journal, settings, timeline, window))
    else:
        rows = water_rows if choice.table == "water" else event_rows
        yield from rows(journal, settings, timeline, window, Clock(name))


def plain_chunks(journal: Journal, settings: Settings, choice: Choice, zone: ZoneInfo) -> Iterator[bytes]:
    """Every reading as a file, the same bytes as ``csv_chunks`` gives, some thousand lines at a time."""
    signs = Signs(SEPARATORS[choice.separator], DECIMALS[choice.decimal])
    yield (MARK + signs.separator.join(column.name for column in columns.CLIMATE) + "\r\n").encode()
    blocks = blocks_of(journal, Timeline(journal), choice.window(zone))
    yield from raw_rows(blocks, settings, Clock(settings.chamber.site.time_zone), signs)


def csv_chunks(open_rows: Callable[[], Iterator[list[str]]], choice: Choice) -> Iterator[bytes]:
    """The table as a file, piece by piece; a year takes no more memory than a piece."""
    table = TABLES[choice.table]
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=SEPARATORS[choice.separator])
    out.write(MARK)
    writer.writerow([column.name for column in table])
    for count, row in enumerate(with_mark(open_rows(), table, DECIMALS[choice.decimal]), 1):
        writer.writerow(row)
        if count % LINES_PER_CHUNK == 0:
            yield out.getvalue().encode()
            out.seek(0)
            out.truncate()
    yield out.getvalue().encode()
