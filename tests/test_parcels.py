"""Sealed days: what belongs to which, byte for byte the same, and every change is noticed (hazard: record altered)."""

import json
import os
import subprocess
import sys

import pyarrow.parquet as pq
import pytest

from controller.control import model as m
from controller.errors import ParcelError
from controller.parcels import sealing
from controller.parcels.chain import journal_faults, verify
from controller.parcels.manifest import read_manifest
from controller.parcels.sealing import seal
from controller.records.days import closed_days
from controller.records.formats import TABLES
from controller.records.journal import Journal
from controller.records.timeline import Timeline
from tests.journals import DAY_MS, HOUR_MS, MINUTE_MS, SETTINGS, START_MS, at, fill, new_journal, reading
from tests.parcels import files_of, sealed_run, short_run


def days_of(journal, ended=False):
    return [(m_.day_utc, m_.rows_by_file["readings.parquet"]) for m_ in seal_all(journal, ended)]


def seal_all(journal, ended=False):
    if ended:
        journal.append(m.PhaseRecord(at(40 * DAY_MS, trusted=False), m.ENDED, 0))
    return list(seal(journal, SETTINGS))


# -- which day a row belongs to ----


def test_a_day_is_sealed_once_a_later_one_is_reached(tmp_path):
    journal = new_journal(tmp_path)
    fill(journal, 0, DAY_MS, HOUR_MS)
    assert days_of(journal) == []

    fill(journal, DAY_MS, DAY_MS + 1, HOUR_MS)
    assert days_of(journal) == [("2026-03-02", 24)]


@pytest.mark.parametrize(("offset_ms", "first_day"), [(-1, 25), (0, 24), (1, 24)])
def test_midnight_utc_begins_the_next_day(tmp_path, offset_ms, first_day):
    journal = new_journal(tmp_path)
    fill(journal, 0, DAY_MS, HOUR_MS)
    fill(journal, DAY_MS + offset_ms, DAY_MS + offset_ms + 1, HOUR_MS)
    fill(journal, 2 * DAY_MS, 2 * DAY_MS + 1, HOUR_MS)

    assert days_of(journal)[0] == ("2026-03-02", first_day)


def test_a_day_without_records_has_no_parcel_and_the_chain_goes_on(tmp_path):
    journal = new_journal(tmp_path)
    for day in (0, 3, 4):
        fill(journal, day * DAY_MS, day * DAY_MS + HOUR_MS, HOUR_MS)
    first, second = seal_all(journal)

    assert (first.day_utc, second.day_utc) == ("2026-03-02", "2026-03-05")
    assert second.before_sha256 == first.sha256


def test_rows_of_a_clock_that_starts_in_1970_wait_for_network_time(tmp_path):
    journal = new_journal(tmp_path)
    fill(journal, 0, 2 * HOUR_MS, HOUR_MS)
    for minute in range(3):  # the second boot does not know the time yet
        journal.append(reading(at(minute * MINUTE_MS, utc_ms=minute * MINUTE_MS, trusted=False, boot_id=2)))
    journal.flush()
    assert days_of(journal) == []

    journal.append(reading(at(HOUR_MS, utc_ms=START_MS + DAY_MS + HOUR_MS, boot_id=2)))  # network time: 01:00 next day
    journal.append(reading(at(DAY_MS + HOUR_MS, utc_ms=START_MS + 2 * DAY_MS + HOUR_MS, boot_id=2)))
    journal.flush()

    assert days_of(journal) == [("2026-03-02", 2), ("2026-03-03", 4)]
    table = pq.read_table(tmp_path / "parcels/2026-03-03/readings.parquet")
    assert table["utc_ms"].to_pylist()[0] == START_MS + DAY_MS
    assert table["at_utc_ms"].to_pylist()[0] == 0


def test_a_boot_that_never_had_network_time_is_carried_by_the_day_before_it(tmp_path):
    journal = new_journal(tmp_path)
    fill(journal, 0, HOUR_MS, HOUR_MS)
    journal.append(reading(at(5, utc_ms=5, trusted=False, boot_id=2)))
    journal.append(reading(at(9, utc_ms=START_MS + 3 * DAY_MS, boot_id=3)))
    journal.flush()

    assert days_of(journal) == [("2026-03-02", 2)]
    assert seal_all(journal) == []
    (manifest,) = sealing.sealed_parcels(tmp_path / "parcels")
    assert manifest.clock.unknown == 1


