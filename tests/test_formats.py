"""A journal of an older format: read as it is, brought to the newest when its run goes on, whole at every power cut.

``journal_format_2.sql`` was written by the program that knew format 2: a rehearsal of a day with a wet leak probe,
one reading in fifteen kept.
"""

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from controller.commands.terminal import open_records
from controller.control import model as m
from controller.errors import JournalError, SettingsError
from controller.parcels.archive import archive
from controller.parcels.chain import journal_faults, verify
from controller.parcels.manifest import MANIFEST
from controller.parcels.sealing import seal
from controller.records.export import export
from controller.records.formats import ADDED, FORMAT, TABLES
from controller.records.journal import Journal, journal_number
from controller.records.report import write_report
from controller.records.status import status_of
from controller.records.summary import summarise
from controller.run import open_run
from controller.run_settings import settings_of
from controller.twins.sources import gather
from controller.web.watching import Run
from tests import examples
from tests.journals import DAY_MS, at, fill, new_journal

DUMP = Path(__file__).with_name("journal_format_2.sql")
BOARD = m.BoardRecord(examples.moment(90_000_000), 123_456_789, 3, 5, 45_000, 17, "")


@pytest.fixture
def old(tmp_path):
    """The file of a journal of format 2, as a closed controller leaves it."""
    path = tmp_path / "run" / "journal.sqlite"
    path.parent.mkdir()
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(DUMP.read_text(encoding="utf-8"))
        connection.execute("PRAGMA journal_mode=WAL")
    return path


def layout_of(path):
    """(format, every table, index and trigger) as the file itself has them."""
    with closing(sqlite3.connect(path)) as connection:
        found = connection.execute("SELECT type, name, sql FROM sqlite_master WHERE sql NOT NULL").fetchall()
        return connection.execute("SELECT format FROM run").fetchone()[0], set(found)


def rows_of(path):
    """Everything that the tables of format 2 hold."""
    with closing(sqlite3.connect(path)) as connection:
        tables = [name for kept, name in TABLES.items() if kept not in ADDED[3]]
        return {table: connection.execute(f"SELECT * FROM {table} ORDER BY row_id").fetchall() for table in tables}


def settings_in(path):
    with closing(Journal.open(path)) as opened:
        return settings_of(opened)


@pytest.mark.parametrize("found", [1, FORMAT + 1])
def test_a_format_that_is_older_than_the_oldest_or_newer_than_the_newest_is_refused(old, found):
    with closing(sqlite3.connect(old)) as connection:
        connection.execute("DROP TRIGGER run_no_update")
        connection.execute("UPDATE run SET format = ?", (found,))
        connection.commit()

    with pytest.raises(JournalError, match=f"has format {found}, this program knows 2 to 3"):
        Journal.open(old)


def test_every_reader_reads_format_2_and_leaves_the_file_as_it_is(old, tmp_path):
    before = old.read_bytes()
    opened, settings = open_records(old.parent)

    assert len(opened.history()) > 40
    assert list(opened.records(m.BoardRecord)) == []
    assert opened.next_boot_id() == 2
    status = status_of(opened, settings, 1_772_541_540_000)
    assert (status.phase, status.last_dose.dose_id) == (m.GROWING, 5)
    assert export(opened, settings, tmp_path / "tables")
    write_report(opened, settings, summarise(opened, settings), tmp_path / "run.html")
    assert archive(opened, settings, tmp_path / "archive")
    assert [each.day_utc for each in seal(opened, settings)] == ["2026-03-02"]
    assert next(journal_faults(opened, settings, old.parent / "parcels"), "") == ""
    opened.close()
    assert gather(old.parent).water.delivered_ml == gather(tmp_path / "archive").water.delivered_ml == 210.0
    assert [chain.fault for chain in verify(old.parent / "parcels")] == [""]
    assert Run(old.parent).look().totals.delivered_ml == 210.0

    assert old.read_bytes() == before
    assert layout_of(old)[0] == 2


def test_a_reader_cannot_write_what_the_format_has_no_place_for(old):
    with closing(Journal.open(old)) as opened, pytest.raises(JournalError):
        opened.append(BOARD)


