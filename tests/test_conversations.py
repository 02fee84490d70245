"""Numbered conversations: what comes twice, late, out of order or from another conversation changes nothing.

A board that heard a stream with such messages among it is compared with one that heard the stream alone.
"""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_bridge import interlocks, limits, messages
from firmware_bridge.board import DONE_REPEAT_MS, fresh_saved_line
from tests.boards import DRY, IDENTITY, JOURNAL, WET, Bench, Talker, but_reports, kinds, plain

FRESH = fresh_saved_line(IDENTITY)
FIRST = ("done", 1, 10, 10, interlocks.COMPLETE)  # the outcome of a first dose of ten steps


@pytest.fixture
def bench():
    bench = Bench(FRESH)
    bench.tick()
    bench.greet()
    return bench


def state_of(bench):
    """All that decides what the board does."""
    board = bench.board
    law = {**vars(board.law), "_slots": tuple(board.law.window_slots_steps()), "_slot": 0}
    return law, board.session, board._heard, board._done, board._done_seen, board._last_journal_id, board._save_owed


def after_one_dose(bench):
    bench.dose(1, 10, 100)
    bench.finish(1)
    bench.send("seen", 1)
    return bench


# -- one message at a time ----------------------------------------------------------------------------------------


@pytest.mark.guards("H1", "board", "830e5870")
@pytest.mark.parametrize("words", [("dose", 1, 1000, 100), ("renew", 1, 3000), ("ask",), ("clear", 0, "leak_wet")])
def test_a_copy_of_a_message_is_not_even_answered(bench, words):
    message = bench.talker.says(*words)
    bench.receive(message)
    bench.listen()
    before = state_of(bench)
    for _ in range(3):
        bench.receive(message)
        assert bench.listen() == []
        assert state_of(bench) == before


def test_a_copy_of_a_dose_is_not_told_busy_for_that_would_read_as_a_refusal(bench):
    dose = bench.talker.says("dose", 1, 1000, 100)
    bench.receive(dose, dose, dose)
    assert bench.listen() == [("judged", 1, interlocks.ACCEPTED)]


@pytest.mark.guards("H1", "board", "830e5870")
@pytest.mark.guards("H8", "board", "ee284e71")
def test_a_dose_that_is_overtaken_by_a_newer_message_is_never_obeyed_and_the_echo_says_that_it_will_not(bench):
    late = bench.talker.says("dose", 1, 1000, 100)
    asked = bench.talker.says("ask")
    bench.receive(asked)
    (report,) = bench.hear()
    assert messages.number(report, "echo") == asked[2] > late[2], "newer than the dose, which the board does not know"
    assert messages.number(report, "dose_id") == 0
    for _ in range(50):
        bench.receive(late)
        bench.tick(100)
        assert bench.board.law.state == interlocks.RESTING
        assert bench.ordered == 0
    bench.dose(2, 10, 100)  # and the conversation goes on


def test_the_echo_is_the_number_of_the_newest_message_that_was_heard_in_this_conversation(bench):
    assert bench.board._heard == 0
    for number, echo in ((1, 1), (5, 5), (3, 5), (5, 5), (6, 6), (messages.NUMBER_MAX, messages.NUMBER_MAX)):
        bench.receive(("ask", bench.talker.session, number))
        bench.hear()
        bench.board._report()
        (report,) = bench.hear()
        assert messages.number(report, "echo") == echo
    bench.receive(bench.talker.hello())
    board, report = bench.hear()
    assert messages.number(board, "echo") == messages.number(report, "echo") == 0


@pytest.mark.guards("H1", "board", "830e5870")
def test_a_dose_of_another_conversation_is_never_obeyed(bench):
    held = bench.talker.says("dose", 1, 1000, 100)
    session = bench.talker.session
    bench.greet()
    after = bench.talker.session
    assert after == session + 1
    others = (session, after + 1, after - messages.SESSIONS_PER_BOOT, after + messages.SESSIONS_PER_BOOT, 0)
    for other in others:
        bench.receive(held, ("dose", other, 99, 1, 1000, 100))
        assert bench.listen() == []
        assert bench.board.law.state == interlocks.RESTING
    bench.tick()
    bench.power_on()
    bench.greet()
    bench.receive(held, ("dose", after, 99, 1, 1000, 100))
    assert bench.listen() == []
    assert bench.board.law.last_dose_id == 0


# -- stop and clear -----------------------------------------------------------------------------------------------