def test_a_clock_set_back_over_midnight_adds_nothing_to_a_sealed_day(tmp_path):
    journal = new_journal(tmp_path)
    fill(journal, 0, DAY_MS + HOUR_MS, HOUR_MS)
    assert days_of(journal) == [("2026-03-02", 24)]

    journal.append(reading(at(DAY_MS + 2 * HOUR_MS, utc_ms=START_MS + DAY_MS - 1)))
    fill(journal, 2 * DAY_MS, 2 * DAY_MS + 1, HOUR_MS)

    assert days_of(journal) == [("2026-03-03", 2)]
    assert next(journal_faults(journal, SETTINGS, tmp_path / "parcels"), None) is None


def test_a_run_that_never_had_network_time_is_cut_by_its_own_clock_when_it_has_ended(tmp_path):
    journal = new_journal(tmp_path)
    for hour in range(30):
        journal.append(reading(at(hour * HOUR_MS, trusted=False)))
    journal.flush()
    assert days_of(journal) == []

    assert days_of(journal, ended=True) == [("2026-03-02", 24), ("2026-03-03", 6), ("2026-04-11", 0)]


def test_the_last_day_waits_while_a_controller_holds_the_run(tmp_path):
    from controller.run import lock_run

    journal = new_journal(tmp_path)
    fill(journal, 0, HOUR_MS, HOUR_MS)
    journal.append(m.PhaseRecord(at(HOUR_MS), m.ENDED, 0))
    held = lock_run(tmp_path)
    assert seal_all(journal) == []

    os.close(held)
    assert [each.day_utc for each in seal_all(journal)] == ["2026-03-02"]


def test_a_request_travels_with_its_answer(tmp_path):
    journal = new_journal(tmp_path)
    fill(journal, 0, HOUR_MS, HOUR_MS)
    number = journal.ask(m.Request(at(HOUR_MS), 0, m.OBSERVE, "LK", position=1))
    fill(journal, DAY_MS, DAY_MS + HOUR_MS, HOUR_MS)
    journal.append(m.RequestAnswered(at(DAY_MS + HOUR_MS), number, True, "Written down."))
    fill(journal, 2 * DAY_MS, 2 * DAY_MS + 1, HOUR_MS)

    first, second = seal_all(journal)
    assert first.rows["requests"] == [1, 0]
    assert second.rows["requests"] == [1, 1]


def test_sealing_day_by_day_cuts_as_sealing_at_once(tmp_path):
    whole = short_run(tmp_path / "at-once", days=4)
    list(seal(whole, SETTINGS))

    journal = new_journal(tmp_path / "by-day")
    journal.connection.execute("ATTACH ? AS whole", (str(whole.path),))
    for day in range(5):
        for table in TABLES.values():
            end = START_MS + day * DAY_MS + HOUR_MS
            journal.connection.execute(
                f"INSERT INTO main.{table} SELECT * FROM whole.{table} WHERE at_utc_ms < ? AND "
                f"row_id > (SELECT coalesce(max(row_id), 0) FROM main.{table})", (end,)
            )  # fmt: skip
        list(seal(journal, SETTINGS))

    assert files_of(tmp_path / "by-day/parcels") == files_of(tmp_path / "at-once/parcels")


# -- nothing is lost, nothing differs ----


def test_every_row_of_the_journal_is_in_exactly_one_parcel(tmp_path):
    journal = short_run(tmp_path)
    journal.append(m.PhaseRecord(at(3 * DAY_MS + HOUR_MS), m.ENDED, 0))
    manifests = seal_all(journal)

    for table in TABLES.values():
        held = [row for each in manifests for row in range(each.rows[table][0], each.rows[table][1] + 1)]
        assert len(held) == len(set(held))
        stored = {row for (row,) in journal.connection.execute(f"SELECT row_id FROM {table}")}
        assert stored <= set(held)
    counted = sum(sum(each.rows_by_file.values()) for each in manifests)
    assert counted == sum(
        journal.connection.execute(f"SELECT count(*) FROM {t}").fetchone()[0] for t in TABLES.values()
    )


