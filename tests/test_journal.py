"""The journal: only ever added to, and never ahead of the truth."""

import sqlite3
from typing import get_type_hints

import pytest

from controller.control import model as m
from controller.errors import JournalError
from controller.records.formats import TABLES
from controller.records.journal import Journal
from tests import examples


@pytest.fixture
def journal(tmp_path):
    made = Journal.create(tmp_path / "journal.sqlite", "run-1", examples.SETTINGS, "0", simulated=True)
    yield made
    made.connection.close()


def reading(ms, temperature=21.5):
    return m.ReadingRecord(
        examples.moment(ms), temperature, None, 1740, 2000, 2000, 1000, 0.6, "good", "missing", "good", None
    )


def on_disk(journal, table):
    """What another reader of the file sees."""
    other = sqlite3.connect(journal.path)
    try:
        return other.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
    finally:
        other.close()


SAMPLES = [
    m.BootRecord(examples.moment(1), "0"),
    reading(2),
    m.DoseIntended(examples.moment(3), 1, m.FIRST_WETTING, 50.0, 10000, 83, 0.005, 0.00004, 10, None),
    m.DoseClosed(examples.moment(4), 1, 0, 10000, m.IN_DOUBT, 25.0, 14.4, 50.0, 20),
    m.BoardRecord(examples.moment(17), 123_456_789, 3, 17, 45_000, 999_999_999_999, "LK"),
    m.EffectRecord(examples.moment(18), 1, m.AWAITED, 1_830_000, 0.22, 0.0121),
    m.WateringAnswer(examples.moment(5), "resting", True),
    m.TripRecord(examples.moment(6), "leak_wet", m.ON_BOARD, 10),
    m.TripCleared(examples.moment(7), "leak_wet", "LK"),
    m.AlarmRecord(examples.moment(8), "board_silent", True, "The board does not answer."),
    m.LampRecord(examples.moment(9), 0.6),
    m.StepRecord(examples.moment(10), "drain-and-weigh", True, "LK", 31.5, "clear water"),
    m.ObservationRecord(examples.moment(11), 3, "LK", True, 12.5, 2, 12, "straight", "", None),
    m.PhaseRecord(examples.moment(12), m.WETTING, 0),
    m.ClockRecord(examples.moment(13, trusted=False), -7_200_000, 55),
    m.EventRecord(examples.moment(14), "link_found", "open"),
    m.Request(examples.moment(15), 4, m.OBSERVE, "LK", position=3, emerged=False),
    m.RequestAnswered(examples.moment(16), 4, True, "Written."),
]


def test_every_kind_of_record_has_a_sample_here():
    assert {type(sample) for sample in SAMPLES} == set(TABLES)


@pytest.mark.parametrize("record", SAMPLES, ids=lambda record: type(record).__name__)
def test_a_record_comes_back_as_it_was_written(journal, record):
    journal.append(record)
    journal.flush()

    assert list(journal.records(type(record))) == [record]


@pytest.mark.parametrize("record", SAMPLES, ids=lambda record: type(record).__name__)
def test_columns_carry_the_names_of_the_fields(journal, record):
    columns = [row[1] for row in journal.connection.execute(f"PRAGMA table_info({TABLES[type(record)]})")]

    assert columns[1:5] == ["at_utc_ms", "monotonic_ms", "boot_id", "utc_trusted"]
    assert columns[5:] == [name for name in get_type_hints(type(record)) if name != "at"]


def test_everything_but_readings_is_on_disk_when_append_returns(journal):
    for record in SAMPLES:
        if not isinstance(record, m.ReadingRecord):
            journal.append(record)
            assert on_disk(journal, TABLES[type(record)]) == 1


def test_readings_wait_for_their_batch_and_no_longer(journal):
    for number in range(5):
        journal.append(reading(number))
    assert on_disk(journal, "readings") == 0

    journal.append(reading(5))
    assert on_disk(journal, "readings") == 6


def test_a_durable_record_takes_the_waiting_readings_with_it(journal):
    journal.append(reading(1))
    journal.append(m.LampRecord(examples.moment(2), 0.6))

    assert on_disk(journal, "readings") == 1


