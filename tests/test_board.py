"""The board's program without pins: what it says, what it saves, and what it still knows after the power failed."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_bridge import interlocks, limits, messages
from firmware_bridge.board import DONE_REPEAT_MS, REPORT_EVERY_MS, REST_REPORT_EVERY_MS, Board, fresh_saved_line
from tests.boards import (
    DRY,
    IDENTITY,
    JOURNAL,
    NEXT_IDENTITY,
    WET,
    Bench,
    Talker,
    but_reports,
    field,
    kinds,
    saved_values,
    with_saved,
)

FRESH = fresh_saved_line(IDENTITY)
OF_FRESH = saved_values(FRESH)
CUT = "power cut"


@pytest.fixture
def bench():
    bench = Bench(FRESH)
    bench.tick()
    bench.greet()
    return bench


# -- greeting -----------------------------------------------------------------------------------------------------


def test_a_greeting_is_answered_with_who_the_board_is_and_how_it_is(bench):
    bench.tick(989)
    assert field(bench.greet()[1], "uptime_s") == 0
    bench.tick(1)
    said = bench.greet()
    assert said == [
        ("board", limits.PROTOCOL, messages.LIMITS_CHECKSUM, JOURNAL, 3, IDENTITY, 0, 0, 0),
        ("report", interlocks.RESTING, None, 0, 0, 0, 0, 0, *DRY, 1),
    ]
    assert messages.boots_of(bench.talker.session) == 1


def test_a_board_that_nobody_asked_says_only_how_it_is_once_a_second():
    bench = Bench(FRESH)
    said = [kinds(bench.tick(100)) for _ in range(100)]
    assert [n for n, kind in enumerate(said, start=1) if kind] == list(range(10, 101, 10))
    assert all(kind in ([], ["report"]) for kind in said)


def test_nothing_is_reported_before_the_probes_were_looked_at():
    bench = Bench(FRESH)
    assert kinds(bench.greet()) == ["board"]
    assert bench.send("ask") == []
    said = bench.tick(10, WET)
    assert kinds(said) == ["report"]
    assert field(said[0], "leak_counts") == WET[0]
    assert bench.tick(10, WET) == []


@pytest.mark.guards("H11", "board", "462b298a")
@pytest.mark.parametrize(
    ("protocol", "checksum"),
    [
        (limits.PROTOCOL - 1, messages.LIMITS_CHECKSUM),
        (limits.PROTOCOL + 1, messages.LIMITS_CHECKSUM),
        (limits.PROTOCOL, messages.LIMITS_CHECKSUM ^ 1),
        (limits.PROTOCOL, 0),
    ],
)
def test_a_host_with_other_limits_or_another_protocol_may_ask_and_not_dose(bench, protocol, checksum):
    """Even after a good greeting: the last one counts."""
    assert "board" in kinds(bench.greet(protocol=protocol, checksum=checksum))
    assert bench.send("dose", 1, 10, 10) == [("judged", 1, interlocks.NOT_GREETED)]
    assert "report" in kinds(bench.send("ask"))
    bench.greet()
    assert bench.send("dose", 1, 10, 10) == [("judged", 1, interlocks.ACCEPTED)]


@pytest.mark.guards("H11", "board", "462b298a")
def test_every_limit_is_part_of_the_checksum():
    public = {name for name in vars(limits) if name.isupper() and name not in ("NAMES", "CHECKSUM_TEXT")}
    assert set(limits.NAMES) == public
    for name in public:
        assert f"{name}={getattr(limits, name)}" in limits.CHECKSUM_TEXT.split(";")


def test_a_restart_forgets_the_greeting(bench):
    """The old conversation is over, and the one before the first greeting holds no right to water."""
    bench.power_on()
    assert bench.send("dose", 1, 10, 10) == []
    bench.receive(("dose", bench.board.session, 1, 1, 10, 10))
    assert bench.listen() == [("judged", 1, interlocks.NOT_GREETED)]
    assert bench.board.law.state == interlocks.RESTING


@pytest.mark.guards("H12", "board", "90938667")
def test_messages_of_the_other_direction_are_ignored(bench):
    bench.tick()
    session = bench.talker.session
    for message in (
        ("board", session, 1, 1, *[1] * 8),
        ("judged", session, 2, 1, 1, "accepted"),
        ("cleared", session, 3, 1, 1, "accepted"),
        ("done", session, 4, 1, 1, 0, 1, "x"),
        ("report", session, 5, 1, "resting", None, *[1] * 10),
    ):
        bench.receive(message)
        assert bench.listen() == []
    assert bench.tick() == []
    bench.receive(("ask", session, 1))
    assert kinds(bench.listen()) == ["report"], "nor are their numbers those of the host"


# -- a dose -------------------------------------------------------------------------------------------------------


def test_a_dose_turns_its_steps_and_is_done_with_them(bench):
    bench.dose(1, 1000, 100)
    said = bench.finish(1)
    assert bench.turned_steps == 1000
    assert [message for message in said if message[0] == "done"] == [("done", 1, 1000, 1000, interlocks.COMPLETE)]


@pytest.mark.guards("H3", "board", "6504f7a9")
@pytest.mark.guards("H8", "board", "ee284e71")
def test_nothing_turns_until_the_intent_was_taken_and_stored(bench):
    bench.dose(1, 1000, 100)
    for _ in range(5):
        assert bench.board.tick(100, *DRY, 0) == 0
    line = bench.board.take_to_save()
    assert saved_values(line) == {**OF_FRESH, "boots": 1, "last_dose_id": 1, "last_journal_id": JOURNAL,
                                  "steps_max": 1000, "seen": 0, "slot_ms": 510, "slot_24_steps": 1000}  # fmt: skip
    assert bench.board.tick(100, *DRY, 0) == 0, "taken is not yet stored"
    bench.board.intent_saved()
    assert bench.board.tick(100, *DRY, 0) == 10


def test_storing_an_older_line_does_not_let_a_newer_dose_turn(bench):
    bench.board.take_to_save()
    bench.board.law.window_moved = True  # an hour of the window ended: a line is to be saved
    bench.board.tick(10, *DRY, 0)
    assert bench.board.take_to_save() is not None
    bench.dose(1, 1000, 100)  # arrives while that line is being written
    bench.board.intent_saved()
    assert bench.board.tick(100, *DRY, 0) == 0
    bench.save()
    assert bench.board.tick(100, *DRY, 0) == 10


def test_a_stop_is_done_at_once_with_what_turned(bench):
    bench.dose(1, 1000, 100)
    bench.tick(100)
    bench.tick(100)
    bench.send("stop", 1)
    said = bench.tick()
    assert said == [("done", 1, 20, 20, interlocks.STOPPED)]
    assert bench.turned_steps == 20


def test_a_trip_in_mid_dose_is_reported_done_and_saved(bench):
    bench.dose(1, 1000, 100)
    bench.tick(100)
    said = bench.tick(100, WET)
    assert ("done", 1, 10, 10, interlocks.LEAK_WET) in said
    (report,) = [message for message in said if message[0] == "report"]
    assert field(report, "state") == interlocks.TRIPPED
    assert field(report, "trip_reason") == interlocks.LEAK_WET
    assert field(report, "trip_delay_ms") == 100
    saved = saved_values(bench.save())
    assert (saved["trip_reason"], saved["trip_number"]) == (interlocks.LEAK_WET, 1)
    assert saved["end_reason"] == interlocks.LEAK_WET


def test_a_silent_host_loses_the_motor(bench):
    bench.dose(1, 12000, 400)
    for _ in range(limits.LEASE_MS_MAX // limits.TICK_MS + 1):
        bench.tick()
    assert bench.board.law.trip_reason == interlocks.LEASE_LOST
    assert bench.turned_steps == 400 * limits.LEASE_MS_MAX // 1000
    assert bench.ordered == 0


def test_a_report_goes_out_at_its_time_and_not_before(bench):
    bench.dose(1, 12000, 50)
    for _ in range(3):
        assert bench.tick(REPORT_EVERY_MS - 1) == []
        assert kinds(bench.tick(1)) == ["report"]


def test_reports_go_out_unasked_twice_a_second_while_the_motor_turns_and_once_at_rest(bench):
    bench.dose(1, 1000, 400)
    said = []
    for _ in range(200):
        said += bench.tick()
    reports = [field(message, "turned_steps") for message in said if message[0] == "report"]
    assert reports == [4 * n * REPORT_EVERY_MS // limits.TICK_MS for n in range(1, 5)]
    bench.finish(1)
    said = []
    for _ in range(200):
        said += bench.tick()
    assert kinds(said).count("report") == 200 * limits.TICK_MS // REST_REPORT_EVERY_MS


# -- done ---------------------------------------------------------------------------------------------------------


@pytest.mark.guards("H8", "board", "ee284e71")
def test_done_is_repeated_until_it_was_seen(bench):
    bench.dose(1, 10, 100)
    bench.finish(1)
    done = ("done", 1, 10, 10, interlocks.COMPLETE)
    for _ in range(3):
        assert but_reports(bench.tick(500 - 1)) == [], "half a second is not over"
        assert but_reports(bench.tick(1)) == [done]
    bench.send("seen", 0)
    bench.send("seen", 2)
    assert but_reports(bench.tick(DONE_REPEAT_MS)) == [done], "another id is not this one"
    bench.send("seen", 1)
    assert but_reports(bench.tick(10 * DONE_REPEAT_MS)) == []


def test_done_is_said_anew_after_a_greeting(bench):
    bench.dose(1, 10, 100)
    bench.finish(1)
    assert bench.tick() == []
    bench.greet()
    assert bench.tick() == [("done", 1, 10, 10, interlocks.COMPLETE)]


def test_the_next_dose_waits_until_done_was_seen(bench):
    bench.dose(1, 10, 100)
    bench.finish(1)
    assert bench.send("dose", 2, 10, 100) == [("judged", 2, interlocks.DONE_NOT_SEEN)]
    bench.send("seen", 1)
    assert bench.send("dose", 2, 10, 100) == [("judged", 2, interlocks.ACCEPTED)]


def test_the_done_of_every_dose_is_said_at_once(bench):
    for dose_id in range(1, 4):
        bench.dose(dose_id, 10, 100)
        bench.tick(99)
        assert bench.tick(1) == [("done", dose_id, 10, 10, interlocks.COMPLETE)]
        bench.tick()
        bench.send("seen", dose_id)


def test_a_dose_that_still_turns_cannot_be_seen(bench):
    bench.dose(1, 1000, 100)
    bench.tick()
    bench.send("seen", 1)
    bench.send("stop", 1)
    assert kinds(bench.tick()) == ["done"]


@pytest.mark.guards("H1", "board", "830e5870")
def test_a_dose_again_is_refused_and_does_not_disturb_its_account(bench):
    bench.dose(1, 10, 100)
    bench.finish(1)
    bench.send("seen", 1)
    assert bench.send("dose", 1, 10, 100) == [("judged", 1, interlocks.ID_NOT_NEW)]
    assert but_reports(bench.tick(10 * DONE_REPEAT_MS)) == []


# -- power cuts ---------------------------------------------------------------------------------------------------


def dones_after_restart(bench):
    bench.power_on()
    bench.greet()
    return [message for message in bench.tick() if message[0] == "done"]


def test_a_dose_that_had_ended_comes_back_exactly_even_after_several_restarts(bench):
    bench.dose(1, 1000, 100)
    bench.tick(100)
    bench.tick(100)
    bench.send("stop", 1)
    bench.tick()
    for _ in range(3):
        assert dones_after_restart(bench) == [("done", 1, 20, 20, interlocks.STOPPED)]
        bench.save()


@pytest.mark.guards("H8", "board", "ee284e71")
def test_a_dose_that_was_turning_comes_back_as_nothing_to_all(bench):
    bench.dose(1, 1000, 100)
    bench.tick(100)
    bench.tick(100)
    for _ in range(3):
        assert dones_after_restart(bench) == [("done", 1, 0, 1000, interlocks.BOARD_RESTARTED)]
        bench.save()
    assert bench.board.law.window_used_steps() == 1000, "the doubt is counted in full"


def test_a_dose_whose_intent_was_never_saved_never_was(bench):
    bench.dose(1, 1000, 100)
    bench.power_on()
    assert field(bench.greet()[0], "last_dose_id") == 0
    assert messages.boots_of(bench.talker.session) == 2
    assert bench.tick() == [("report", interlocks.RESTING, None, 0, 0, 0, 0, 0, *DRY, 0)]
    assert bench.board.law.window_used_steps() == 0


@pytest.mark.guards("H3", "board", "6504f7a9")
def test_a_restart_never_goes_on_turning(bench):
    bench.dose(1, 1000, 100)
    bench.tick(100)
    bench.power_on()
    for _ in range(10):
        bench.send("renew", 1, 3000)  # of the conversation before
        bench.tick(100)
        assert bench.ordered == 0
    bench.greet()
    for _ in range(10):
        bench.send("renew", 1, 3000)
        bench.tick(100)
        assert bench.ordered == 0


def test_an_id_stays_used_after_a_restart(bench):
    bench.dose(5, 10, 100)
    bench.finish(5)
    bench.power_on()
    bench.greet()
    bench.send("seen", 5)
    assert bench.send("dose", 5, 10, 100) == [("judged", 5, interlocks.ID_NOT_NEW)]
    assert bench.send("dose", 6, 10, 100) == [("judged", 6, interlocks.ACCEPTED)]


@pytest.mark.guards("H2", "board", "7669e252")
@pytest.mark.parametrize(
    ("probes", "reason"),
    [
        (WET, interlocks.LEAK_WET),
        ((4000, 2000, 1000, 0), interlocks.LEAK_WIRE_OPEN),
        ((2000, 0, 1000, 0), interlocks.OVERFILL_FLOAT_UP),
        ((2000, 4000, 1000, 0), interlocks.FLOAT_WIRE_OPEN),
        ((2000, 2000, 4000, 0), interlocks.RESERVOIR_EMPTY),
    ],
)
def test_a_trip_survives_a_restart_though_the_probe_has_dried(bench, probes, reason):
    bench.tick(10, probes)
    bench.tick()
    for _ in range(3):
        bench.power_on()
        assert bench.trip_reason() == reason
    bench.greet()
    assert bench.send("dose", 1, 10, 10) == [("judged", 1, interlocks.IS_TRIPPED)]


def test_a_cleared_trip_stays_cleared_once_that_was_saved_and_not_before(bench):
    bench.tick(10, WET)
    bench.tick(limits.DRY_MS_MIN)
    bench.tick()
    assert ("cleared", 1, interlocks.ACCEPTED) in bench.clear(interlocks.LEAK_WET)
    unsaved = Bench(bench.memory)
    assert unsaved.trip_reason() == interlocks.LEAK_WET
    bench.tick()
    bench.power_on()
    assert bench.trip_reason() is None


def test_the_window_survives_a_restart_hour_by_hour(bench):
    bench.dose(1, 1000, 400)
    bench.finish(1)
    bench.save()
    bench.tick(limits.WINDOW_SLOT_MS)
    assert bench.board.law.window_moved is False, "the board has taken the news"
    assert bench.save() is not None
    bench.tick()
    assert bench.save() is None, "once is enough"
    bench.power_on()
    assert bench.board.law.window_slots_steps()[-2:] == [1000, 0]
    assert bench.board.law.slot_ms == 2510, "and how much of the hour in hand had passed"
    bench.tick(23 * limits.WINDOW_SLOT_MS)
    assert bench.board.law.window_used_steps() == 1000
    bench.tick(limits.WINDOW_SLOT_MS)
    assert bench.board.law.window_used_steps() == 0


@pytest.mark.parametrize(
    "memory",
    [
        None,
        b"",
        b"\x00" * 80,
        FRESH[:-1],
        FRESH + b"\n",
        FRESH.replace(b"saved 41", b"saved 42"),
        messages.encode("ask", 1, 1)[:-1],
        with_saved(FRESH, board_id=0),
        with_saved(FRESH, boots=messages.BOOTS_MAX),
    ],
    ids=["no file", "empty", "erased", "cut short", "too long", "altered", "another message", "nobody", "worn out"],
)
def test_a_saved_state_that_is_lost_trips_and_counts_the_day_as_used(memory):
    bench = Bench(memory)
    assert bench.trip_reason() == interlocks.STATE_LOST
    assert saved_values(bench.memory) == {**OF_FRESH, "board_id": NEXT_IDENTITY, "boots": 1,
        "trip_reason": interlocks.STATE_LOST, "slot_24_steps": limits.WINDOW_STEPS_MAX}  # fmt: skip
    assert but_reports(bench.tick(limits.DRY_MS_MIN)) == []
    assert ("cleared", 0, interlocks.ACCEPTED) in bench.clear(interlocks.STATE_LOST)
    bench.greet()
    assert bench.send("dose", 1, 1, 1) == [("judged", 1, interlocks.WINDOW_FULL)]
    bench.tick(25 * limits.WINDOW_SLOT_MS)
    assert bench.send("dose", 1, 1, 1) == [("judged", 1, interlocks.ACCEPTED)]


@given(st.binary(max_size=messages.LINE_BYTES_MAX + 20))
def test_a_memory_full_of_rubbish_trips_and_never_raises(memory):
    assert Bench(memory).trip_reason() == interlocks.STATE_LOST


def test_every_start_is_counted(bench):
    for boots in range(2, 6):
        bench.tick()
        bench.power_on()
        bench.greet()
        assert messages.boots_of(bench.talker.session) == boots


def test_a_board_that_was_commissioned_has_no_trip_no_dose_and_nothing_used():
    bench = Bench(FRESH)
    assert bench.trip_reason() is None
    assert bench.board.law.window_used_steps() == 0
    assert bench.board.law.last_dose_id == 0


# -- clearing -----------------------------------------------------------------------------------------------------


@pytest.mark.guards("H4", "board", "45f6e251")
def test_clearing_is_answered_with_why_not(bench):
    assert ("cleared", 0, interlocks.NOT_TRIPPED) in bench.clear(interlocks.LEAK_WET)
    bench.tick(10, WET)
    bench.tick(limits.DRY_MS_MIN - 1)
    assert ("cleared", 1, interlocks.OTHER_REASON) in bench.clear(interlocks.OVERFILL_FLOAT_UP)
    assert ("cleared", 1, interlocks.OTHER_REASON) in bench.clear(None)
    assert ("cleared", 1, interlocks.NOT_DRY) in bench.clear(interlocks.LEAK_WET)
    bench.tick(1)
    said = bench.clear(interlocks.LEAK_WET)
    assert said[0] == ("cleared", 1, interlocks.ACCEPTED)
    assert field(said[1], "state") == interlocks.RESTING


def test_the_same_trip_after_a_clear_is_reported_and_saved_again(bench):
    for trip_number in (1, 2):
        bench.tick(10, WET)
        bench.tick(limits.DRY_MS_MIN)
        saved = saved_values(bench.memory)
        assert (saved["trip_reason"], saved["trip_number"]) == (interlocks.LEAK_WET, trip_number)
        assert ("cleared", trip_number, interlocks.ACCEPTED) in bench.clear(interlocks.LEAK_WET)


def test_the_first_report_of_a_board_comes_after_a_whole_second():
    board = Board(FRESH, NEXT_IDENTITY)
    board.take_output()
    board.tick(999, *DRY, 0)
    assert board.take_output() == b""
    board.tick(1, *DRY, 0)
    assert board.take_output().startswith(b"report ")


def test_a_trip_that_was_saved_is_no_news_after_a_restart(bench):
    bench.tick(10, WET)
    bench.save()
    board = Board(bench.memory, NEXT_IDENTITY)
    board.take_to_save()
    board.tick(10, *DRY, 0)
    assert board.take_output() == b""
    assert board.take_to_save() is None


def test_a_cleared_trip_is_no_news_in_the_tick_after(bench):
    bench.tick(10, WET)
    bench.tick(limits.DRY_MS_MIN)
    bench.clear(interlocks.LEAK_WET)
    bench.save()
    assert bench.tick(10) == []
    assert bench.board.take_to_save() is None


def test_a_late_tick_is_told_to_the_law_with_what_it_may_make_good():
    board = Board(FRESH, NEXT_IDENTITY)
    talker = Talker()
    board.receive(messages.encode(*talker.hello()))
    talker.hear(messages.LineReader().feed(board.take_output())[0])
    board.receive(messages.encode(*talker.says("dose", 1, 1000, 100)))
    board.take_to_save()
    board.intent_saved()
    assert board.tick(500, *DRY, 0, 20) == 2


def test_a_commissioned_memory_holds_nothing_at_all():
    values = ("saved", IDENTITY, 0, 0, 0, 0, 0, None, 1, None, 0, 0, 0, *([0] * limits.WINDOW_SLOTS))
    assert messages.decode(FRESH) == values


# -- hostile streams ----------------------------------------------------------------------------------------------


@pytest.mark.guards("H12", "board", "90938667")
@given(st.lists(st.binary(max_size=300), max_size=10))
def test_rubbish_on_the_line_never_raises_and_never_turns_anything(rubbish):
    bench = Bench(FRESH)
    for data in rubbish:
        bench.board.receive(data)
        bench.tick(100)
        assert bench.ordered == 0


def test_counts_that_no_converter_gives_are_reported_within_bounds(bench):
    said = bench.tick(10, (-5, 10**15, -1, -1))
    (report,) = said
    assert [field(report, f"{probe}_counts") for probe in ("leak", "float", "reservoir", "moisture")] == [
        0, messages.NUMBER_MAX, 0, 0
    ]  # fmt: skip
    assert field(report, "trip_reason") == interlocks.LEAK_WIRE_OPEN


@pytest.mark.guards("H7", "board", "94bb108c")
def test_a_clock_that_ran_backwards_is_no_time(bench):
    bench.dose(1, 1000, 100)
    bench.tick()
    bench.tick(-5000)
    assert bench.ordered == 0
    assert bench.board.law.lease_ms == limits.LEASE_MS_MAX - limits.TICK_MS


# -- crash anywhere -----------------------------------------------------------------------------------------------

EVENTS = st.one_of(
    st.tuples(st.just("tick"), st.sampled_from([10, 10, 100, 1000]), st.sampled_from([DRY, DRY, DRY, WET])),
    st.tuples(st.just("dose"), st.integers(1, 3), st.sampled_from([1, 30, 400, 12000]), st.sampled_from([50, 400])),
    st.tuples(st.just("renew")),
    st.tuples(st.just("stop")),
    st.tuples(st.just("seen")),
    st.tuples(st.just("clear")),
    st.tuples(st.just(CUT), st.sampled_from(["before turning", "while turning", "before saving", "after saving"])),
)


@pytest.mark.guards("H8", "board", "ee284e71")
@settings(max_examples=300)
@given(st.lists(EVENTS, max_size=60))
def test_wherever_the_power_fails_the_account_of_every_dose_holds_what_truly_turned(events):
    """A cut may fall before, within or after the turning of what a tick ordered, before or after the saving."""
    bench = Bench(FRESH)
    bench.greet()
    truth = {}  # dose_id -> steps that truly turned
    accepted = set()
    dose_id = 0

    def account():
        for message in bench.listen():
            if message[0] == "done":
                _, done_id, steps_min, steps_max, _ = message
                # what was ordered last has not turned yet, and turns before this message leaves the board
                turned = truth.get(done_id, 0) + (bench.ordered if done_id == dose_id else 0)
                assert steps_min <= turned <= steps_max

    def turn(steps):
        if steps:
            truth[dose_id] = truth.get(dose_id, 0) + steps

    for event in events:
        if event[0] == "tick":
            turn(bench.ordered)
            rotor, bench.ordered = bench.ordered, 0
            bench.save()
            bench.ordered = bench.board.tick(event[1], *event[2], rotor)
            account()
        elif event[0] == CUT:
            if event[1] != "before turning":
                turn(bench.ordered if event[1] != "while turning" else bench.ordered // 2)
            if event[1] == "after saving":
                bench.save()
            bench.power_on()
            bench.save()  # as main.py does before it says anything
            assert field(bench.greet()[0], "last_dose_id") >= max(truth, default=0)
            bench.board.tick(10, *DRY, 0)
            account()
        elif event[0] == "dose":
            if bench.ordered == 0:  # the host does not send between a tick and its turning, a tick later it may
                wanted = dose_id + event[1]
                if ("judged", wanted, interlocks.ACCEPTED) in bench.send("dose", wanted, *event[2:]):
                    assert wanted not in truth, "no id turns twice"
                    accepted.add(wanted)
                    dose_id = wanted
        else:
            values = {
                "renew": (dose_id, 3000),
                "stop": (dose_id,),
                "seen": (dose_id,),
                "clear": (bench.board.law.trip_number, bench.board.law.trip_reason),
            }
            bench.send(event[0], *values[event[0]])
    assert {of for of, steps in truth.items() if steps} <= accepted


@pytest.mark.parametrize(("beyond", "is_lost"), [(-1, False), (0, False), (1, True)])
def test_a_saved_id_from_which_no_count_goes_on_is_a_lost_memory(beyond, is_lost):
    body = FRESH[:-5].split(b" ")
    body[3] = b"%d" % (messages.DOSE_ID_MAX + beyond)
    saved = b" ".join(body)
    board = Board(saved + b" %04X" % messages.checksum(saved), NEXT_IDENTITY)

    assert (board.law.trip_reason == interlocks.STATE_LOST) == is_lost
