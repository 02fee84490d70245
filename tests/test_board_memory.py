"""What a board remembers of itself over restarts: who it is, for whom it gave water, how much, and when."""

import re
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_bridge import interlocks, limits, messages
from firmware_bridge.board import WINDOW_SAVE_EVERY_MS, Board, fresh_saved_line
from tests.boards import (
    DRY,
    IDENTITY,
    JOURNAL,
    NEXT_IDENTITY,
    WET,
    Bench,
    Talker,
    field,
    saved_values,
    with_saved,
)

FRESH = fresh_saved_line(IDENTITY)
MINUTE_MS = 60000
HOUR_MS = 60 * MINUTE_MS


@pytest.fixture
def bench():
    bench = Bench(FRESH)
    bench.tick()
    bench.greet()
    return bench


def greeted_as(bench, name):
    """A field of the board's answer to a new greeting."""
    (board,) = [message for message in bench.greet() if message[0] == "board"]
    return field(board, name)


# -- who it is ----------------------------------------------------------------------------------------------------


def test_a_commissioned_board_is_the_same_one_after_every_restart(bench):
    for _ in range(5):
        assert greeted_as(bench, "board_id") == IDENTITY
        bench.tick()
        bench.power_on()
    bench.tick(10, WET)
    bench.tick()
    bench.power_on()
    assert greeted_as(bench, "board_id") == IDENTITY, "a trip is no other board"


@pytest.mark.guards("H8", "board", "ee284e71")
@pytest.mark.parametrize("memory", [None, b"", b"\xff" * 200], ids=["no file", "empty", "erased"])
def test_a_board_that_lost_its_memory_is_another_one_tripped_and_stays_that_one(bench, memory):
    bench.dose(1, 100, 100)
    bench.finish(1)
    bench.memory = memory
    bench.power_on()
    assert bench.trip_reason() == interlocks.STATE_LOST
    for _ in range(3):
        assert greeted_as(bench, "board_id") == NEXT_IDENTITY
        assert greeted_as(bench, "last_journal_id") == 0
        assert greeted_as(bench, "turned_total_steps") == 0
        bench.power_on()
        assert bench.trip_reason() == interlocks.STATE_LOST


# -- for whom -----------------------------------------------------------------------------------------------------


def test_the_last_journal_is_that_of_the_dose_that_was_accepted_last_and_no_other_greeting_changes_it(bench):
    assert greeted_as(bench, "last_journal_id") == 0
    bench.dose(1, 10, 100)
    bench.finish(1)
    bench.send("seen", 1)
    bench.talker = Talker(JOURNAL + 1)
    assert greeted_as(bench, "last_journal_id") == JOURNAL
    assert bench.send("dose", 1, 10, 100) == [("judged", 1, interlocks.ID_NOT_NEW)]
    bench.tick()
    bench.power_on()
    assert greeted_as(bench, "last_journal_id") == JOURNAL, "a dose that was refused is nobody's last"
    bench.send("seen", 1)
    bench.dose(2, 10, 100)
    assert saved_values(bench.save())["last_journal_id"] == JOURNAL + 1
    bench.power_on()
    assert greeted_as(bench, "last_journal_id") == JOURNAL + 1


@pytest.mark.guards("H8", "board", "ee284e71")
def test_a_journal_of_the_largest_number_is_remembered_like_any_other():
    bench = Bench(FRESH)
    bench.talker = Talker(messages.NUMBER_MAX)
    bench.tick()
    bench.greet()
    bench.dose(1, 10, 100)
    bench.finish(1)
    bench.tick()
    bench.power_on()
    assert bench.trip_reason() is None
    assert greeted_as(bench, "last_journal_id") == messages.NUMBER_MAX


# -- how much -----------------------------------------------------------------------------------------------------


def test_the_total_counts_what_turned_and_all_of_a_dose_that_is_in_doubt(bench):
    bench.dose(1, 300, 100)
    assert greeted_as(bench, "turned_total_steps") == 300, "while it turns it may yet be all of it"
    bench.finish(1)
    assert greeted_as(bench, "turned_total_steps") == 300
    bench.send("seen", 1)
    bench.dose(2, 1000, 100)
    bench.tick(100)
    bench.tick(100)
    bench.send("stop", 2)
    assert greeted_as(bench, "turned_total_steps") == 320
    bench.tick()
    bench.send("seen", 2)
    bench.dose(3, 500, 100)
    bench.tick(100)
    for _ in range(3):
        bench.power_on()
        assert greeted_as(bench, "turned_total_steps") == 820, "counted in full, and once"
        bench.tick()


LIFE = st.one_of(
    st.tuples(st.just("tick"), st.sampled_from([10, 100, 1000])),
    st.tuples(st.just("dose"), st.sampled_from([1, 30, 400, 12000]), st.sampled_from([50, 400])),
    st.tuples(st.just("renew")),
    st.tuples(st.just("stop")),
    st.tuples(st.just("trip")),
    st.tuples(st.just("cut"), st.sampled_from(["before saving", "after saving", "before saving that"])),
)


