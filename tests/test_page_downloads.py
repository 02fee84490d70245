"""Downloads: tables, workbooks, archives, equal to the journal."""

import csv
import io
import zipfile
from datetime import datetime

import openpyxl
import pytest

from controller.control import model as m
from controller.records.export import export
from controller.records.journal import Journal
from controller.web.watching import Run
from tests.schools import (
    mark_of,
    picture_bytes,
    records,
    signed_in,
)


def csv_rows(text, separator=","):
    assert text.startswith("\ufeff")
    return list(csv.reader(io.StringIO(text[1:]), delimiter=separator))


@pytest.mark.parametrize("table", ["climate", "daily", "water", "events"])
def test_a_table_of_the_page_is_the_table_of_the_export(rehearsed, reader, tmp_path, table):
    run = Run(rehearsed)
    with run.journal() as journal:
        export(journal, run.settings, tmp_path, every_s=600)
    exported = (tmp_path / f"{table}.csv").read_text(encoding="utf-8-sig")
    answer = reader.get(f"/downloads/table.csv?table={table}&step=10min")
    here = csv_rows(answer.content.decode())

    assert here == list(csv.reader(io.StringIO(exported)))
    assert len(here) > 3
    name = f"skerry-light_{table}_2026-03-02_2026-03-05{'_10min' if table == 'climate' else ''}.csv"
    assert answer.headers["content-disposition"] == f'attachment; filename="{name}"'


def test_every_reading_of_chosen_days_is_in_the_file_as_the_journal_has_it(rehearsed, reader):
    answer = reader.get("/downloads/table.csv?step=every&first=2026-03-03&last=2026-03-03")
    rows = csv_rows(answer.content.decode())[1:]
    day_ms = 86_400_000
    first_ms = 1_772_496_000_000  # 2026-03-03T00:00Z; the chamber's clocks show UTC in winter
    journal = Journal.open(rehearsed / "journal.sqlite")
    kept = [r for r in journal.records(m.ReadingRecord) if first_ms <= r.at.utc_ms < first_ms + day_ms]
    journal.close()

    assert len(rows) == len(kept) == 8_640
    assert [float(row[3]) for row in rows] == [round(r.air_temperature_c, 3) for r in kept]
    assert [float(row[8]) for row in rows] == [float(r.moisture_counts) for r in kept]


def test_semicolon_and_decimal_comma_change_nothing_but_the_signs(reader):
    query = "table=climate&step=1h"
    plain = csv_rows(reader.get(f"/downloads/table.csv?{query}").content.decode())
    other = csv_rows(
        reader.get(f"/downloads/table.csv?{query}&separator=semicolon&decimal=comma").content.decode(), ";"
    )

    assert "," in other[2][3]
    assert [[c.replace(",", ".") if i in range(2, 11) else c for i, c in enumerate(row)] for row in other] == plain


def test_a_workbook_reads_back_equal_to_the_table(reader):
    rows = csv_rows(reader.get("/downloads/table.csv?step=1h").content.decode())
    book = openpyxl.load_workbook(io.BytesIO(reader.get("/downloads/table.xlsx?step=1h").content), read_only=True)
    sheet = list(book["climate"].iter_rows(values_only=True))

    assert list(sheet[0]) == rows[0]
    assert len(sheet) == len(rows) > 70
    for row, cells in zip(sheet[1:], rows[1:], strict=True):
        assert row[0] == datetime.fromisoformat(cells[0]).replace(tzinfo=None)
        for value, cell in zip(row[1:], cells[1:], strict=True):
            assert (value is None and cell == "") or value == (float(cell) if isinstance(value, int | float) else cell)
    assert [row[0] for row in book["columns"].iter_rows(min_row=2, values_only=True)] == rows[0]
    book.close()


def test_a_formula_in_a_note_stays_text_in_a_workbook(school):
    client = signed_in(school, "pupil")
    client.post("/logbook/1", data={"form_mark": mark_of(client), "note": "=1+1"})
    content = client.get("/downloads/table.xlsx?table=events").content
    book = openpyxl.load_workbook(io.BytesIO(content))
    notes = [cell for row in book["events"].iter_rows() for cell in row if cell.value and "1+1" in str(cell.value)]

    assert notes
    assert {cell.data_type for cell in notes} == {"s"}


def test_a_workbook_of_too_many_rows_is_refused_with_a_way_out(reader, monkeypatch):
    monkeypatch.setattr("controller.web.workbook.ROWS_MAX", 50)
    answer = reader.get("/downloads/table.xlsx?step=1h")

    assert answer.status_code == 413
    assert "means over a longer time" in answer.text


def test_the_whole_run_is_one_archive_whose_journal_opens(school, tmp_path):
    client = signed_in(school, "pupil")
    client.post(
        "/logbook/1", data={"form_mark": mark_of(client)}, files={"picture": ("p.png", picture_bytes(), "image/png")}
    )
    archive = zipfile.ZipFile(io.BytesIO(client.get("/downloads/run.zip").content))

    assert archive.testzip() is None
    names = archive.namelist()
    assert names[:3] == ["journal.sqlite", "plan.toml", "chamber.toml"]
    archive.extract("journal.sqlite", tmp_path / "copy")
    copy = Journal.open(tmp_path / "copy" / "journal.sqlite")
    assert len(list(copy.records(m.ReadingRecord))) == len(records(school, m.ReadingRecord))
    copy.close()
    assert archive.read("plan.toml").decode() == school.run.settings.plan_text
    pictures = zipfile.ZipFile(io.BytesIO(client.get("/downloads/pictures.zip").content)).namelist()
    assert pictures == [name for name in names if name.startswith("pictures/")]
    assert len(pictures) == 1
    assert not [name for name in names if "codes" in name]


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("table=secrets", "Table: it must be one of climate"),
        ("step=2s", "Rows of the climate table: it must be one of every"),
        ("first=yesterday", "First day: write a day such as"),
        ("first=2026-03-04&last=2026-03-03", "Last day: 2026-03-03 lies before 2026-03-04."),
        ("separator=|", "Between columns: it must be one of comma, semicolon."),
        ("first=0001-01-01", "First day: 0001-01-01 lies outside the years"),
    ],
)
def test_a_download_that_cannot_be_meant_is_refused_in_one_sentence(reader, query, words):
    answer = reader.get(f"/downloads/table.csv?{query}")

    assert answer.status_code == 400
    assert words in answer.text
