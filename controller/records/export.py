"""Tables for a spreadsheet: climate.csv, daily.csv, water.csv and events.csv, each beside a plain data sheet.

Comma separated (semicolons where the decimal mark is a comma), lines end with CR LF (RFC 4180), UTF-8. Only water.csv
and events.csv can hold what people wrote; they begin with a byte order mark, because a spreadsheet otherwise reads
accented letters in an old code page. The other two are plain ASCII and begin without one, because many programs take
the mark for a part of the first column's name.
"""

import csv
from collections.abc import Iterable, Iterator
from datetime import datetime
from pathlib import Path

from controller.control import model as m
from controller.control.photoperiod import moment_of, utc_ms
from controller.errors import JournalError, SettingsError
from controller.plan import Settings
from controller.records import columns
from controller.records.cells import POINT, Clock, Signs
from controller.records.climate import averaged_rows, raw_rows
from controller.records.journal import Journal
from controller.records.series import EVERYTHING, Block, Left, Window, blocks_of, in_order
from controller.records.sheets import Sheets, trust_words
from controller.records.survey import Survey, survey_of
from controller.records.tables import daily_rows, event_rows, water_rows, with_mark
from controller.records.timeline import Timeline

EVERY_S_MIN, EVERY_S_MAX = 1.0, 86_400.0
MARK = "\ufeff"


def export(
    journal: Journal,
    settings: Settings,
    folder: Path,
    *,
    from_utc: datetime | None = None,
    to_utc: datetime | None = None,
    every_s: float | None = None,
    signs: Signs = POINT,
) -> list[Path]:
    """Write the tables and their data sheets into ``folder``; answers their paths, tables first.

    ``from_utc`` is the first moment wanted, ``to_utc`` the first one no longer wanted; both aware. ``every_s`` (1 to
    86 400) averages the climate over intervals that begin at multiples of it on UTC; without it every reading is a
    row. ``signs`` stand between cells and before decimals. SettingsError for bounds that cannot be meant,
    JournalError when the files cannot be written.
    """
    window = _window(from_utc, to_utc)
    if every_s is not None and not EVERY_S_MIN <= every_s <= EVERY_S_MAX:
        bounds = f"it must be from {EVERY_S_MIN:g} to {EVERY_S_MAX:g} s"
        raise SettingsError((f"The averaging interval is {every_s:g} s; {bounds}.",))
    timeline = Timeline(journal)
    changes = tuple(
        f"{moment_of(timeline.place(each.at).utc_ms):%Y-%m-%d %H:%M:%S}Z: {each.words}"
        for each in journal.events(m.CHAMBER_CHANGED)
    )
    tables = [folder / name for name in ("climate.csv", "daily.csv", "water.csv", "events.csv")]
    try:
        folder.mkdir(parents=True, exist_ok=True)
        survey = _write_climate(tables[0], journal, settings, timeline, window, every_s, signs)
        trust = trust_words(timeline.any_trusted, *timeline.doubted_readings, survey.out_of_order)
        sheets = Sheets(journal.run_row(), settings, survey, every_s, trust, signs, changes)
        clock = Clock(settings.chamber.site.time_zone)
        daily = daily_rows(journal, settings, timeline, window, survey)
        water = water_rows(journal, settings, timeline, window, clock)
        events = event_rows(journal, settings, timeline, window, clock)
        _write(tables[1], columns.DAILY, daily, signs)
        _write(tables[2], columns.WATER, water, signs, MARK)
        _write(tables[3], columns.EVENTS, events, signs, MARK)
        texts = [path.with_suffix(".txt") for path in tables]
        for path, sheet in zip(texts, (sheets.climate, sheets.daily, sheets.water, sheets.events), strict=True):
            path.write_text(sheet(), encoding="utf-8")
    except JournalError:
        raise
    except OSError as error:
        raise JournalError(f"{folder}: the tables cannot be written: {error}") from error
    return [*tables, *texts]


def _window(from_utc: datetime | None, to_utc: datetime | None) -> Window:
    for name, moment in (("from", from_utc), ("to", to_utc)):
        if moment is not None and moment.tzinfo is None:
            raise SettingsError((f"The {name} moment {moment} must say its offset from UTC, such as {moment}Z.",))
    if from_utc is not None and to_utc is not None and from_utc >= to_utc:
        raise SettingsError((f"The export would begin at {from_utc} and end at {to_utc}; it must end later.",))
    return Window(
        EVERYTHING.from_ms if from_utc is None else utc_ms(from_utc),
        EVERYTHING.to_ms if to_utc is None else utc_ms(to_utc),
    )


def _write(
    path: Path, table: tuple[columns.Column, ...], rows: Iterable[list[str]], signs: Signs, mark: str = ""
) -> None:
    """Write a table with its first line."""
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(mark)
        writer = csv.writer(file, delimiter=signs.separator)
        writer.writerow([column.name for column in table])
        writer.writerows(with_mark(rows, table, signs.decimal_mark))


def _write_climate(
    path: Path,
    journal: Journal,
    settings: Settings,
    timeline: Timeline,
    window: Window,
    every_s: float | None,
    signs: Signs,
) -> Survey:
    """Write the table of the climate; answers the survey of its readings, which are read once for both."""
    zone = settings.chamber.site.time_zone
    if every_s is not None:
        survey = survey_of(journal, settings, timeline, window)
        clock = Clock(zone, "seconds" if every_s == int(every_s) else "milliseconds")
        ordered = in_order(blocks_of(journal, timeline, window), timeline, [])
        rows = averaged_rows(ordered, round(every_s * 1000), survey.extent_ms, timeline, settings, clock)
        _write(path, columns.CLIMATE, (row[:-2].split(",") for row in rows), signs)
        return survey
    with path.open("wb") as file:
        file.write(signs.separator.join(column.name for column in columns.CLIMATE).encode() + b"\r\n")

        def written() -> Iterator[Block]:
            clock = Clock(zone)
            for block in blocks_of(journal, timeline, window):
                file.writelines(raw_rows([block], settings, clock, signs))
                yield block

        left: list[Left] = []
        survey = survey_of(journal, settings, timeline, window, in_order(written(), timeline, left))
        survey.left += left
        return survey
