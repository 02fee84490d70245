"""The life of a dose, by its table and on the bench: whatever the line does, it ends, is counted, and is told."""

from dataclasses import replace
from datetime import time
from itertools import pairwise

import pytest

from controller import plan as p
from controller.control import asked_clears, dose_life, line, watering
from controller.control import model as m
from controller.control.words import END_WORDS, TRIP_WORDS, watering_words
from firmware_bridge import interlocks, limits, messages
from tests import examples
from tests.water_bench import JOURNAL_ID, MOISTURE_COUNTS, WaterBench, gone, growing, whole, with_plan

LEASE_STEPS = 200 * limits.LEASE_MS_MAX // 1000  # the example pump turns 200 steps a second


def dosing(**changes):
    """A bench whose first dose is under way."""
    bench = WaterBench(records=growing(), **changes)
    bench.run_until(lambda: bench.turned_steps > 200, 90)
    return bench


def kind_of(frame):
    return frame.split(b" ")[0].decode()


def losing(*kinds):
    return lambda frame: gone(frame) if kind_of(frame) in kinds else whole(frame)


def losing_the_first(kind, lost):
    """Loses one frame of a kind, and keeps it in ``lost``."""

    def lose(frame):
        if kind_of(frame) == kind and not lost:
            lost.append(frame)
            return gone(frame)
        return whole(frame)

    return lose


def leak_and_dry(bench):
    """The board's probe is wet for a moment, and dry again for long enough to be cleared."""
    bench.probes["leak"] = 0
    bench.run(5)
    bench.probes["leak"] = 2000
    bench.run(10)


def doubling(*kinds, after_ms=0):
    return lambda frame: [(0, frame), (after_ms, frame)] if kind_of(frame) in kinds else whole(frame)


# -- the tables ----


def test_every_state_of_an_open_dose_knows_what_each_event_makes_of_it():
    assert set(dose_life.TRANSITIONS) == {(s, e) for s in dose_life.STATES for e in dose_life.EVENTS}
    assert set(dose_life.TRANSITIONS.values()) <= {*dose_life.STATES, *dose_life.OUTCOMES}


def test_no_event_resumes_a_dose_that_is_being_stopped():
    after = {target for (state, _), target in dose_life.TRANSITIONS.items() if state == dose_life.STOPPING}

    assert after <= {dose_life.STOPPING, *dose_life.OUTCOMES}


@pytest.mark.guards("H4", "host", "45f6e251")
def test_every_waiting_state_of_a_dose_comes_to_an_end_by_its_deadline_alone():
    for state in dose_life.STATES:
        for _ in range(3):
            state = dose_life.TRANSITIONS.get((state, dose_life.OVERDUE), state)
        assert state in dose_life.OUTCOMES


def test_a_dose_that_the_deadline_ends_is_counted_in_full():
    ends = {dose_life.TRANSITIONS[(s, dose_life.OVERDUE)] for s in (dose_life.STOPPING, dose_life.AWAITED)}

    assert ends == {dose_life.ALL}


def test_the_line_knows_every_event_that_can_happen_in_each_state():
    never = {(line.DOWN, e) for e in (line.ANSWERED, line.ACCOUNTED, line.ANOTHER_BEGAN, line.OVERDUE)}
    never |= {(line.GREETING, e) for e in (line.ACCOUNTED, line.ANOTHER_BEGAN)}

    assert set(line.TRANSITIONS) == {(s, e) for s in line.STATES for e in line.EVENTS} - never


def test_a_request_is_answered_once_whatever_happens_to_it():
    for state, event in asked_clears.TRANSITIONS:
        after = asked_clears.TRANSITIONS[(state, event)]
        if after == asked_clears.ASKED:
            assert asked_clears.TRANSITIONS[(after, asked_clears.OVERDUE)] == asked_clears.REFUSED
        else:
            assert after in (asked_clears.GRANTED, asked_clears.REFUSED)
            assert not any(known == after for known, _ in asked_clears.TRANSITIONS)


def test_every_refusal_of_the_board_has_words_of_its_own_or_is_told_to_last_ten_minutes():
    for answer in interlocks.REFUSALS:
        assert watering_words("refused:" + answer).startswith("No water")


def test_every_trip_of_the_host_and_every_end_of_a_dose_has_words():
    for reason in (m.BOARD_EXCHANGED, m.JOURNAL_BEHIND, m.JOURNAL_STRANGE, m.SECOND_CONTROLLER):
        assert reason in TRIP_WORDS
    assert m.FOUND_ON_BOARD in END_WORDS


