"""The journal under fault: what was committed is kept, water stops, the lamp keeps its hours, the alarm says why."""

import os
import sqlite3
from pathlib import Path

import pytest

from controller.control import model as m
from controller.errors import JournalError
from controller.records.journal import Journal
from controller.run import lock_run, open_run
from tests import examples
from tests.campaigns import journal_faults

MID_FIRST_DOSE_MS = 7 * 60_000


@pytest.mark.guards("H5", "host", "bbd6092d")
@pytest.mark.guards("H8", "host", "ee284e71")
@pytest.mark.parametrize("name", journal_faults.FAULTS)
def test_a_failing_disk_stops_the_water_keeps_the_light_and_is_told_in_plain_words(name):
    assert journal_faults.fail_from(name, MID_FIRST_DOSE_MS) == ""


@pytest.mark.guards("H8", "host", "ee284e71")
def test_a_power_cut_at_or_inside_a_write_loses_nothing_committed():
    row = journal_faults.power_cuts(days=0.01, cuts=1)

    assert row.survived == row.tried > 40, row.worst_case


def test_a_damaged_page_is_refused_in_words_or_was_not_needed():
    row = journal_faults.damaged_pages(days=0.05, every_page=4)

    assert row.survived == row.tried > 10, row.worst_case


def test_a_journal_whose_making_was_cut_short_is_made_anew(tmp_path):
    (tmp_path / "journal.sqlite").write_bytes(b"")
    half = sqlite3.connect(tmp_path / "journal.sqlite.new")
    half.executescript("PRAGMA journal_mode = WAL; CREATE TABLE run (run_id TEXT)")
    half.close()
    (tmp_path / "journal.sqlite.new-wal").write_bytes(b"half")

    open_run(tmp_path, examples.SETTINGS, simulated=True).close()

    assert Journal.open(tmp_path / "journal.sqlite").run_row()["simulated"] == 1


def test_somebody_who_looks_again_and_again_is_not_in_the_way_of_a_journal_being_made(tmp_path, monkeypatch):
    looks = []

    def look_meanwhile(source, target):
        with pytest.raises(JournalError, match="no journal here"):
            Journal.open(target)
        looks.append(target)
        os.replace(source, target)

    monkeypatch.setattr(Path, "replace", look_meanwhile)
    made = open_run(tmp_path, examples.SETTINGS, simulated=True)

    assert looks == [tmp_path / "journal.sqlite"]
    assert Journal.open(made.path).run_row() == made.run_row()
    assert not list(tmp_path.glob("*.new*"))


def test_a_damaged_journal_gives_no_water_and_says_what_to_do(tmp_path):
    journal = open_run(tmp_path, examples.SETTINGS, simulated=True)
    for number in range(2000):
        journal.append(m.EventRecord(examples.moment(number), "x", "y" * 200))
    journal.close()
    content = bytearray(journal.path.read_bytes())
    content[-200_000:-190_000] = bytes(10_000)
    journal.path.write_bytes(content)

    with pytest.raises(JournalError, match=r"damaged .* no water .* another folder"):
        open_run(tmp_path, examples.SETTINGS, simulated=True)


def test_a_row_that_another_writer_put_in_costs_one_refusal_and_no_more(tmp_path):
    ours = open_run(tmp_path, examples.SETTINGS, simulated=True)
    theirs = Journal.open(ours.path)
    theirs.append(m.EventRecord(examples.moment(1), "x", "theirs"))

    with pytest.raises(JournalError, match="another program has written"):
        ours.append(m.EventRecord(examples.moment(2), "x", "ours"))
    ours.append(m.EventRecord(examples.moment(2), "x", "ours"))

    assert [event.words for event in ours.records(m.EventRecord)] == ["theirs", "ours"]


def test_a_life_whose_start_could_not_be_written_keeps_its_number(tmp_path):
    journal = open_run(tmp_path, examples.SETTINGS, simulated=True)
    journal.append(m.EventRecord(examples.moment(1, boot_id=4), "records_resumed", "no BootRecord before it"))

    assert journal.next_boot_id() == 5


def test_a_file_that_is_damaged_while_it_is_read_is_an_error_in_words(tmp_path):
    class Damaged:
        def execute(self, *_):
            raise sqlite3.DatabaseError("database disk image is malformed")

    journal = open_run(tmp_path, examples.SETTINGS, simulated=True)
    whole, journal._connection = journal._connection, Damaged()

    with pytest.raises(JournalError, match=r"malformed|damaged"):
        journal.open_requests()
    whole.close()


def test_a_folder_that_cannot_be_made_is_told_and_raises_nothing_else(tmp_path):
    (tmp_path / "file").write_bytes(b"")

    with pytest.raises(JournalError, match="records cannot be kept here"):
        lock_run(tmp_path / "file" / "run")


@pytest.mark.campaign
def test_every_fault_of_the_journal_in_great_numbers():
    for row in journal_faults.campaign():
        assert row.survived == row.tried, row