@pytest.mark.guards("H8", "board", "ee284e71")
@settings(max_examples=200, deadline=None)
@given(st.lists(LIFE, max_size=60))
def test_the_total_never_goes_down_never_falls_short_and_never_exceeds_what_was_accepted(life):
    """Over lives whose power fails before, at and after every saving."""
    bench = Bench(FRESH)
    bench.tick()
    bench.greet()
    saved_totals, told_at_rest = [0], [0]
    accepted_steps = 0
    dose_id = 0

    def look():
        saved_totals.append(saved_values(bench.memory)["turned_total_steps"])
        if not bench.board.law.dose_in_hand():
            told_at_rest.append(greeted_as(bench, "turned_total_steps"))
            assert bench.turned_steps + bench.ordered <= told_at_rest[-1] <= accepted_steps

    for event in life:
        if event[0] == "tick":
            bench.tick(event[1])
        elif event[0] == "trip":
            bench.tick(10, WET)
            bench.tick(limits.DRY_MS_MIN)
            bench.clear(bench.board.law.trip_reason)
        elif event[0] == "dose":
            bench.send("seen", dose_id)
            if ("judged", dose_id + 1, interlocks.ACCEPTED) in bench.send("dose", dose_id + 1, *event[1:]):
                dose_id += 1
                accepted_steps += event[1]
        elif event[0] == "cut":
            if event[1] == "after saving":
                bench.turned_steps += bench.ordered
                bench.save()
            bench.power_on()
            if event[1] == "before saving that":  # twice in a row, the second time before the first start was saved
                bench.power_on()
            bench.tick()
            bench.greet()
            dose_id = max(dose_id, bench.board.law.last_dose_id)
        else:
            bench.send(event[0], dose_id, *([limits.LEASE_MS_MAX] if event[0] == "renew" else []))
        look()
    for totals in (saved_totals, told_at_rest):
        assert all(earlier <= later for earlier, later in pairwise(totals))


# -- when: the rolling day of a board that restarts often ---------------------------------------------------------