@pytest.mark.guards("H3", "board", "6504f7a9")
def test_a_stop_is_obeyed_in_whatever_conversation_but_only_for_the_dose_it_names(bench):
    session = bench.talker.session
    for dose_id, (of, number) in enumerate(
        [(session, 999), (session, 1), (session - 1, 5), (session + 7, 5), (0, 0), (messages.NUMBER_MAX, 0)], start=1
    ):
        bench.greet()
        bench.send("seen", dose_id - 1)
        bench.dose(dose_id, 1000, 100)
        bench.tick(100)
        for other in (dose_id - 1, dose_id + 1, 0, messages.DOSE_ID_MAX):
            bench.receive(("stop", of, number, other))
            bench.send("stop", other)
            assert bench.board.law.state == interlocks.TURNING
        bench.receive(("stop", of, number, dose_id))
        assert bench.board.law.state == interlocks.RESTING
        assert [m for m in bench.tick() if m[0] == "done"] == [("done", dose_id, 10, 10, interlocks.STOPPED)]


def test_a_stop_that_is_not_of_this_conversation_is_neither_heard_nor_answered(bench):
    bench.receive(("stop", bench.talker.session + 1, 50, 1))
    assert bench.listen() == []
    assert bench.board._heard == 0
    assert kinds(bench.send("stop", 1)) == ["report"]


@pytest.mark.guards("H2", "board", "7669e252")
def test_a_late_clear_does_not_clear_the_next_trip_of_the_same_reason(bench):
    bench.tick(10, WET)
    bench.tick(limits.DRY_MS_MIN)
    late = [bench.talker.says("clear", 1, interlocks.LEAK_WET) for _ in range(2)]
    assert ("cleared", 1, interlocks.ACCEPTED) in bench.clear(interlocks.LEAK_WET)
    bench.tick(10, WET)
    bench.tick(limits.DRY_MS_MIN)
    bench.receive(*late)
    assert bench.listen() == []
    assert ("cleared", 1, interlocks.OTHER_REASON) in bench.clear(interlocks.LEAK_WET, trip_number=1)
    assert bench.board.law.trip_reason == interlocks.LEAK_WET
    assert ("cleared", 2, interlocks.ACCEPTED) in bench.clear(interlocks.LEAK_WET, trip_number=2)


def test_a_trip_keeps_its_number_over_restarts_and_the_next_one_has_the_next(bench):
    for number in (1, 2, 3):
        bench.tick(10, WET)
        bench.tick(10)
        bench.power_on()
        bench.greet()
        bench.tick(limits.DRY_MS_MIN)
        assert ("cleared", number, interlocks.ACCEPTED) in bench.clear(interlocks.LEAK_WET, trip_number=number)
        bench.tick()


# -- greetings ----------------------------------------------------------------------------------------------------


def test_a_copy_of_the_greeting_in_hand_is_answered_and_its_conversation_goes_on(bench):
    hello = bench.talker.hello()
    bench.receive(hello)
    bench.listen()
    bench.dose(1, 1000, 100)
    before = state_of(bench)
    bench.receive(hello)
    answer = bench.hear()
    assert kinds(answer) == ["board", "report"]
    assert messages.number(answer[0], "echo") == 1, "what was heard stays heard"
    assert state_of(bench) == before
    assert kinds(bench.send("renew", 1, 3000) + bench.send("ask")) == ["report"], "no number of before is news again"


@pytest.mark.guards("H3", "board", "6504f7a9")
def test_a_greeting_that_is_older_than_the_one_in_hand_ends_no_conversation(bench):
    """Otherwise a dose would lose its lease over a line that came late."""
    hellos = [bench.talker.hello() for _ in range(5)]
    bench.receive(hellos[-1])
    bench.hear()
    bench.dose(1, 1000, 100)
    before = state_of(bench)
    for late in reversed(hellos[:-1]):
        bench.receive(late)
        assert bench.listen() == []
        assert state_of(bench) == before


def test_a_host_whose_count_of_greetings_was_put_back_is_heard_again(bench):
    """At once if it was put back by lives of the host, and after some greetings otherwise: it greets until it is."""
    bench.talker.hello_number = 5 * 1000000
    bench.greet()
    bench.talker.hello_number = 4 * 1000000
    assert "board" in kinds(bench.greet())
    bench.talker.hello_number += 7
    assert "board" in kinds(bench.greet())
    bench.talker.hello_number -= 8
    heard = [kinds(bench.greet()) for _ in range(10)]
    assert heard.count([]) <= 8
    assert "board" in heard[-1]


