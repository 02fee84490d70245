"""What the deciding loop hears of a board that reports each second."""

import pytest

from controller.chamber.seam import BoardCounts
from firmware_bridge import messages

RESTING = ("report", 40000002, 10, 16, "resting", None, 3, 0, 5, 2400, 0, 2000, 2001, 1002, 1743, 100)
AIR = (21.5, 60.0)


def report(**changes):
    names = messages.FIELDS["report"]
    values = list(RESTING[1:])
    for name, value in changes.items():
        values[names.index(name)] = value
    return ("report", *values)


def test_counts_come_with_the_reading():
    counts = BoardCounts()
    counts.note(report(), 1000)
    reading = counts.reading(AIR, 2000, False, False)

    assert reading[:6] == (21.5, 60.0, 1743, 2000, 2001, 1002)


@pytest.mark.parametrize(("age_ms", "counts_there"), [(29_999, True), (30_000, True), (30_001, False)])
def test_stale_counts_are_absent_and_never_repeated(age_ms, counts_there):
    counts = BoardCounts()
    counts.note(report(), 1000)
    reading = counts.reading(AIR, 1000 + age_ms, False, False)

    assert (reading.moisture_counts is not None) == counts_there
    assert reading.air_temperature_c == 21.5


def test_a_line_that_went_takes_its_counts_along():
    counts = BoardCounts()
    counts.note(report(), 1000)
    counts.forget()

    assert counts.reading(AIR, 1001, False, False).moisture_counts is None


def test_new_counts_alone_are_no_news():
    counts = BoardCounts()
    assert counts.note(report(), 0)

    assert not counts.note(report(moisture_counts=1800, uptime_s=101, leak_counts=2010, number=11), 1000)


@pytest.mark.parametrize(
    "change",
    [
        {"state": "tripped"},
        {"trip_reason": "leak_wet"},
        {"dose_id": 6},
        {"turned_steps": 2401},
        {"trip_number": 4},
        {"done_unseen": 1},
        {"session": 40000003},
        {"session": 50000000, "number": 1, "echo": 0, "uptime_s": 1},
        {"echo": 17},
    ],
)
def test_whatever_the_law_judges_is_news_at_once(change):
    counts = BoardCounts()
    counts.note(report(), 0)

    assert counts.note(report(**change), 1000)


@pytest.mark.parametrize(("after_ms", "is_news"), [(59_999, False), (60_000, True)])
def test_a_sign_of_life_is_passed_on_once_a_minute(after_ms, is_news):
    counts = BoardCounts()
    counts.note(report(), 0)

    assert counts.note(report(uptime_s=160), after_ms) == is_news


def test_every_other_message_is_news_and_so_is_the_first_report_after_it():
    counts = BoardCounts()
    counts.note(report(), 0)

    assert counts.note(("board", 40000003, 1, 0, 2, 3, 4, 5, 6, 7, 8, 9), 100)
    assert counts.note(report(), 200)
    assert not counts.note(report(), 300)