def test_values_come_out_as_they_were_written(tmp_path):
    journal = new_journal(tmp_path)
    strange = reading(at(0), air_temperature_c=20.000000000000004, moisture_counts=None, moisture_quality=m.MISSING)
    journal.append(strange)
    journal.append(m.TripRecord(at(1), "leak_wet", m.ON_BOARD, 7))
    fill(journal, DAY_MS, DAY_MS + 1, HOUR_MS)
    seal_all(journal)

    (row,) = pq.read_table(tmp_path / "parcels/2026-03-02/readings.parquet").to_pylist()
    assert (row["air_temperature_c"], row["moisture_counts"]) == (20.000000000000004, None)
    (event,) = pq.read_table(tmp_path / "parcels/2026-03-02/events.parquet").to_pylist()
    assert json.loads(event["fields_json"]) == {"trip_reason": "leak_wet", "side": "board", "motor_off_delay_ms": 7}


def test_columns_carry_their_units(tmp_path):
    folder, _ = sealed_run(tmp_path, days=1)
    schema = pq.read_schema(folder / "2026-03-02/readings.parquet")

    assert schema.field("air_temperature_c").metadata[b"unit"] == b"degC"
    assert schema.field("moisture_counts").metadata[b"unit"] == b"counts"


def test_a_picture_is_sealed_by_its_digest_and_its_change_is_noticed(tmp_path):
    journal = new_journal(tmp_path)
    (tmp_path / "pictures").mkdir()
    (tmp_path / "pictures/one.jpg").write_bytes(b"abc")
    (tmp_path.parent / "outside.jpg").write_bytes(b"abc")
    for name in ("pictures/one.jpg", "pictures/gone.jpg", "../outside.jpg"):
        journal.append(m.ObservationRecord(at(0), 1, "LK", picture=name))
    fill(journal, DAY_MS, DAY_MS + 1, HOUR_MS)
    fill(journal, 2 * DAY_MS, 2 * DAY_MS + 1, HOUR_MS)
    journal.append(m.ObservationRecord(at(2 * DAY_MS), 1, "LK"))
    seal_all(journal)

    rows = pq.read_table(tmp_path / "parcels/2026-03-02/pictures.parquet").to_pylist()
    # FIPS 180-2, appendix B.1: SHA-256 of "abc"
    abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert [row["sha256"] for row in rows] == [abc, None, None]
    (tmp_path / "pictures/one.jpg").write_bytes(b"abd")
    assert "pictures.parquet" in next(journal_faults(journal, SETTINGS, tmp_path / "parcels"))


def test_the_same_journal_gives_the_same_bytes_in_another_process(tmp_path):
    folder, _ = sealed_run(tmp_path / "here")
    subprocess.run(
        [sys.executable, "-c",
         "import sys, pathlib, shutil\nfrom controller.records.journal import Journal\n"
         "from controller.parcels.sealing import seal\nfrom tests.journals import SETTINGS\n"
         "list(seal(Journal.open(pathlib.Path(sys.argv[1])), SETTINGS, folder=pathlib.Path(sys.argv[2])))",
         str(tmp_path / "here/journal.sqlite"), str(tmp_path / "there")],
        check=True, env={**os.environ, "PYTHONHASHSEED": "7", "TZ": "Pacific/Auckland"},
    )  # fmt: skip

    assert files_of(tmp_path / "there") == files_of(folder)


# -- a power cut while sealing ----


@pytest.mark.parametrize("cut_at", range(8))
def test_a_cut_at_any_file_leaves_a_whole_parcel_or_none(tmp_path, monkeypatch, cut_at):
    reference, _ = sealed_run(tmp_path / "whole")
    journal = short_run(tmp_path / "cut")
    calls = []

    def fsync(handle):
        calls.append(handle)
        if len(calls) > cut_at:
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(sealing.os, "fsync", fsync)
    with pytest.raises(ParcelError, match="cannot be sealed"):
        list(seal(journal, SETTINGS))
    assert all(not chain.fault for chain in verify(tmp_path / "cut/parcels"))

    monkeypatch.undo()
    list(seal(journal, SETTINGS))
    assert files_of(tmp_path / "cut/parcels") == files_of(reference)


# -- what verify finds ----


def the_fault(folder):
    (chain,) = verify(folder)
    return chain.fault