@pytest.mark.guards("H1", "board", "830e5870")
def test_of_two_hosts_that_greet_in_turns_neither_is_obeyed_with_what_it_said_before(bench):
    one, other = Talker(JOURNAL), Talker(JOURNAL + 1)
    one.hello_number = bench.talker.hello_number
    held, hellos = [], []
    for turn in range(1, 7):
        talker = bench.talker = (one, other)[turn % 2]
        hellos.append(talker.hello())
        bench.receive(hellos[-1])
        assert "board" in kinds(bench.listen())
        bench.receive(*held, *hellos[:-1])
        assert bench.listen() == [], f"turn {turn}"
        assert bench.board.session == talker.session
        assert bench.board.law.last_dose_id == 0
        held += [talker.says("dose", turn, 1000, 100), talker.says("clear", 0, "leak_wet"), talker.says("renew", 1, 9)]
    bench.dose(7, 10, 100)
    assert bench.board._last_journal_id == JOURNAL


def test_greetings_of_very_many_journals_are_no_burden_to_a_small_board(bench):
    for journal_id in range(100, 1100):
        bench.talker = Talker(journal_id)
        assert "board" in kinds(bench.greet())
    assert len(bench.board._newest_hellos) < 20


# -- the last outcome is told to whoever greets -------------------------------------------------------------------


@pytest.mark.guards("H8", "board", "ee284e71")
def test_after_every_new_greeting_the_last_outcome_is_told_once_though_it_was_seen(bench):
    """A host whose last rows were lost gets the exact account of the dose."""
    after_one_dose(bench)
    assert but_reports(bench.tick(10 * DONE_REPEAT_MS)) == []
    for journal_id in (JOURNAL, JOURNAL, JOURNAL + 1):
        if journal_id != bench.talker.journal_id:
            bench.talker = Talker(journal_id)
        bench.greet()
        assert but_reports(bench.tick()) == [FIRST]
        for _ in range(5):
            assert but_reports(bench.tick(10 * DONE_REPEAT_MS)) == [], "once"
    assert bench.board._done_seen, "and it stays seen: the next dose need not wait"
    assert bench.send("dose", 2, 10, 100) == [("judged", 2, interlocks.ACCEPTED)]


@pytest.mark.guards("H8", "board", "ee284e71")
def test_the_last_outcome_is_told_after_a_restart_too(bench):
    after_one_dose(bench)
    bench.board._ask_save()
    bench.tick()
    bench.power_on()
    bench.greet()
    assert but_reports(bench.tick()) == [FIRST]
    assert but_reports(bench.tick(10 * DONE_REPEAT_MS)) == []


def test_a_copy_of_a_greeting_brings_no_outcome_that_was_told(bench):
    after_one_dose(bench)
    hello = bench.talker.hello()
    bench.receive(hello)
    assert but_reports(bench.tick()[2:]) == [FIRST]
    bench.receive(hello)
    assert "done" not in kinds(bench.tick() + bench.tick(10 * DONE_REPEAT_MS))


def test_a_board_that_never_had_a_dose_has_no_outcome_to_tell(bench):
    for _ in range(3):
        bench.greet()
        assert but_reports(bench.tick(10 * DONE_REPEAT_MS)) == []


def test_an_outcome_is_not_told_of_a_dose_that_still_turns_but_when_it_has_ended(bench):
    bench.dose(1, 30, 100)
    bench.greet()
    assert "done" not in kinds(bench.tick(100) + bench.tick(100))
    assert ("done", 1, 30, 30, interlocks.COMPLETE) in bench.tick(100)
    bench.tick()
    bench.send("seen", 1)
    assert but_reports(bench.tick(10 * DONE_REPEAT_MS)) == []


# -- whole streams ------------------------------------------------------------------------------------------------

DELIVERED, HELD = "delivered", "held"
WORDS = st.one_of(
    st.tuples(st.just("dose"), st.integers(0, 2), st.sampled_from([1, 50, 12000]), st.sampled_from([100, 400])),
    st.tuples(st.just("renew"), st.integers(-1, 0)),
    st.tuples(st.just("stop"), st.integers(-1, 0)),
    st.tuples(st.just("seen"), st.integers(-1, 0)),
    st.tuples(st.just("clear"), st.integers(-1, 0)),
    st.tuples(st.just("ask")),
)
STREAM = st.one_of(
    st.tuples(st.just("tick"), st.sampled_from([10, 100, 1000, 6000]), st.sampled_from([DRY, DRY, DRY, DRY, WET])),
    st.tuples(st.just("say"), WORDS, st.sampled_from([DELIVERED, DELIVERED, DELIVERED, HELD])),
    st.tuples(st.just("greet"), st.sampled_from([JOURNAL, JOURNAL, JOURNAL + 1])),
    st.tuples(st.just("cut")),
)
DISTURBANCES = st.lists(
    st.one_of(
        st.tuples(st.just("line of before"), st.integers(1, 40)),
        st.tuples(st.just("foreign line"), st.sampled_from([-1, 1, 2, -(10**7), 10**7]), WORDS),
        st.tuples(st.just("greeting of before"), st.integers(0, 10)),
    ),
    max_size=4,
)


