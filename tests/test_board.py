"""The board's program without pins: what it says, what it saves, and what it still knows after the power failed."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_bridge import interlocks, limits, messages
from firmware_bridge.board import DONE_REPEAT_MS, REPORT_EVERY_MS, REST_REPORT_EVERY_MS, Board, fresh_saved_line

DRY = (2000, 2000, 1000, 2600)  # counts of leak, overfill float, reservoir float, moisture
WET = (100, 2000, 1000, 2600)
HELLO = ("hello", limits.PROTOCOL, messages.LIMITS_CHECKSUM)
CUT = "power cut"


class Bench:
    """A board with what stands round it: a memory that survives a power cut, and a count of what truly turned."""

    def __init__(self, saved=None):
        self.memory = saved
        self.turned_steps = 0
        self.power_on()

    def power_on(self):
        self.board = Board(self.memory)
        self.ordered = 0
        self.said = []

    def save(self):
        line = self.board.take_to_save()
        if line is not None:
            self.memory = line
            self.board.intent_saved()
        return line

    def send(self, *message):
        self.board.receive(messages.encode(*message))
        return self.listen()

    def listen(self):
        """What the board has said since it was last listened to."""
        said = messages.LineReader().feed(self.board.take_output())
        self.said += said
        return said

    def tick(self, elapsed_ms=limits.TICK_MS, probes=DRY):
        """A tick in the order of main.py: what was ordered turns, then what is to be saved is, then the next."""
        self.turned_steps += self.ordered
        before, self.ordered = self.ordered, 0
        self.save()
        self.ordered = self.board.tick(elapsed_ms, *probes, before)
        return self.listen()

    def dose(self, dose_id, steps=1000, steps_per_s=100):
        said = self.send("dose", dose_id, steps, steps_per_s)
        assert ("judged", dose_id, interlocks.ACCEPTED) in said

    def finish(self, dose_id):
        """Run under a renewed lease until the dose is done; answer what was said."""
        said = []
        for _ in range(2000):
            self.board.receive(messages.encode("renew", dose_id, limits.LEASE_MS_MAX))
            said += self.tick(100)
            if any(message[0] == "done" for message in said):
                self.tick(0)
                return said
        raise AssertionError("the dose never ended")

    def trip_reason(self):
        self.tick(0)
        (report,) = [message for message in self.send("ask") if message[0] == "report"]
        return messages.word(report, "trip_reason")


@pytest.fixture
def bench():
    bench = Bench(fresh_saved_line())
    bench.tick()
    bench.send(*HELLO)
    return bench


def but_reports(said):
    """What was said beside the reports that go out unasked."""
    return [message for message in said if message[0] != "report"]


def kinds(said):
    return [message[0] for message in said]


# -- greeting -----------------------------------------------------------------------------------------------------


def test_a_greeting_is_answered_with_who_the_board_is_and_how_it_is(bench):
    bench.tick(989)
    assert messages.number(bench.send(*HELLO)[1], "uptime_s") == 0
    bench.tick(1)
    said = bench.send(*HELLO)
    assert said == [
        ("board", limits.PROTOCOL, messages.LIMITS_CHECKSUM, 1, 0),
        ("report", interlocks.RESTING, None, 0, 0, 0, *DRY, 1, 1),
    ]


def test_a_board_that_nobody_asked_says_only_how_it_is_once_a_second():
    bench = Bench(fresh_saved_line())
    said = [kinds(bench.tick(100)) for _ in range(100)]
    assert [n for n, kind in enumerate(said, start=1) if kind] == list(range(10, 101, 10))
    assert all(kind in ([], ["report"]) for kind in said)


def test_nothing_is_reported_before_the_probes_were_looked_at():
    bench = Bench(fresh_saved_line())
    assert kinds(bench.send(*HELLO)) == ["board"]
    assert bench.send("ask") == []
    said = bench.tick(10, WET)
    assert kinds(said) == ["report"]
    assert messages.number(said[0], "leak_counts") == WET[0]
    assert bench.tick(10, WET) == []


@pytest.mark.guards("H11", "board", "c10f56d8")
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
    assert "board" in kinds(bench.send("hello", protocol, checksum))
    assert bench.send("dose", 1, 10, 10) == [("judged", 1, interlocks.NOT_GREETED)]
    assert "report" in kinds(bench.send("ask"))
    bench.send(*HELLO)
    assert bench.send("dose", 1, 10, 10) == [("judged", 1, interlocks.ACCEPTED)]


@pytest.mark.guards("H11", "board", "c10f56d8")
def test_every_limit_is_part_of_the_checksum():
    public = {name for name in vars(limits) if name.isupper() and name not in ("NAMES", "CHECKSUM_TEXT")}
    assert set(limits.NAMES) == public
    for name in public:
        assert f"{name}={getattr(limits, name)}" in limits.CHECKSUM_TEXT.split(";")


def test_a_restart_forgets_the_greeting(bench):
    bench.power_on()
    assert bench.send("dose", 1, 10, 10) == [("judged", 1, interlocks.NOT_GREETED)]


@pytest.mark.guards("H12", "board", "8638ce0c")
def test_messages_of_the_other_direction_are_ignored(bench):
    bench.tick()
    for message in (
        ("board", 1, 1, 1, 1),
        ("judged", 1, "accepted"),
        ("cleared", "accepted"),
        ("done", 1, 0, 1, "x"),
    ):
        assert bench.send(*message) == []
    assert bench.tick() == []


# -- a dose -------------------------------------------------------------------------------------------------------


def test_a_dose_turns_its_steps_and_is_done_with_them(bench):
    bench.dose(1, 1000, 100)
    said = bench.finish(1)
    assert bench.turned_steps == 1000
    assert [message for message in said if message[0] == "done"] == [("done", 1, 1000, 1000, interlocks.COMPLETE)]


@pytest.mark.guards("H3", "board", "0bf493d6")
@pytest.mark.guards("H8", "board", "e9a3e030")
def test_nothing_turns_until_the_intent_was_taken_and_stored(bench):
    bench.dose(1, 1000, 100)
    for _ in range(5):
        assert bench.board.tick(100, *DRY, 0) == 0
    line = bench.board.take_to_save()
    assert messages.decode(line)[1:8] == (1, 1, 0, 1000, None, 0, None)
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
    bench.send("stop")
    said = bench.tick()
    assert said == [("done", 1, 20, 20, interlocks.STOPPED)]
    assert bench.turned_steps == 20


def test_a_trip_in_mid_dose_is_reported_done_and_saved(bench):
    bench.dose(1, 1000, 100)
    bench.tick(100)
    said = bench.tick(100, WET)
    assert ("done", 1, 10, 10, interlocks.LEAK_WET) in said
    (report,) = [message for message in said if message[0] == "report"]
    assert messages.word(report, "state") == interlocks.TRIPPED
    assert messages.word(report, "trip_reason") == interlocks.LEAK_WET
    assert messages.number(report, "trip_delay_ms") == 100
    saved = messages.decode(bench.save())
    assert messages.word(saved, "trip_reason") == interlocks.LEAK_WET
    assert messages.word(saved, "end_reason") == interlocks.LEAK_WET


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
    reports = [messages.number(message, "turned_steps") for message in said if message[0] == "report"]
    assert reports == [4 * n * REPORT_EVERY_MS // limits.TICK_MS for n in range(1, 5)]
    bench.finish(1)
    said = []
    for _ in range(200):
        said += bench.tick()
    assert kinds(said).count("report") == 200 * limits.TICK_MS // REST_REPORT_EVERY_MS


# -- done ---------------------------------------------------------------------------------------------------------


@pytest.mark.guards("H8", "board", "e9a3e030")
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
    bench.send(*HELLO)
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
    bench.send("stop")
    assert kinds(bench.tick()) == ["done"]


@pytest.mark.guards("H1", "board", "97d1a386")
def test_a_dose_again_is_refused_and_does_not_disturb_its_account(bench):
    bench.dose(1, 10, 100)
    bench.finish(1)
    bench.send("seen", 1)
    assert bench.send("dose", 1, 10, 100) == [("judged", 1, interlocks.ID_NOT_NEW)]
    assert but_reports(bench.tick(10 * DONE_REPEAT_MS)) == []


# -- power cuts ---------------------------------------------------------------------------------------------------


def dones_after_restart(bench):
    bench.power_on()
    bench.send(*HELLO)
    return [message for message in bench.tick() if message[0] == "done"]


def test_a_dose_that_had_ended_comes_back_exactly_even_after_several_restarts(bench):
    bench.dose(1, 1000, 100)
    bench.tick(100)
    bench.tick(100)
    bench.send("stop")
    bench.tick()
    for _ in range(3):
        assert dones_after_restart(bench) == [("done", 1, 20, 20, interlocks.STOPPED)]
        bench.save()


@pytest.mark.guards("H8", "board", "e9a3e030")
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
    assert messages.number(bench.send(*HELLO)[0], "last_dose_id") == 0
    assert bench.tick() == [("report", interlocks.RESTING, None, 0, 0, 0, *DRY, 2, 0)]
    assert bench.board.law.window_used_steps() == 0


@pytest.mark.guards("H3", "board", "0bf493d6")
def test_a_restart_never_goes_on_turning(bench):
    bench.dose(1, 1000, 100)
    bench.tick(100)
    bench.power_on()
    for _ in range(10):
        bench.send("renew", 1, 3000)
        bench.tick(100)
        assert bench.ordered == 0


def test_an_id_stays_used_after_a_restart(bench):
    bench.dose(5, 10, 100)
    bench.finish(5)
    bench.power_on()
    bench.send(*HELLO)
    bench.send("seen", 5)
    assert bench.send("dose", 5, 10, 100) == [("judged", 5, interlocks.ID_NOT_NEW)]
    assert bench.send("dose", 6, 10, 100) == [("judged", 6, interlocks.ACCEPTED)]


@pytest.mark.guards("H2", "board", "509530ad")
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
    bench.send(*HELLO)
    assert bench.send("dose", 1, 10, 10) == [("judged", 1, interlocks.IS_TRIPPED)]


def test_a_cleared_trip_stays_cleared_once_that_was_saved_and_not_before(bench):
    bench.tick(10, WET)
    bench.tick(limits.DRY_MS_MIN)
    bench.tick()
    assert ("cleared", interlocks.ACCEPTED) in bench.send("clear", interlocks.LEAK_WET)
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
    assert bench.save() is None, "once an hour is enough"
    bench.power_on()
    assert bench.board.law.window_slots_steps()[-2:] == [1000, 0]
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
        fresh_saved_line()[:-1],
        fresh_saved_line() + b"\n",
        fresh_saved_line().replace(b"saved 0", b"saved 1"),
        messages.encode("ask")[:-1],
    ],
    ids=["no file", "empty", "erased", "cut short", "too long", "altered", "another message"],
)
def test_a_saved_state_that_is_lost_trips_and_counts_the_day_as_used(memory):
    bench = Bench(memory)
    assert bench.trip_reason() == interlocks.STATE_LOST
    used = [0] * (limits.WINDOW_SLOTS - 1) + [limits.WINDOW_STEPS_MAX]
    assert messages.decode(bench.memory) == ("saved", 1, 0, 0, 0, None, 1, interlocks.STATE_LOST, *used)
    assert but_reports(bench.tick(limits.DRY_MS_MIN)) == []
    assert ("cleared", interlocks.ACCEPTED) in bench.send("clear", interlocks.STATE_LOST)
    bench.send(*HELLO)
    assert bench.send("dose", 1, 1, 1) == [("judged", 1, interlocks.WINDOW_FULL)]
    bench.tick(25 * limits.WINDOW_SLOT_MS)
    assert bench.send("dose", 1, 1, 1) == [("judged", 1, interlocks.ACCEPTED)]


@given(st.binary(max_size=260))
def test_a_memory_full_of_rubbish_trips_and_never_raises(memory):
    assert Bench(memory).trip_reason() == interlocks.STATE_LOST


def test_every_start_is_counted(bench):
    for boots in range(2, 6):
        bench.tick()
        bench.power_on()
        assert messages.number(bench.send(*HELLO)[0], "boots") == boots


def test_a_board_that_was_commissioned_has_no_trip_no_dose_and_nothing_used():
    bench = Bench(fresh_saved_line())
    assert bench.trip_reason() is None
    assert bench.board.law.window_used_steps() == 0
    assert bench.board.law.last_dose_id == 0


# -- clearing -----------------------------------------------------------------------------------------------------


@pytest.mark.guards("H4", "board", "c74a6d07")
def test_clearing_is_answered_with_why_not(bench):
    assert ("cleared", interlocks.NOT_TRIPPED) in bench.send("clear", interlocks.LEAK_WET)
    bench.tick(10, WET)
    bench.tick(limits.DRY_MS_MIN - 1)
    assert ("cleared", interlocks.OTHER_REASON) in bench.send("clear", interlocks.OVERFILL_FLOAT_UP)
    assert ("cleared", interlocks.OTHER_REASON) in bench.send("clear", None)
    assert ("cleared", interlocks.NOT_DRY) in bench.send("clear", interlocks.LEAK_WET)
    bench.tick(1)
    said = bench.send("clear", interlocks.LEAK_WET)
    assert said[0] == ("cleared", interlocks.ACCEPTED)
    assert messages.word(said[1], "state") == interlocks.RESTING


def test_the_same_trip_after_a_clear_is_reported_and_saved_again(bench):
    for _ in range(2):
        bench.tick(10, WET)
        bench.tick(limits.DRY_MS_MIN)
        assert messages.word(messages.decode(bench.memory), "trip_reason") == interlocks.LEAK_WET
        assert ("cleared", interlocks.ACCEPTED) in bench.send("clear", interlocks.LEAK_WET)


def test_the_first_report_of_a_board_comes_after_a_whole_second():
    board = Board(fresh_saved_line())
    board.take_output()
    board.tick(999, *DRY, 0)
    assert board.take_output() == b""
    board.tick(1, *DRY, 0)
    assert board.take_output().startswith(b"report ")


def test_a_trip_that_was_saved_is_no_news_after_a_restart(bench):
    bench.tick(10, WET)
    bench.save()
    board = Board(bench.memory)
    board.take_to_save()
    board.tick(10, *DRY, 0)
    assert board.take_output() == b""
    assert board.take_to_save() is None


def test_a_cleared_trip_is_no_news_in_the_tick_after(bench):
    bench.tick(10, WET)
    bench.tick(limits.DRY_MS_MIN)
    bench.send("clear", interlocks.LEAK_WET)
    bench.save()
    assert bench.tick(10) == []
    assert bench.board.take_to_save() is None


def test_a_late_tick_is_told_to_the_law_with_what_it_may_make_good():
    board = Board(fresh_saved_line())
    board.receive(messages.encode(*HELLO) + messages.encode("dose", 1, 1000, 100))
    board.take_to_save()
    board.intent_saved()
    assert board.tick(500, *DRY, 0, 20) == 2


def test_a_commissioned_memory_holds_nothing_at_all():
    assert messages.decode(fresh_saved_line()) == ("saved", 0, 0, 0, 0, None, 1, None, *([0] * limits.WINDOW_SLOTS))


# -- hostile streams ----------------------------------------------------------------------------------------------


@pytest.mark.guards("H12", "board", "8638ce0c")
@given(st.lists(st.binary(max_size=300), max_size=10))
def test_rubbish_on_the_line_never_raises_and_never_turns_anything(rubbish):
    bench = Bench(fresh_saved_line())
    for data in rubbish:
        bench.board.receive(data)
        bench.tick(100)
        assert bench.ordered == 0


def test_counts_that_no_converter_gives_are_reported_within_bounds(bench):
    said = bench.tick(10, (-5, 10**15, -1, -1))
    (report,) = said
    assert report[6:10] == (0, messages.NUMBER_MAX, 0, 0)
    assert messages.word(report, "trip_reason") == interlocks.LEAK_WIRE_OPEN


@pytest.mark.guards("H7", "board", "3e5574a2")
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


@pytest.mark.guards("H8", "board", "e9a3e030")
@settings(max_examples=300)
@given(st.lists(EVENTS, max_size=60))
def test_wherever_the_power_fails_the_account_of_every_dose_holds_what_truly_turned(events):
    """A cut may fall before, within or after the turning of what a tick ordered, before or after the saving."""
    bench = Bench(fresh_saved_line())
    bench.send(*HELLO)
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
            bench.board.receive(messages.encode(*HELLO))
            assert messages.number(bench.listen()[0], "last_dose_id") >= max(truth, default=0)
            bench.board.tick(10, *DRY, 0)
            account()
        elif event[0] == "dose":
            if bench.ordered == 0:  # the host does not send between a tick and its turning, a tick later it may
                wanted = dose_id + event[1]
                bench.board.receive(messages.encode("dose", wanted, *event[2:]))
                if ("judged", wanted, interlocks.ACCEPTED) in bench.listen():
                    assert wanted not in truth, "no id turns twice"
                    accepted.add(wanted)
                    dose_id = wanted
        else:
            values = {
                "renew": (dose_id, 3000),
                "stop": (),
                "seen": (dose_id,),
                "clear": (bench.board.law.trip_reason,),
            }
            bench.board.receive(messages.encode(event[0], *values[event[0]]))
            bench.listen()
    assert {of for of, steps in truth.items() if steps} <= accepted


@pytest.mark.parametrize(("beyond", "is_lost"), [(-1, False), (0, False), (1, True)])
def test_a_saved_id_from_which_no_count_goes_on_is_a_lost_memory(beyond, is_lost):
    body = fresh_saved_line()[:-5].split(b" ")
    body[2] = b"%d" % (messages.DOSE_ID_MAX + beyond)
    saved = b" ".join(body)
    board = Board(saved + b" %04X" % messages.checksum(saved))

    assert (board.law.trip_reason == interlocks.STATE_LOST) == is_lost