# -- stop ----


@pytest.mark.guards("H3", "host", "6504f7a9")
def test_a_stop_that_is_lost_is_said_again_and_the_lease_is_renewed_no_more():
    bench = dosing()
    bench.to_board = losing("stop")
    bench.local_leak_wet = True
    bench.handle(m.Sampled(bench.decider.moment(), bench.sample()))
    before = bench.turned_steps
    said = len(bench.frames_to_board)

    bench.run(60)

    assert bench.turned_steps - before <= LEASE_STEPS
    kinds = [frame[0] for frame in bench.frames_to_board[said:]]
    assert "renew" not in kinds
    assert kinds.count("stop") >= 2


@pytest.mark.guards("H3", "host", "6504f7a9")
def test_the_end_of_a_run_stops_the_dose_though_the_first_stop_is_lost():
    bench = dosing()
    lost = []
    bench.to_board = losing_the_first("stop", lost)
    bench.ask(m.END_RUN)
    before = bench.turned_steps

    bench.run(30)

    assert lost
    assert bench.turned_steps - before <= 200 + 20
    assert bench.outcomes()[1].end_reason == interlocks.STOPPED
    assert bench.counted_steps() == bench.turned_steps


@pytest.mark.guards("H8", "host", "ee284e71")
def test_a_dose_under_way_is_stopped_again_and_again_while_records_fail():
    bench = dosing()
    bench.journal.full = True
    bench.to_board = losing("stop")
    bench.run(20)  # the lamp's or the sensors' next record fails
    said = [frame[0] for frame in bench.frames_to_board]
    assert bench.state.records_failed
    assert said.count("stop") >= 2
    assert bench.turned_steps <= 2400

    bench.journal.full = False
    bench.to_board = whole
    bench.run(120)

    assert bench.counted_steps() == bench.turned_steps


def test_a_controller_that_leaves_stops_its_dose_and_hears_its_account():
    bench = dosing()

    bench.handle(m.Leaving(bench.decider.moment()))
    bench.run(2)

    assert bench.outcomes()[1].end_reason == interlocks.STOPPED
    assert bench.counted_steps() == bench.turned_steps < 2400


# -- copies, late frames, other conversations ----


@pytest.mark.guards("H1", "host", "830e5870")
@pytest.mark.parametrize("after_ms", [0, 5, 300, 4000, 60_000])
def test_a_doubled_dose_is_given_once_and_counted_once(after_ms):
    bench = WaterBench(records=growing())
    bench.to_board = doubling("dose", after_ms=after_ms)

    bench.run(200)

    assert bench.turned_steps == 2400
    assert bench.counted_steps() == 2400
    assert bench.outcomes()[1].end_reason == "complete"


@pytest.mark.guards("H1", "host", "830e5870")
def test_every_frame_doubled_and_late_both_ways_changes_no_account():
    bench = WaterBench(records=growing())
    bench.to_board = lambda frame: [(0, frame), (1500, frame), (40_000, frame)]
    bench.to_host = lambda frame: [(0, frame), (700, frame), (90_000, frame)]

    bench.wait(2)

    assert bench.turned_steps == bench.counted_steps() == 2400
    assert {closed.end_reason for closed in bench.outcomes().values()} == {"complete"}
    assert not bench.state.trips


def test_a_dose_frame_that_comes_after_later_ones_is_never_obeyed_and_closed_as_not_started():
    bench = WaterBench(records=growing())
    bench.to_board = lambda frame: [(5000, frame)] if kind_of(frame) == "dose" else whole(frame)

    bench.run(80)

    assert bench.outcomes()[1].end_reason == m.NOT_STARTED
    assert bench.turned_steps == 0


def test_answers_that_come_late_lose_no_water_from_the_account():
    bench = WaterBench(records=growing())
    bench.to_host = lambda frame: [(3250, frame)]

    bench.run(3000)
    bench.to_host = whole
    bench.run(3000)

    assert bench.turned_steps > 0
    assert bench.counted_steps() == bench.turned_steps


def test_one_lost_account_after_a_late_copy_is_made_good():
    bench = WaterBench(records=growing())
    lost = []
    bench.to_board = doubling("dose", after_ms=20_000)
    bench.to_host = losing_the_first("done", lost)

    bench.run(200)

    assert lost
    assert bench.counted_steps() == bench.turned_steps == 2400