class Heard:
    """A board that hears a stream, with or without what disturbs it; ``did`` is all that it did and said."""

    def __init__(self, disturbed):
        self.disturbed = disturbed
        self.bench = Bench(FRESH)
        self.bench.tick()
        self.talkers = {JOURNAL: self.bench.talker}
        self.bench.greet()
        self.lines = []  # what was ever said, or is still under way
        self.hellos = []  # of this start
        self.late = 0  # disturbances that were put in
        self.did = []

    def words(self, kind, *values):
        law = self.bench.board.law
        of_dose = law.last_dose_id
        if kind == "dose":
            return (kind, of_dose + values[0], *values[1:])
        if kind == "renew":
            return (kind, max(0, of_dose + values[0]), limits.LEASE_MS_MAX)
        if kind == "clear":
            return (kind, max(0, law.trip_number + values[0]), law.trip_reason)
        return (kind, max(0, of_dose + values[0])) if values else (kind,)

    def play(self, event, disturbances):
        bench = self.bench
        if event[0] == "tick":
            bench.tick(event[1], event[2])
            self.did.append((bench.ordered, bench.memory))
        elif event[0] == "say":
            line = bench.talker.says(*self.words(*event[1]))
            self.lines.append(line)
            if event[2] == DELIVERED:
                bench.receive(line)
        elif event[0] == "greet":
            bench.talker = self.talkers.setdefault(event[1], Talker(event[1]))
            self.hellos.append(bench.talker.hello())
            bench.receive(self.hellos[-1])
        else:
            bench.power_on()
            bench.save()
            self.hellos.clear()
        self.did.append(bench.hear())
        if self.disturbed:
            for disturbance in disturbances:
                self.disturb(*disturbance)
        self.did.append(state_of(bench))

    def disturb(self, kind, *values):
        board = self.bench.board
        if kind == "greeting of before":
            if len(self.hellos) < 2:
                return
            line = self.hellos[values[0] % (len(self.hellos) - 1)]
        elif kind == "foreign line":
            session = min(max(0, board.session + values[0]), messages.NUMBER_MAX)
            name, *others = self.words(*values[1])
            line = (name, session, board._heard + 1, *others)
        else:
            if values[0] > len(self.lines):
                return
            line = self.lines[-values[0]]
            if line[1] == board.session and line[2] > board._heard:
                return  # delayed, but overtaken by nothing: it may still come
        if line[0] == "stop" and board.law.dose_in_hand() and line[3] == board.law.last_dose_id:
            return  # this one is obeyed whenever it comes
        self.late += 1
        self.bench.receive(line)
        assert self.bench.hear() == []


@pytest.mark.guards("H1", "board", "830e5870")
@pytest.mark.guards("H3", "board", "6504f7a9")
@pytest.mark.guards("H12", "board", "90938667")
@settings(max_examples=300, deadline=None)
@given(st.lists(st.tuples(STREAM, DISTURBANCES), max_size=40))
def test_copies_late_lines_and_lines_of_other_conversations_change_nothing_of_what_a_board_does(stream):
    alone, disturbed = Heard(False), Heard(True)
    for event, disturbances in stream:
        alone.play(event, disturbances)
        disturbed.play(event, disturbances)
    assert disturbed.did == alone.did


@pytest.mark.guards("H1", "board", "830e5870")
@settings(max_examples=200, deadline=None)
@given(st.lists(WORDS, min_size=1, max_size=8).flatmap(lambda words: st.permutations(list(enumerate(words)))))
def test_of_messages_out_of_order_those_are_obeyed_that_are_newer_than_all_before_them(order):
    """Reordering loses messages, and never lets an older one be obeyed after a newer one."""
    shuffled, in_order = Bench(FRESH), Bench(FRESH)
    newest = -1
    for bench in (shuffled, in_order):
        bench.tick()
        bench.greet()
    for place, words in order:
        kind, *values = Heard.words(_Of(shuffled), *words)
        if kind == "stop":
            continue  # in whatever order
        line = (kind, shuffled.talker.session, 1 + place, *values)
        shuffled.receive(line)
        if place > newest:
            newest = place
            in_order.receive(line)
        assert [plain(message) for message in shuffled.hear()] == [plain(message) for message in in_order.hear()]
        assert state_of(shuffled) == state_of(in_order)
        assert shuffled.tick(100) == in_order.tick(100)


class _Of:
    """The bench that ``Heard.words`` looks at."""

    def __init__(self, bench):
        self.bench = bench