def lives_until_there_is_room(life_ms):
    """Hours until a board that used up its day, and is restarted after every ``life_ms``, has room for it again."""
    bench = Bench(FRESH)
    bench.tick()
    bench.greet()
    for dose_id in range(1, 6):
        bench.dose(dose_id, 12000, 400)
        bench.finish(dose_id)
        bench.send("seen", dose_id)
    bench.save()
    passed_ms = 0
    while bench.board.law.window_used_steps() and passed_ms < 100 * HOUR_MS:
        bench.power_on()
        for _ in range(life_ms // 1000 - 1):  # the last second is cut short
            bench.tick(1000)
        passed_ms += life_ms
    assert passed_ms >= 24 * HOUR_MS, "water never leaves the day before a day has passed"
    return passed_ms / HOUR_MS


@pytest.mark.guards("H1", "board", "830e5870")
def test_the_day_of_a_board_that_restarts_every_50_minutes_is_over_within_32_hours():
    """At worst the last saving was ten minutes before the cut: 40 of 50 minutes count, so 25 h are 38 lives, 31.7 h."""
    assert lives_until_there_is_room(50 * MINUTE_MS) <= 38 * 50 / 60 < 32.0


@pytest.mark.guards("H1", "board", "830e5870")
def test_the_day_of_a_board_that_restarts_every_11_minutes_is_over_within_28_hours():
    """A life saves once, after ten minutes, so ten of eleven count: 150 lives for 25 h are 27.5 h. The first hour may
    need a life more, if its end falls between two savings: from there on hours begin with lives."""
    assert lives_until_there_is_room(11 * MINUTE_MS) <= 151 * 11 / 60 < 28.0


def test_a_board_at_rest_writes_nothing_while_no_water_counts_and_once_in_ten_minutes_while_it_does(bench):
    def savings():
        lines = []
        for _ in range(3600):
            bench.tick(1000)
            lines.append(bench.board._save_owed)
        return sum(lines)

    bench.save()
    assert savings() == 0
    bench.dose(1, 10, 100)
    bench.finish(1)
    bench.send("seen", 1)
    bench.save()
    assert 6 <= savings() <= HOUR_MS // WINDOW_SAVE_EVERY_MS + 1, "and at the end of the hour"


# -- the largest of everything ------------------------------------------------------------------------------------


def longest_saved_line():
    """Each field as long as a board of these limits can make it."""
    reasons = (*interlocks.TRIP_REASONS, interlocks.COMPLETE, interlocks.STOPPED, interlocks.BOARD_RESTARTED)
    slots, left_steps = [], limits.WINDOW_STEPS_MAX  # together no more than the day allows
    for place in range(limits.WINDOW_SLOTS):
        others = limits.WINDOW_SLOTS - place - 1
        digits = max(n for n in range(1, 6) if 10 ** (n - 1) + 1000 * others <= left_steps)
        slots.append(10 ** (digits - 1))
        left_steps -= slots[-1]
    return {
        "board_id": 999999999,  # main.new_identity
        "boots": messages.BOOTS_MAX,
        "last_dose_id": messages.DOSE_ID_MAX,
        "last_journal_id": messages.NUMBER_MAX,
        "steps_min": limits.DOSE_STEPS_MAX,
        "steps_max": limits.DOSE_STEPS_MAX,
        "end_reason": max(reasons, key=len),
        "seen": 1,
        "trip_reason": max(interlocks.TRIP_REASONS, key=len),
        "trip_number": messages.NUMBER_MAX,
        "turned_total_steps": messages.NUMBER_MAX,
        "slot_ms": limits.WINDOW_SLOT_MS - 1,
        **dict(zip(messages.SLOT_FIELDS, slots, strict=True)),
    }


def test_the_longest_saved_line_is_as_long_as_the_sentence_about_it_says_and_fits():
    values = longest_saved_line()
    assert tuple(values) == messages.FIELDS["saved"]
    assert sum(values[name] for name in messages.SLOT_FIELDS) <= limits.WINDOW_STEPS_MAX
    longest = len(messages.encode("saved", *values.values())) - 1
    source = Path(messages.__file__).read_text()
    (said,) = re.findall(r'LINE_BYTES_MAX = \d+  # the longest, "saved", takes (\d+) at most', source)
    assert longest == int(said) <= messages.LINE_BYTES_MAX


def test_a_board_whose_counts_are_as_large_as_they_get_still_saves_and_speaks():
    room = 1000000000  # what is left of the counts of a life for its last start
    values = longest_saved_line()
    values.update(
        boots=messages.BOOTS_MAX - 1,
        trip_number=messages.NUMBER_MAX - room,
        turned_total_steps=messages.NUMBER_MAX - room - limits.DOSE_STEPS_MAX,
    )
    bench = Bench(with_saved(FRESH, **values))
    assert bench.trip_reason() == max(interlocks.TRIP_REASONS, key=len), "it has not lost its memory"
    bench.tick(limits.DRY_MS_MIN)
    assert ("cleared", messages.NUMBER_MAX - room, interlocks.ACCEPTED) in bench.clear(interlocks.MOVED_WHILE_STOPPED)
    bench.tick(10, WET)
    bench.tick()
    assert saved_values(bench.memory)["trip_number"] == messages.NUMBER_MAX - room + 1
    assert len(bench.memory) <= messages.LINE_BYTES_MAX


@pytest.mark.parametrize(
    "worn",
    [
        {"boots": messages.BOOTS_MAX},
        {"trip_number": messages.NUMBER_MAX},
        {"turned_total_steps": messages.NUMBER_MAX},
        {"turned_total_steps": messages.NUMBER_MAX - 1, "steps_max": 12000, "seen": 0},
        {"board_id": 0},
    ],
)
def test_a_memory_from_which_no_count_goes_on_is_a_lost_one(worn):
    bench = Bench(with_saved(FRESH, **worn))
    assert bench.trip_reason() == interlocks.STATE_LOST
    assert bench.board.board_id == NEXT_IDENTITY


def test_the_last_start_of_a_board_still_waters_and_the_next_one_is_another_board():
    bench = Bench(with_saved(FRESH, boots=messages.BOOTS_MAX - 1))
    bench.tick()
    bench.greet()
    assert messages.boots_of(bench.talker.session) == messages.BOOTS_MAX
    bench.dose(1, 10, 100)
    bench.finish(1)
    bench.tick()
    bench.power_on()
    assert bench.trip_reason() == interlocks.STATE_LOST


def test_after_the_last_greeting_of_a_start_its_conversation_goes_on_and_no_other_begins():
    """Ten million greetings in one start: the board restarts, or its conversation serves for ever."""
    bench = Bench(FRESH)
    bench.board._greetings = messages.SESSIONS_PER_BOOT - 2
    bench.tick()
    bench.greet()
    last = bench.talker.session
    assert last == 2 * messages.SESSIONS_PER_BOOT - 1
    assert bench.greet() == [], "nothing that could be mistaken for an answer"
    assert bench.board.session == last
    bench.receive(("ask", last, 1))
    assert [message[0] for message in bench.listen()] == ["report"]
    bench.power_on()
    bench.greet()
    assert bench.talker.session > last


def test_a_board_draws_no_new_identity_while_it_knows_its_own():
    board = Board(FRESH, NEXT_IDENTITY)
    board.tick(10, *DRY, 0)
    assert board.board_id == IDENTITY
    assert saved_values(board.take_to_save())["board_id"] == IDENTITY