# -- doses that nobody closes ----


@pytest.mark.parametrize(
    "kinds", [("done",), ("done", "judged"), ("done", "report", "judged"), ("done", "report", "board")]
)
def test_a_dose_whose_account_never_comes_is_counted_in_full_in_time_and_told(kinds):
    bench = dosing()
    bench.to_host = losing(*kinds)

    bench.run(1500)

    assert bench.state.open_dose is None
    assert bench.counted_steps() >= bench.turned_steps
    assert bench.outcomes()[1].end_reason == m.IN_DOUBT
    assert "dose_in_doubt" in bench.alarms()


@pytest.mark.guards("H8", "host", "ee284e71")
def test_a_late_account_corrects_a_dose_that_was_counted_in_full_by_a_new_record():
    bench = dosing()
    bench.to_host = gone
    bench.run(1500)
    assert bench.outcomes()[1].volume_max_ml == 12.0
    first = bench.journal.of(m.DoseClosed)[0]

    bench.to_host = whole
    bench.run(400)

    assert bench.journal.of(m.DoseClosed)[0] == first
    assert bench.outcomes()[1].steps_max == bench.outcomes()[1].steps_min < 2400
    assert bench.counted_steps() == bench.turned_steps
    assert bench.state.watering_given_ml == pytest.approx(bench.turned_steps * 0.005)
    assert "dose_in_doubt" not in bench.alarms()


def test_an_open_dose_of_a_board_that_is_gone_for_days_is_told_and_closed():
    bench = dosing()
    bench.unplug()

    bench.run(1200)

    assert bench.state.open_dose is None
    assert {"board_silent", "dose_in_doubt"} <= bench.alarms()


@pytest.mark.guards("H8", "host", "ee284e71")
def test_rows_lost_by_the_disk_come_back_from_a_board_that_holds_them_as_seen():
    bench = dosing()
    bench.run(60)
    kept = [record for record in bench.journal.kept if not isinstance(record, m.DoseClosed)]
    kept = kept[: 1 + max(n for n, record in enumerate(kept) if isinstance(record, m.DoseIntended))]

    bench.start(kept)
    bench.run(60)

    assert bench.state.open_dose is None
    assert bench.outcomes()[1].end_reason == "complete"
    assert bench.counted_steps() == bench.turned_steps == 2400


def test_a_fixed_time_whose_frame_was_lost_is_tried_again_within_its_grace():
    fixed = p.FixedTimes(times=[time(9), time(15)], clock="utc")
    bench = WaterBench(with_plan(moisture=None, fallback=None, fixed=fixed), growing())
    bench.run_until(lambda: bench.state.watering_answer == "" and bench.state.last_slot >= 0, 60)
    bench.to_board = losing("dose")
    bench.run_until(lambda: m.NOT_STARTED in {each.end_reason for each in bench.outcomes().values()}, 9 * 3600)

    bench.to_board = whole
    bench.run(300)

    assert bench.turned_steps == 2400
    assert bench.counted_steps() == 2400


# -- boards and journals that are not the ones that were known ----


@pytest.mark.guards("H11", "host", "462b298a")
@pytest.mark.parametrize("last_dose_id", [0, 40])
def test_a_board_exchanged_in_mid_dose_leaves_it_counted_in_full_and_holds_the_water(last_dose_id):
    bench = dosing()
    saved = list(messages.decode(bench.saved))
    saved[1], saved[3], saved[4] = 31337, last_dose_id, 99 if last_dose_id else 0
    saved[5:9] = [0, 0, None, 1]
    bench.start_board(messages.encode(*saved)[:-1])
    before = bench.turned_steps

    bench.wait(6)

    assert bench.outcomes()[1].end_reason == m.IN_DOUBT
    assert bench.counted_steps() >= bench.turned_steps == before
    assert (m.BOARD_EXCHANGED, m.ON_HOST) in bench.state.trips

    bench.ask(m.CLEAR_TRIP, m.BOARD_EXCHANGED)
    bench.wait(1)

    assert (m.BOARD_EXCHANGED, m.ON_HOST) not in bench.state.trips
    assert bench.turned_steps == before + 2400
    assert bench.journal.of(m.BoardRecord)[-1].accepted_by == "LK"