@pytest.mark.guards("H8", "host", "ee284e71")
def test_the_file_is_synced_in_full_before_an_append_returns(journal):
    assert journal.connection.execute("PRAGMA synchronous").fetchone()[0] == 2
    assert journal.connection.execute("PRAGMA journal_mode").fetchone()[0] == "wal"


@pytest.mark.guards("H8", "host", "ee284e71")
@pytest.mark.parametrize("table", ["run", *TABLES.values()])
def test_nothing_can_be_changed_or_deleted_even_by_hand(journal, table):
    for record in SAMPLES:
        journal.append(record)
    journal.flush()
    for sql in (f"UPDATE {table} SET rowid = rowid", f"DELETE FROM {table}"):
        with pytest.raises(sqlite3.IntegrityError, match="only ever added"):
            journal.connection.execute(sql)


def test_history_comes_in_the_order_it_was_written_though_moments_are_equal(journal):
    at = examples.moment(1)
    written = [
        m.DoseClosed(at, 1, 1, 1, "complete", 0.005, 0.0, 0.005, 0),
        m.DoseIntended(at, 2, m.MOISTURE_LED, 12.0, 2400, 200, 0.005, 0.0, 0),
        m.PhaseRecord(at, m.GROWING, 0),
        m.DoseClosed(at, 2, 1, 1, "complete", 0.005, 0.0, 0.005, 0),
    ]
    for record in written:
        journal.append(record)
    journal.close()
    again = Journal.open(journal.path)

    assert again.history() == written
    again.append(written[0])
    assert again.history() == [*written, written[0]]
    again.close()


def test_a_full_disk_is_an_error_that_loses_nothing_committed(journal):
    for number in range(60):
        journal.append(reading(number))
    journal.hold_file_size(True)

    def fill():
        for number in range(100_000):
            journal.append(m.EventRecord(examples.moment(number), "x", "y" * 500))

    with pytest.raises(JournalError, match="full"):
        fill()
    kept = on_disk(journal, "events")
    journal.hold_file_size(False)
    journal.append(m.EventRecord(examples.moment(1), "x", "again"))

    assert on_disk(journal, "readings") == 60
    assert on_disk(journal, "events") == kept + 1


def test_while_nothing_can_be_written_the_waiting_readings_stay_bounded(journal):
    journal.hold_file_size(True)
    failures = 0
    for number in range(20_000):
        try:
            journal.append(reading(number))
        except JournalError:
            failures += 1

    assert failures > 0
    assert len(journal._pending) <= 60 + journal.readings_per_batch


def test_a_run_is_never_overwritten(journal):
    with pytest.raises(JournalError, match="already holds a run"):
        Journal.create(journal.path, "run-2", examples.SETTINGS, "0", simulated=True)


@pytest.mark.parametrize("content", [b"", b"not a database at all, but long enough to be looked at" * 20])
def test_a_file_that_is_no_journal_is_refused_in_one_sentence(tmp_path, content):
    path = tmp_path / "journal.sqlite"
    path.write_bytes(content)

    with pytest.raises(JournalError, match=r"journal\.sqlite: this is not a journal"):
        Journal.open(path)


def test_a_folder_without_a_journal_says_so(tmp_path):
    with pytest.raises(JournalError, match="no journal here"):
        Journal.open(tmp_path / "journal.sqlite")


def test_requests_of_several_people_get_numbers_of_their_own_and_wait_until_answered(journal):
    other = Journal.open(journal.path)
    wish = m.Request(examples.moment(1), 0, m.SIGN_STEP, "LK", "clean-gloves")
    numbers = [journal.ask(wish), other.ask(wish), journal.ask(wish)]
    assert numbers == [1, 2, 3]

    journal.append(m.RequestAnswered(examples.moment(2), 2, True, "signed"))

    assert [request.request_id for request in other.open_requests()] == [1, 3]
    assert other.answer_to(2).words == "signed"
    assert other.answer_to(1) is None
    other.close()