def test_a_run_of_format_2_that_goes_on_is_laid_out_as_a_new_one_and_keeps_every_row(old, tmp_path):
    before, settings = rows_of(old), settings_in(old)
    opened = open_run(old.parent, settings, simulated=True)
    opened.append(BOARD)
    opened.close()

    assert rows_of(old) == before
    Journal.create(tmp_path / "new" / "journal.sqlite", "new", settings, "0", simulated=True).close()
    assert layout_of(old) == layout_of(tmp_path / "new" / "journal.sqlite")
    with closing(Journal.open(old)) as again:
        assert list(again.records(m.BoardRecord)) == [BOARD]
        for table in ("run", "boards"):
            for sql in (f"UPDATE {table} SET rowid = rowid", f"DELETE FROM {table}"):
                with pytest.raises(sqlite3.IntegrityError, match="only ever added"):
                    again.connection.execute(sql)


def test_a_run_of_another_plan_does_not_change_the_format(old):
    with pytest.raises(SettingsError, match="another plan"):
        open_run(old.parent, examples.SETTINGS, simulated=True)

    assert layout_of(old)[0] == 2


def test_a_reader_that_was_there_before_sees_what_is_written_after(old):
    reader = Journal.open(old)
    assert list(reader.records(m.BoardRecord)) == []
    writer = open_run(old.parent, settings_in(old), simulated=True)
    writer.append(BOARD)

    assert reader.history()[-1] == BOARD
    assert list(reader.records(m.BoardRecord)) == [BOARD]
    writer.close()
    reader.close()


def test_a_disk_that_is_full_at_the_change_leaves_format_2_and_says_so(old):
    opened = Journal.open(old)
    opened.hold_file_size(True)
    with pytest.raises(JournalError, match="cannot be brought to format 3: the disk is full"):
        opened.go_on()
    opened.close()

    assert layout_of(old)[0] == 2


@pytest.mark.guards("H8", "host", "ee284e71")
def test_a_power_cut_at_any_page_of_the_change_leaves_format_2_or_3_whole(old, tmp_path):
    rows, layout_2 = rows_of(old), layout_of(old)
    opened = Journal.open(old)
    opened.connection.execute("PRAGMA wal_autocheckpoint = 0")  # all that is written stays in the log
    opened.go_on()
    log = old.with_name("journal.sqlite-wal").read_bytes()
    page_bytes = opened.connection.execute("PRAGMA page_size").fetchone()[0]
    frames = range(32, len(log) + 1, page_bytes + 24)  # SQLite, "WAL File Format": header 32 bytes, frame header 24
    formats_found = []
    for cut_at in [*frames, *(frame - page_bytes // 2 for frame in frames[1:])]:
        cut = tmp_path / f"cut-{cut_at}" / "journal.sqlite"
        cut.parent.mkdir()
        shutil.copy(old, cut)
        cut.with_name("journal.sqlite-wal").write_bytes(log[:cut_at])
        found, _ = layout = layout_of(cut)
        assert rows_of(cut) == rows
        if found == 2:
            assert layout == layout_2
        formats_found.append(found)
        with closing(Journal.open(cut)) as again:
            again.go_on()
            again.append(BOARD)
        assert layout_of(cut)[0] == FORMAT
    opened.close()

    assert len(frames) > 4
    assert set(formats_found) == {2, 3}


def test_a_day_that_was_sealed_without_a_later_table_stays_as_the_journal_has_it(tmp_path):
    opened = new_journal(tmp_path)
    fill(opened, 0, DAY_MS + 1, DAY_MS // 4)
    manifest = next(iter(seal(opened, examples.SETTINGS)))
    path = tmp_path / "parcels" / manifest.day_utc / MANIFEST
    del manifest.rows["boards"]
    path.write_bytes(manifest.to_bytes())

    assert next(journal_faults(opened, examples.SETTINGS, tmp_path / "parcels"), "") == ""
    opened.append(m.BoardRecord(at(DAY_MS + 5), 1, 1, 0, 0, 0, ""))
    fill(opened, 2 * DAY_MS, 2 * DAY_MS + 1)
    assert [each.rows["boards"] for each in seal(opened, examples.SETTINGS)] == [[1, 1]]
    assert [chain.fault for chain in verify(tmp_path / "parcels")] == [""]
    opened.close()


def test_a_journal_has_one_number_by_its_run_and_others_have_others(tmp_path):
    opened = new_journal(tmp_path, run_id="20260302T080000Z-skerry-light")
    # printf %s 20260302T080000Z-skerry-light | sha256sum, then 1 + its value modulo 999999999999
    assert opened.number == journal_number("20260302T080000Z-skerry-light") == 888_933_665_829
    opened.close()
    numbers = {journal_number(f"{number}-skerry-light") for number in range(10_000)}
    assert len(numbers) == 10_000
    assert all(1 <= number <= 999_999_999_999 for number in numbers)