@pytest.mark.guards("H1", "host", "830e5870")
@pytest.mark.guards("H8", "host", "ee284e71")
def test_an_older_journal_put_back_gives_no_water_before_somebody_looked_and_counts_what_it_lost():
    bench = WaterBench()
    bench.run_until(lambda: bench.state.line.state == line.SETTLED, 30)
    early = list(bench.journal.kept)
    bench.run_until(lambda: bench.state.phase == m.SOAKING, 3600)
    assert bench.turned_steps == 42_000

    bench.start(early)
    bench.wait(1)

    assert bench.turned_steps == 42_000
    assert (m.JOURNAL_BEHIND, m.ON_HOST) in bench.state.trips
    assert bench.counted_steps() == 42_000

    bench.ask(m.CLEAR_TRIP, m.JOURNAL_BEHIND)
    bench.wait(1)

    assert bench.turned_steps == 42_000
    assert bench.state.first_wetting_given_ml == pytest.approx(210.0)
    assert bench.state.phase != m.PREPARING


@pytest.mark.guards("H11", "host", "462b298a")
def test_a_new_journal_at_a_board_that_watered_for_an_unknown_one_waits_for_a_person():
    bench = dosing()
    bench.run(60)
    bench.journal_id = JOURNAL_ID + 1

    bench.start([])
    bench.wait(1)

    assert bench.turned_steps == 2400
    assert (m.JOURNAL_STRANGE, m.ON_HOST) in bench.state.trips

    bench.ask(m.CLEAR_TRIP, m.JOURNAL_STRANGE)
    bench.run(60)

    assert bench.state.phase == m.WETTING


def test_a_new_journal_beside_the_one_that_the_board_watered_for_begins_at_once():
    bench = dosing()
    bench.run(60)
    bench.journal_id, bench.known_journals = JOURNAL_ID + 1, ((JOURNAL_ID, 1),)

    bench.start([])
    bench.run(60)

    assert bench.state.phase == m.WETTING
    assert bench.journal.of(m.DoseIntended)[0].dose_id == 2


def test_a_new_run_begins_though_the_board_repeats_an_account_that_its_journal_does_not_know():
    bench = dosing()
    bench.to_board = losing("seen")
    bench.run(60)
    bench.journal_id = JOURNAL_ID + 1
    bench.to_board = whole

    bench.start([])
    bench.run(60)
    bench.ask(m.CLEAR_TRIP, m.JOURNAL_STRANGE)
    bench.run(120)

    assert bench.state.phase == m.WETTING
    assert next((each.purpose, each.dose_steps) for each in bench.journal.of(m.DoseIntended)) == (m.ELSEWHERE, 2400)


@pytest.mark.guards("H11", "host", "462b298a")
def test_another_controller_at_the_same_board_is_told_and_holds_the_water():
    bench = WaterBench(records=growing())
    bench.settle()
    hello = messages.encode("hello", limits.PROTOCOL, messages.LIMITS_CHECKSUM, 99, 5)
    bench.board.receive(hello)

    bench.run(120)

    assert (m.SECOND_CONTROLLER, m.ON_HOST) in bench.state.trips
    assert bench.turned_steps == 0


# -- clears ----


@pytest.mark.guards("H12", "host", "90938667")
def test_two_clears_in_one_second_are_both_answered_and_neither_clears_a_later_trip():
    bench = WaterBench(records=growing())
    bench.settle()
    leak_and_dry(bench)

    first, second = bench.ask(m.CLEAR_TRIP, "leak_wet"), bench.ask(m.CLEAR_TRIP, "leak_wet", by="SN")
    bench.run(5)

    assert [answer.granted for answer in bench.answers(first)] == [True]
    assert [answer.granted for answer in bench.answers(second)] == [False]


@pytest.mark.guards("H12", "host", "90938667")
def test_a_clear_that_was_asked_before_a_restart_clears_nothing_after_it():
    bench = WaterBench(records=growing())
    bench.settle()
    asked_at = bench.decider.moment()
    leak_and_dry(bench)
    bench.start()
    bench.settle()

    number = bench.ask(m.CLEAR_TRIP, "leak_wet", at=asked_at)
    bench.run(10)

    assert [answer.granted for answer in bench.answers(number)] == [False]
    assert ("leak_wet", m.ON_BOARD) in bench.state.trips


