"""A table as a workbook: a sheet of numbers and moments, one that explains the columns, one about the run."""

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import xlsxwriter

from controller.plan import Settings
from controller.records.cells import in_turn
from controller.records.columns import Column
from controller.web.tables import TABLES, Choice
from controller.web.texts import Texts

ARROW = " \u2192 "  # between what one chamber file said and the next, in any language
ROWS_MAX = 300_000  # fewer than the format's 1,048,576, so that a small computer stays in reach of it


class TooManyRows(Exception):
    """More rows than a workbook is made for."""


def write_workbook(
    path: Path, rows: Iterator[list[str]], choice: Choice, settings: Settings, run: dict[str, str | int], texts: Texts
) -> None:
    """Write the chosen table; TooManyRows when it is longer than ``ROWS_MAX``. Names of columns and their words are the
    same in every language; what explains them is in that of ``texts``."""
    table = TABLES[choice.table]
    book = xlsxwriter.Workbook(str(path), {"constant_memory": True, "strings_to_formulas": False})
    try:
        bold = book.add_format({"bold": True, "bottom": 1})
        moment = book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"})
        wrapped = book.add_format({"text_wrap": True, "valign": "top"})
        values = book.add_worksheet(choice.table)
        values.freeze_panes(1, 1)
        values.set_column(0, len(table) - 1, 19)
        for place, column in enumerate(table):
            values.write_string(0, place, column.name, bold)
        for line, row in enumerate(rows, 1):
            if line > ROWS_MAX:
                raise TooManyRows
            for place, (column, cell) in enumerate(zip(table, row, strict=True)):
                _write(values, line, place, column, cell, moment)
        sheet = book.add_worksheet(texts("workbook.columns"))
        sheet.set_column(0, 0, 38)
        sheet.set_column(1, 1, 100)
        for place, title in enumerate((texts("workbook.column"), texts("workbook.meaning"))):
            sheet.write_string(0, place, title, bold)
        for line, column in enumerate(table, 1):
            sheet.write_string(line, 0, column.name)
            sheet.write_string(line, 1, texts.said_plainly(column.words), wrapped)
        about = book.add_worksheet(texts("workbook.about"))
        about.set_column(0, 1, 44)
        for line, (name, value) in enumerate(_about(choice, settings, run, texts)):
            about.write_string(line, 0, name)
            about.write_string(line, 1, value)
    finally:
        book.close()


def _write(sheet: object, line: int, place: int, column: Column, cell: str, moment: object) -> None:
    write = sheet  # the library has no types
    if not cell:
        return
    if column.name == "at_utc":
        at = datetime.fromisoformat(cell).replace(tzinfo=None)
        write.write_datetime(line, place, at, moment)  # type: ignore[attr-defined]
    elif column.decimals is not None or cell.isdecimal():
        write.write_number(line, place, float(cell))  # type: ignore[attr-defined]
    else:
        write.write_string(line, place, cell)  # type: ignore[attr-defined]


def _about(choice: Choice, settings: Settings, run: dict[str, str | int], texts: Texts) -> list[tuple[str, str]]:
    chambers = settings.chambers
    is_averaged = choice.table == "climate" and choice.step != "every"
    factors = [
        texts("workbook.pump_value", day=each.pump.calibrated_on, ml=texts.figure(each.pump.ml_per_step))
        for each in chambers
    ]
    told = {
        "run": str(run["run_id"]),
        "plan": settings.plan.name,
        "digest": settings.plan_sha256,
        "chamber": f"{settings.chamber.site.name}, {settings.chamber.site.place}",
        "zone": settings.chamber.site.time_zone,
        "at_utc": texts("workbook.at_utc_value"),
        "rows": texts(f"downloads.{choice.step}") if is_averaged else texts("workbook.rows_value"),
        "pump": in_turn(factors, ARROW),
        "probe": in_turn((str(each.moisture_probe.calibrated_on) for each in chambers), ARROW),
        "simulated": texts("workbook.simulated_yes" if run["simulated"] else "workbook.simulated_no"),
        "empty": texts("workbook.empty_value"),
    }
    return [(texts(f"workbook.{name}"), value) for name, value in told.items()]