def test_a_whole_chain_has_no_fault(tmp_path):
    folder, _ = sealed_run(tmp_path)
    assert verify(folder)[0][2:] == (3, "")


@pytest.mark.guards("H8", "host", "ee284e71")
def test_a_single_flipped_bit_is_found(tmp_path):
    folder, _ = sealed_run(tmp_path)
    path = folder / "2026-03-03/readings.parquet"
    content = bytearray(path.read_bytes())
    content[100] ^= 1
    path.write_bytes(content)

    assert "2026-03-03/readings.parquet: its SHA-256" in the_fault(folder)


def test_a_missing_day_is_found(tmp_path):
    folder, _ = sealed_run(tmp_path)
    (folder / "2026-03-03").rename(folder / ".away")

    assert "2026-03-04: names" in the_fault(folder)


def test_a_missing_first_day_is_found(tmp_path):
    folder, _ = sealed_run(tmp_path)
    (folder / "2026-03-02").rename(folder / ".away")

    assert "2026-03-03: the parcel before it" in the_fault(folder)


def test_a_missing_file_and_a_strange_one_are_found(tmp_path):
    folder, _ = sealed_run(tmp_path)
    (folder / "2026-03-04/extra.csv").write_text("a")
    assert "extra.csv" in the_fault(folder)

    (folder / "2026-03-02/doses.parquet").unlink()
    assert "2026-03-02/doses.parquet: cannot be read" in the_fault(folder)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('"day_utc":"2026-03-02"', '"day_utc":"2026-02-30"', "day_utc"),
        ('"format":"wardian parcel 1"', '"format":"wardian parcel 2"', "format"),
        ('"name":"readings.parquet"', '"name":"../../readings.parquet"', "names"),
        ('"chamber":"skerry-light"', '"chamber":"../northhaven"', "chamber"),
        ('"simulated":true', '"simulated":1', "simulated"),
        ('{"before', '{ "before', "written"),
        ("\n", "", "written"),
    ],
)
def test_a_manifest_that_is_not_as_sealed_is_refused_with_its_key(tmp_path, old, new, words):
    _, manifests = sealed_run(tmp_path, days=1)
    content = manifests[0].to_bytes().decode()
    assert old in content

    with pytest.raises(ParcelError, match=words):
        read_manifest(content.replace(old, new).encode(), "manifest.json")


@pytest.mark.parametrize("content", [b"", b"[]", b"\xff", b"[" * 100_000, b"{}", b'{"rows":NaN}', b"x" * 1_000_001])
def test_what_is_no_manifest_is_refused_in_a_sentence(content):
    with pytest.raises(ParcelError, match="manifest"):
        read_manifest(content, "manifest.json")


@pytest.mark.guards("H8", "host", "ee284e71")
@pytest.mark.parametrize("table", ["readings", "dose_outcomes", "observations", "trips"])
def test_a_parcel_that_no_longer_matches_its_journal_is_noticed(tmp_path, table):
    journal = short_run(tmp_path)
    journal.append(m.TripRecord(at(3 * DAY_MS), "leak_wet", m.ON_BOARD, 7))
    fill(journal, 4 * DAY_MS, 4 * DAY_MS + 1, HOUR_MS)
    list(seal(journal, SETTINGS))
    assert list(journal_faults(journal, SETTINGS, tmp_path / "parcels")) == []

    number = {"readings": "air_temperature_c", "dose_outcomes": "volume_ml", "observations": "height_mm"}
    journal.connection.execute(f"DROP TRIGGER {table}_no_update")  # as someone with an editor would
    journal.connection.execute(f"UPDATE {table} SET {number.get(table, 'motor_off_delay_ms')} = 99 WHERE row_id = "
                               f"(SELECT min(row_id) FROM {table})")  # fmt: skip
    assert "no longer holds what the journal holds" in next(journal_faults(journal, SETTINGS, tmp_path / "parcels"))


def test_a_run_under_way_can_be_sealed_while_it_is_written(tmp_path):
    journal = short_run(tmp_path)
    reader = Journal.open(journal.path)
    days = closed_days(reader, Timeline(reader), {}, -1, False)
    next(days)
    fill(journal, 3 * DAY_MS + HOUR_MS, 5 * DAY_MS, HOUR_MS)  # the writer is not held up

    assert len(list(seal(reader, SETTINGS))) == 4