@pytest.mark.guards("H2", "host", "7669e252")
def test_a_leak_that_both_sides_have_latched_stays_latched_on_both_when_the_board_says_not_dry():
    bench = WaterBench(records=growing())
    bench.settle()
    bench.probes["leak"] = 0
    bench.local_leak_wet = True
    bench.run(15)
    bench.local_leak_wet = False
    bench.run(10)
    assert set(bench.state.trips) == {("leak_wet", m.ON_HOST), ("leak_wet", m.ON_BOARD)}

    number = bench.ask(m.CLEAR_TRIP, "leak_wet")
    bench.run(5)

    assert [answer.granted for answer in bench.answers(number)] == [False]
    assert set(bench.state.trips) == {("leak_wet", m.ON_HOST), ("leak_wet", m.ON_BOARD)}

    bench.probes["leak"] = 2000
    bench.run(10)
    bench.ask(m.CLEAR_TRIP, "leak_wet")
    bench.run(5)

    assert bench.state.trips == ()
    assert bench.board.law.state == interlocks.RESTING


def test_a_clear_that_the_line_swallows_is_answered_in_time_and_cleared_nowhere():
    bench = WaterBench(records=growing())
    bench.settle()
    leak_and_dry(bench)
    bench.to_board = losing("clear")

    number = bench.ask(m.CLEAR_TRIP, "leak_wet")
    bench.run(30)

    assert [answer.granted for answer in bench.answers(number)] == [False]
    assert bench.state.trips == (("leak_wet", m.ON_BOARD),)


# -- records that fail ----


@pytest.mark.guards("H2", "host", "7669e252")
def test_a_leak_that_was_seen_while_records_failed_is_latched_and_written_afterwards():
    bench = WaterBench(records=growing())
    bench.settle()
    bench.journal.full = True
    bench.local_leak_wet = True
    bench.run(20)
    bench.local_leak_wet = False
    bench.run(20)
    bench.journal.full = False

    bench.run(120)

    assert not bench.state.records_failed
    assert ("leak_wet", m.ON_HOST) in bench.state.trips
    assert [each.trip_reason for each in bench.journal.of(m.TripRecord)] == ["leak_wet"]
    assert bench.turned_steps == 0


def test_a_line_that_is_found_while_records_fail_is_used_afterwards():
    bench = WaterBench(records=growing())
    bench.settle()
    bench.unplug()
    bench.run(5)
    bench.journal.full = True
    bench.plug_in()
    bench.run(30)
    bench.journal.full = False

    bench.run(200)

    assert bench.turned_steps == 2400


# -- missing water ----


@pytest.mark.guards("H4", "host", "45f6e251")
def test_water_that_is_wanted_and_does_not_come_is_told_whatever_holds_it_back():
    bench = WaterBench(with_plan(missing_after_h=2.0), growing())
    bench.settle()
    bench.to_board = losing("dose")

    bench.wait(3)

    assert "water_missing" in bench.alarms()
    assert bench.turned_steps == 0

    bench.to_board = whole
    bench.run(300)

    assert "water_missing" not in bench.alarms()


def test_a_rest_that_the_plan_orders_is_no_missing_water():
    bench = WaterBench(with_plan(missing_after_h=1.0), growing())

    bench.wait(3)

    assert bench.turned_steps == 2400
    assert "water_missing" not in bench.alarms()


@pytest.mark.guards("H4", "host", "45f6e251")
def test_missing_water_is_not_forgotten_over_restarts():
    bench = WaterBench(with_plan(missing_after_h=3.0), growing())
    bench.settle()
    bench.to_board = losing("dose")
    for _ in range(5):
        bench.wait(1)
        bench.start()

    bench.run(60)

    assert "water_missing" in bench.alarms()


@pytest.mark.guards("H6", "host", "ca1270a6")
def test_a_mute_board_is_told_as_one_and_not_as_a_doubtful_probe_alone():
    bench = WaterBench(records=growing())
    bench.settle()
    bench.to_host = gone

    bench.run(600)

    assert "board_silent" in bench.alarms()
    assert bench.state.watering_answer in ("not_greeted", "unreconciled")


# -- factors and clocks ----


@pytest.mark.guards("H9", "host", "ef8570cc")
def test_a_factor_changed_while_a_dose_is_open_counts_it_by_its_own():
    bench = dosing()
    pump = replace(bench.settings.chamber.pump, ml_per_step=0.01)
    bench.settings = replace(bench.settings, chamber=replace(bench.settings.chamber, pump=pump))

    bench.start()
    bench.run(60)

    closed = bench.outcomes()[1]
    assert closed.volume_ml == pytest.approx(closed.steps_max * 0.005)


