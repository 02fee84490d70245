"""Rows are placed on UTC by the monotonic clock, from the nearest trusted row of the same boot."""

import pytest

from controller.control import model as m
from controller.records import series
from controller.records.series import blocks_of
from controller.records.timeline import Placed, Timeline
from tests.journals import DAY_MS, HOUR_MS, START_MS, at, hydrate, new_journal, reading

WRONG_MS = 5 * DAY_MS  # what the wall clock shows while nobody vouches for it


def untrusted(monotonic_ms, boot_id=1):
    return at(monotonic_ms, utc_ms=WRONG_MS + monotonic_ms, trusted=False, boot_id=boot_id)


def timeline_of(tmp_path, *moments):
    journal = new_journal(tmp_path)
    for moment in moments:
        journal.append(reading(moment))
    journal.flush()
    return Timeline(journal)


def test_a_trusted_row_stays_where_it_was_written(tmp_path):
    timeline = timeline_of(tmp_path, at(1_000), untrusted(2_000))

    assert timeline.place(at(1_000)) == Placed(START_MS + 1_000, True)


def test_rows_before_the_first_trusted_one_are_placed_back_from_it(tmp_path):
    timeline = timeline_of(tmp_path, untrusted(1_000), untrusted(2_000), at(5_000))

    assert timeline.place(untrusted(1_000)) == Placed(START_MS + 1_000, True)


def test_rows_after_the_last_trusted_one_are_placed_on_from_it(tmp_path):
    timeline = timeline_of(tmp_path, at(5_000), untrusted(6_000), untrusted(9_000))

    assert timeline.place(untrusted(9_000)) == Placed(START_MS + 9_000, True)


@pytest.mark.parametrize(("monotonic_ms", "off_ms"), [(14_999, 0), (15_000, 0), (15_001, 700)])
def test_rows_between_two_trusted_ones_are_placed_from_the_nearer_one_and_of_two_equals_from_the_earlier(
    tmp_path, monotonic_ms, off_ms
):
    later = at(20_000, utc_ms=START_MS + 20_700)  # the disciplined clock was 0.7 s further by then
    timeline = timeline_of(tmp_path, at(10_000), untrusted(monotonic_ms), later)

    assert timeline.place(untrusted(monotonic_ms)) == Placed(START_MS + monotonic_ms + off_ms, True)


@pytest.mark.guards("H7", "host", "94bb108c")
def test_a_boot_without_any_trusted_row_is_left_as_written_and_flagged(tmp_path):
    timeline = timeline_of(tmp_path, at(1_000), untrusted(2_000, boot_id=2), untrusted(3_000, boot_id=2))

    assert timeline.place(untrusted(2_000, boot_id=2)) == Placed(WRONG_MS + 2_000, False)
    assert timeline.doubted_readings == (0, 2)


def test_trusted_rows_of_another_boot_place_nothing(tmp_path):
    timeline = timeline_of(tmp_path, untrusted(2_000, boot_id=1), at(2_100, boot_id=2), untrusted(2_200, boot_id=2))

    assert not timeline.place(untrusted(2_000, boot_id=1)).utc_trusted
    assert timeline.place(untrusted(2_200, boot_id=2)).utc_trusted


def test_any_record_of_the_controller_can_place_a_reading(tmp_path):
    journal = new_journal(tmp_path)
    journal.append(reading(untrusted(8_000)))
    journal.append(m.ClockRecord(at(9_000), 1, 0))

    assert Timeline(journal).place(untrusted(8_000)) == Placed(START_MS + 8_000, True)


def test_a_request_places_nothing_because_another_process_wrote_it(tmp_path):
    journal = new_journal(tmp_path)
    journal.append(reading(untrusted(8_000)))
    journal.append(m.Request(at(10), 1, m.END_RUN, "LK"))

    assert not Timeline(journal).place(untrusted(8_000)).utc_trusted


def test_an_untrusted_event_among_trusted_readings_is_placed_from_the_reading_beside_it(tmp_path):
    journal = new_journal(tmp_path)
    for moment in (at(10_000), at(20_000, utc_ms=START_MS + 20_400), at(30_000, utc_ms=START_MS + 30_800)):
        journal.append(reading(moment))
    journal.append(m.EventRecord(untrusted(21_000), "link_lost", "gone"))

    assert Timeline(journal).place(untrusted(21_000)) == Placed(START_MS + 21_400, True)


@pytest.mark.parametrize("rows", [1, 3, 100])
def test_readings_by_blocks_are_placed_like_single_ones(tmp_path, monkeypatch, rows):
    monkeypatch.setattr(series, "ROWS_PER_BLOCK", rows)
    moments = [untrusted(1_000), at(2_000), untrusted(3_000), untrusted(7_000), at(8_000), untrusted(500, boot_id=2)]
    journal = new_journal(tmp_path)
    for moment in moments:
        journal.append(reading(moment))
    journal.flush()
    timeline = Timeline(journal)
    blocks = list(blocks_of(journal, timeline))

    placed = [pair for b in blocks for pair in zip(b.utc_ms.tolist(), b.utc_trusted.tolist(), strict=True)]
    assert placed == [tuple(timeline.place(moment)) for moment in moments]


def test_hours_since_hydration_follow_utc_across_a_boot(tmp_path):
    journal = new_journal(tmp_path)
    hydrate(journal, 5_000)
    timeline = Timeline(journal)

    assert timeline.hours_since_hydration(at(0, utc_ms=START_MS + 5_000 + 30 * HOUR_MS, boot_id=2)) == 30.0
    assert timeline.hours_since_hydration(at(5_000)) == 0.0
    assert timeline.hours_since_hydration(at(4_999)) is None


def test_hours_of_a_boot_that_nobody_can_place_follow_its_run_clock(tmp_path):
    journal = new_journal(tmp_path)
    hydrate(journal)
    journal.append(reading(untrusted(60_000, boot_id=2), run_ms=7 * HOUR_MS))
    journal.flush()
    timeline = Timeline(journal)

    assert timeline.hours_since_hydration(untrusted(60_000 + HOUR_MS, boot_id=2)) == 8.0
    assert timeline.hours_since_hydration(untrusted(60_000, boot_id=3)) is None


def test_nothing_has_hours_before_the_first_water(tmp_path):
    assert timeline_of(tmp_path, at(0)).hours_since_hydration(at(1_000)) is None