@pytest.mark.guards("H7", "host", "94bb108c")
def test_one_start_with_a_clock_forty_days_ahead_ends_no_run():
    bench = WaterBench(records=growing())
    bench.settle()
    bench.utc_ms += 40 * m.MS_PER_DAY
    bench.start()
    bench.wait(1)
    assert bench.state.phase == m.GROWING
    assert "clock_leaps" in bench.alarms()

    bench.utc_ms -= 40 * m.MS_PER_DAY
    bench.start()
    bench.run(600)

    assert bench.state.phase == m.GROWING
    assert bench.state.run_ms < 2 * m.MS_PER_DAY


def test_a_clock_that_stands_by_forty_days_for_six_hours_is_believed():
    bench = WaterBench(records=growing())
    bench.settle()
    bench.utc_ms += 40 * m.MS_PER_DAY
    bench.start()

    bench.wait(6.1)

    assert bench.state.phase == m.ENDED


@pytest.mark.guards("H2", "host", "7669e252")
@pytest.mark.guards("H4", "host", "45f6e251")
def test_doses_without_effect_leave_the_fallback_where_the_plan_says_so():
    fallback = p.Fallback(dose_ml=8, every_h=24, untrusted_for_h=6, without_effect=True)
    bench = WaterBench(with_plan(fallback=fallback), growing())

    bench.wait(40)

    assert (m.DOSE_WITHOUT_EFFECT, m.ON_HOST) in bench.state.trips
    purposes = [each.purpose for each in bench.journal.of(m.DoseIntended)]
    assert purposes == [m.MOISTURE_LED, m.MOISTURE_LED, m.FALLBACK]
    assert bench.counted_steps() == bench.turned_steps == 2 * 2400 + 1600


def test_doses_without_effect_hold_all_water_back_where_the_plan_does_not():
    bench = WaterBench(records=growing())

    bench.wait(40)

    assert bench.turned_steps == 2 * 2400
    assert (m.DOSE_WITHOUT_EFFECT, m.ON_HOST) in bench.state.trips
    assert "water_missing" in bench.alarms()


def test_the_examples_counts_lie_on_either_side_of_its_thresholds():
    probe = examples.CHAMBER.moisture_probe
    contents = {name: probe.water_content_fraction(counts) for name, counts in MOISTURE_COUNTS.items()}

    assert contents["dry"] < examples.PLAN.watering.moisture.low_fraction
    assert contents["wet"] > examples.PLAN.watering.moisture.high_fraction
    assert watering.EFFECTS_MISSED_MAX == 2


# -- what an adversary found ----


def saving_fails(bench):
    """The board's memory takes nothing any more."""
    bench._save = lambda: None


@pytest.mark.guards("H4", "host", "45f6e251")
def test_a_board_whose_memory_is_worn_trips_and_is_asked_for_nothing_more():
    bench = WaterBench(records=growing())
    bench.settle()
    saving_fails(bench)

    bench.wait(14)

    assert bench.turned_steps == 0
    assert (interlocks.MEMORY_FAILS, m.ON_BOARD) in bench.state.trips
    assert len(bench.journal.of(m.DoseIntended)) == 1
    assert "water_missing" in bench.alarms()


def test_a_dose_that_gave_nothing_is_not_asked_for_again_at_once_and_missing_water_is_told():
    bench = WaterBench(with_plan(missing_after_h=2.0), growing())
    bench.settle()
    bench.board.law.accept_dose, accept = (
        lambda *given: accept(*given) if bench.board.law.stop(given[0]) is None else "", bench.board.law.accept_dose,
    )  # fmt: skip
    bench.to_board = lambda frame: [(0, frame), (0, stop_of(frame))] if kind_of(frame) == "dose" else whole(frame)

    bench.wait(3)

    assert bench.turned_steps == 0
    assert len(bench.journal.of(m.DoseIntended)) <= 3 * 60
    assert "water_missing" in bench.alarms()


def stop_of(frame):
    session, number, dose_id = frame.split(b" ")[1:4]
    return messages.encode("stop", int(session), int(number) + 1, int(dose_id))


@pytest.mark.guards("H8", "host", "ee284e71")
def test_an_older_journal_is_noticed_though_a_portion_at_the_bench_came_in_between():
    bench = dosing()
    early = list(bench.journal.kept)[: -len(bench.journal.of(m.DoseIntended))]
    early = [each for each in bench.journal.kept if not isinstance(each, m.DoseIntended)]
    bench.run(60)
    bench.journal_id, bench.known_journals = 99, ()
    portion = [m.PhaseRecord(bench.decider.moment(), m.CALIBRATING, 0)]
    bench.start(portion)
    bench.settle()
    bench.ask(m.GIVE_PORTION, "2400")
    bench.run(60)
    assert bench.turned_steps == 4800
    last_id = max(bench.outcomes())

    bench.journal_id, bench.known_journals = JOURNAL_ID, ((99, last_id),)
    bench.start(early)
    bench.run(120)

    assert (m.JOURNAL_BEHIND, m.ON_HOST) in bench.state.trips
    assert bench.state.watering_given_ml == pytest.approx(12.0)
    assert bench.turned_steps == 4800


@pytest.mark.guards("H2", "host", "7669e252")
def test_doses_without_effect_trip_though_the_controller_restarts_between_them():
    bench = WaterBench(records=growing())
    for _ in range(8):
        bench.wait(2)
        bench.start()

    assert (m.DOSE_WITHOUT_EFFECT, m.ON_HOST) in bench.state.trips
    assert bench.turned_steps == 2 * 2400


def test_an_accepted_strange_journal_is_in_the_boards_total_once():
    bench = dosing()
    bench.run(60)
    bench.journal_id = JOURNAL_ID + 1
    bench.start([])
    bench.run(60)
    bench.ask(m.CLEAR_TRIP, m.JOURNAL_STRANGE)
    bench.run_until(lambda: bench.state.phase == m.SOAKING, 3600)

    assert bench.state.turned_total_steps == bench.turned_steps == 2400 + 42_000


def test_the_account_of_another_journals_dose_leaves_an_open_one_counted():
    bench = dosing()
    foreign = messages.decode(bench.saved)
    bench.unplug()
    bench.run(30)
    saved = list(foreign)
    saved[3], saved[4], saved[5:9] = 2, 99, [600, 600, "complete", 0]
    bench.start_board(messages.encode(*saved)[:-1])
    bench.to_host = losing("report")

    bench.start()
    bench.run(30)
    bench.to_host = whole
    bench.run(120)

    assert bench.outcomes()[1].end_reason in (m.IN_DOUBT, interlocks.STOPPED)
    assert bench.outcomes()[1].steps_max >= 200


def test_a_dose_in_doubt_is_not_pushed_out_by_doses_that_never_began():
    bench = dosing()
    bench.to_host = gone
    bench.run(1500)
    bench.to_host = whole
    bench.to_board = losing("dose", "seen")
    held = bench.state.open_accounts[0]
    bench.to_host = losing("done")

    bench.wait(2)

    assert held in bench.state.open_accounts


def test_network_time_that_comes_while_records_fail_places_the_run_clock_afterwards():
    bench = WaterBench(records=growing())
    bench.settle()
    bench.utc_trusted = False
    bench.start()
    bench.run(30)
    bench.journal.full = True
    bench.utc_ms += 20 * m.MS_PER_H
    bench.utc_trusted = True
    bench.run(30)
    bench.journal.full = False

    bench.run(120)

    by_utc_ms = bench.now().utc_ms - bench.state.hydrated_utc_ms
    assert abs(bench.state.run_ms - by_utc_ms) < 2000


def test_an_answer_owed_to_a_controller_that_is_gone_is_no_second_controller():
    bench = WaterBench(records=growing())
    bench.board.receive(messages.encode("hello", limits.PROTOCOL, messages.LIMITS_CHECKSUM, 99, 5))
    bench.to_board = lambda frame: [(300, frame)]

    bench.run(60)

    assert bench.state.trips == ()


# -- what a second adversary found ----


def wet(bench):
    bench.moisture_counts = MOISTURE_COUNTS["wet"]


@pytest.mark.guards("H4", "host", "45f6e251")
def test_plants_that_become_thirsty_behind_a_trip_get_the_alarm_and_those_watered_by_hand_lose_it():
    bench = WaterBench(with_plan(missing_after_h=2.0), growing())
    wet(bench)
    bench.settle()
    bench.run(120)
    bench.probes["leak"] = 0
    bench.wait(3)
    assert "water_missing" not in bench.alarms()

    bench.moisture_counts = MOISTURE_COUNTS["dry"]
    bench.wait(3)
    assert "water_missing" in bench.alarms()

    wet(bench)
    bench.wait(1)
    assert "water_missing" not in bench.alarms()


@pytest.mark.guards("H4", "host", "45f6e251")
def test_a_board_that_restarts_whenever_its_motor_starts_is_told_and_ends_in_a_trip():
    bench = WaterBench(with_plan(missing_after_h=2.0), growing())
    bench.settle()
    for _ in range(2):
        bench.run_until(lambda: bench.board.law.state == interlocks.TURNING, 5 * 3600)
        bench.start_board()
        bench.run(60)
        assert bench.outcomes()[max(bench.outcomes())].end_reason == interlocks.BOARD_RESTARTED
        assert "dose_in_doubt" in bench.alarms()

    bench.wait(6)

    assert (m.DOSE_WITHOUT_EFFECT, m.ON_HOST) in bench.state.trips
    assert "water_missing" in bench.alarms()
    assert bench.counted_steps() == 4800


def test_a_second_strange_board_is_not_accepted_in_the_minute_in_which_it_was_plugged_in():
    def strange(board_id):
        saved = list(messages.decode(bench.saved))
        saved[1], saved[3:5] = board_id, [0, 0]
        bench.start_board(messages.encode(*saved)[:-1])
        bench.run(10)

    bench = WaterBench(records=growing())
    bench.settle()
    bench.probes["reservoir"] = 4000  # no water meanwhile
    strange(31337)
    bench.run(30)
    strange(31338)

    early = bench.ask(m.CLEAR_TRIP, m.BOARD_EXCHANGED)
    bench.run(90)
    late = bench.ask(m.CLEAR_TRIP, m.BOARD_EXCHANGED)

    assert [answer.granted for answer in (*bench.answers(early), *bench.answers(late))] == [False, True]
    assert bench.state.board.board_id == 31338


def test_a_watering_time_is_not_lost_when_network_time_places_the_hydration():
    fixed = p.FixedTimes(times=[time(7)], clock="utc")
    settings = with_plan(moisture=None, fallback=None, fixed=fixed, rest_h=1.0)
    bench = WaterBench(settings, [])
    bench.utc_ms = examples.START_UTC_MS + 7 * m.MS_PER_H  # 15:00 by a clock that nobody trusts
    bench.utc_trusted = False
    bench.start([])
    bench.run_until(lambda: bench.state.phase == m.GROWING, 3600)
    bench.wait(20)
    first = [each.slot for each in bench.journal.of(m.DoseIntended) if each.purpose == m.FIXED_TIME]
    assert first == [0]

    bench.utc_ms -= 12 * m.MS_PER_H
    bench.utc_trusted = True
    bench.wait(24)

    given = [each for each in bench.journal.of(m.DoseIntended) if each.purpose == m.FIXED_TIME]
    hours = [(later.run_ms - earlier.run_ms) / m.MS_PER_H for earlier, later in pairwise(given)]
    assert len(given) >= 2
    assert max(hours) <= 24.1


@pytest.mark.guards("H6", "host", "ca1270a6")
def test_a_fallback_dose_comes_though_the_controller_restarts_more_often_than_the_fallback_waits():
    bench = WaterBench(with_plan(fallback=p.Fallback(dose_ml=8, every_h=24, untrusted_for_h=6)), growing())
    bench.moisture_counts = 9_000  # outside what the probe can see
    for _ in range(4):
        bench.wait(2.5)
        bench.start()

    assert [each.purpose for each in bench.journal.of(m.DoseIntended)] == [m.FALLBACK]


def test_waiting_for_a_fallback_that_the_plan_orders_is_no_missing_water():
    fallback = p.Fallback(dose_ml=8, every_h=24, untrusted_for_h=6)
    bench = WaterBench(with_plan(fallback=fallback, missing_after_h=3.0), growing())
    bench.moisture_counts = 9_000
    bench.wait(30)

    assert len(bench.journal.of(m.DoseIntended)) == 1
    assert not [each for each in bench.journal.of(m.AlarmRecord) if each.alarm == "water_missing"]


def test_thirst_between_the_two_thresholds_outlives_a_restart():
    bench = WaterBench(records=growing())
    bench.settle()
    bench.run(200)
    between = round(examples.counts_for(0.26))
    bench.moisture_counts = between
    bench.run(120)
    assert bench.state.thirsty

    bench.start()
    bench.run(120)

    assert bench.state.thirsty
