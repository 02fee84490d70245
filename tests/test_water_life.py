"""The water law over a faulty world: some hundred short lives, and each fault that such lives have found, by name."""

import pytest

from controller.chamber.seam import ClockReading
from controller.control import model as m
from controller.errors import JournalError
from controller.records.journal import Journal
from controller.run import LiveRun
from tests import examples
from tests.campaigns import water_boundaries, water_life
from tests.water import end, line, plans
from tests.water.faults import TO_BOARD, TO_HOST
from tests.water.rival import Rival
from tests.water.world import HOUR_MS, MINUTE_MS, SECOND_MS, World


@pytest.fixture
def growing():
    """A chamber whose first wetting is over; its water is led by moisture."""
    world = World(plans.MOISTURE)
    world.pass_ms(10 * SECOND_MS)
    yield world
    world.close()


@pytest.mark.parametrize(("examples", "steps"), [(160, 8), (45, 16)])
def test_no_promise_about_water_is_broken_in_some_hundred_short_lives(examples, steps):
    water_life.lives(examples, steps, number=20260328)


def standing(world):
    return [trip.reason for trip in world.judge.ledger.trips]


def to_a_dose(world, then_ms=1_500):
    world.thirst(True)
    world.pass_until(world.now_ms + HOUR_MS, lambda: bool(world.judge.ledger.open_ids))
    world.pass_ms(then_ms)


@pytest.mark.parametrize("how", ["older copy", "new journal", "other board"])
def test_a_person_who_has_looked_clears_a_trip_of_acquaintance_once_and_for_all(growing, how):
    if how == "older copy":
        growing.kill(records_lost=40)
    elif how == "new journal":
        growing.replace_journal(beside=False)
    else:
        growing.exchange_board("higher")
    growing.pass_ms(3 * MINUTE_MS)
    assert standing(growing), "nothing was noticed"
    growing.clear_trips()
    growing.pass_ms(20 * SECOND_MS)
    assert standing(growing) == []
    growing.kill()
    growing.pass_ms(20 * SECOND_MS)
    assert standing(growing) == []


def test_a_fixed_time_that_was_missed_is_remembered_by_its_row():
    """Else a restart says once more that it was missed."""
    world = World(plans.FIXED)
    world.pass_ms(10 * SECOND_MS)
    world.wet("reservoir", 20 * SECOND_MS)
    world.pass_ms(8 * HOUR_MS)
    missed = [row for _, row in world.disk.written if getattr(row, "reason", "") == "slot_missed"]
    assert missed
    world.kill()
    world.pass_ms(5 * MINUTE_MS)
    assert [row for _, row in world.disk.written if getattr(row, "reason", "") == "slot_missed"] == missed


def test_water_that_the_board_tells_of_before_the_start_is_as_young_as_its_row(growing):
    """It was made older by the whole wait since the start of the program, and rebuilt otherwise than it lived."""
    growing.thirst(True)
    growing.pass_until(HOUR_MS, lambda: bool(growing.judge.ledger.open_ids))
    growing.pass_ms(5)
    growing.replace_journal(beside=False)
    growing.pass_ms(5 * MINUTE_MS)
    end.ends_well(growing)


def test_what_a_start_on_a_full_disk_found_due_is_due_once(growing):
    """Its rows were written when the disk had room again, but the memory did not hold them, and they came twice."""
    growing.disk.refuses_after = 0
    growing.kill(records_lost=40)
    growing.later(30 * SECOND_MS, growing.disk.free)
    growing.pass_ms(5 * MINUTE_MS)
    due = [row for _, row in growing.disk.written if isinstance(row, m.StepRecord)]
    assert len(due) == 1


def test_a_run_whose_older_copy_is_put_back_in_the_middle_of_the_first_wetting_goes_on():
    """The first aliquot is found on the board; its pause was awaited on a run clock that had not begun."""
    world = World(plans.WETTING)
    world.pass_ms(10 * SECOND_MS)
    rows = len(world.disk.written)
    world.ask(m.SIGN_STEP, plans.GATE.name)
    world.pass_until(5 * MINUTE_MS, lambda: bool(world.judge.ledger.closed))
    world.kill(records_lost=len(world.disk.written) - rows)
    world.pass_ms(MINUTE_MS)
    assert standing(world) == [m.JOURNAL_BEHIND]
    end.ends_well(world)


def test_a_life_whose_boot_number_is_used_again_is_answered_at_once(growing):
    """Its greetings had the numbers of the life that the disk has lost, so the board took them for late copies."""
    for direction in (TO_BOARD, TO_HOST):
        growing.trouble(direction, line.LOSE, 5 * MINUTE_MS)
    growing.pass_ms(8 * MINUTE_MS)
    growing.kill(records_lost=40)
    growing.pass_ms(20 * SECOND_MS)
    assert growing.host.decider.state.line.state == "settled"


@pytest.mark.parametrize("rows", range(6))
def test_a_disk_that_fills_up_again_as_it_is_told_leaves_no_alarm_behind(growing, rows):
    growing.calm_ms = SECOND_MS
    growing.disk.is_full = True
    growing.step_clock(2 * SECOND_MS)
    growing.pass_ms(5 * SECOND_MS)
    assert growing.host.decider.state.records_failed
    growing.disk.is_full, growing.disk.refuses_after = False, rows
    growing.pass_ms(2 * MINUTE_MS)
    growing.disk.free()
    growing.pass_ms(2 * MINUTE_MS)
    assert "records_failed" not in growing.judge.ledger.alarms


class Still:
    """A chamber in which nothing happens but time."""

    ms = 0

    def now(self):
        return ClockReading(examples.START_UTC_MS + self.ms, self.ms, True)

    def received(self):
        return []

    def _nothing(self, *_):
        return None

    send = set_lamp = set_status_lamp = _nothing


def test_a_request_that_met_a_full_disk_is_answered_when_there_is_room_again(tmp_path, monkeypatch):
    settings, still = plans.settings_of(plans.WETTING), Still()
    journal = Journal.create(tmp_path / "journal.sqlite", "run-1", settings, "0", simulated=True)
    live = LiveRun(settings, still, journal)
    live.decider.handle(m.Started(live.decider.moment(), "0"))
    wish = m.Request(live.decider.moment(), 0, m.SIGN_STEP, "LK", subject=plans.GATE.name)
    number = journal.ask(wish)
    with monkeypatch.context() as full:
        full.setattr(journal, "append", _refused)
        live._take_requests()
    assert live.decider.state.records_failed
    still.ms += 61 * SECOND_MS
    live.decider.tick()
    live._take_requests()
    assert journal.answer_to(number).granted
    journal.close()


def _refused(*records):
    raise JournalError("the disk is full")


@pytest.mark.parametrize("place", range(4, 16))
def test_a_disk_that_fills_up_in_the_middle_of_a_decision_leaves_memory_and_rows_alike(place):
    """The decision was undone as a whole, though its first records stood on the disk."""
    cut = next(each for each in water_boundaries.CUTS if each.name == "the disk refuses a record")
    for happening in (water_boundaries.a_rival, water_boundaries.an_older_copy):
        assert water_boundaries.cut_life(plans.MOISTURE, happening, cut, place) == ""


@pytest.mark.parametrize("actions", range(14))
def test_a_kill_while_found_water_is_written_down_loses_none_of_it(growing, actions):
    """Two doses are lacking; the row of the found water was taken for an open dose, and only the last one was told."""
    rows = len(growing.disk.written)
    to_a_dose(growing, 15 * SECOND_MS)
    to_a_dose(growing, 15 * SECOND_MS)
    growing.kill(SECOND_MS, len(growing.disk.written) - rows)
    growing.pass_until(growing.now_ms + SECOND_MS, lambda: growing.host is not None)
    growing.kill_at_action(actions)
    growing.pass_ms(30 * SECOND_MS)
    assert standing(growing) == [m.JOURNAL_BEHIND]
    end.ends_well(growing)


@pytest.mark.parametrize("who", ["our own late greeting", "a second controller"])
def test_another_board_whose_conversation_has_the_same_number_is_noticed(who):
    """Both boards count from one; only the answer to a greeting says which of them speaks."""
    world = World(plans.WETTING)
    world.calm_ms = SECOND_MS
    world.pass_ms(20 * SECOND_MS)
    session, hello = world.board.program.session, world.to_board.said[0]
    world.exchange_board("fresh")
    if who == "a second controller":
        world.rival = Rival(world, 31_000, [], 100, takes_accounts=False)
        world.rival.greet()
    else:
        world.to_board.insert(world.now_ms, hello)
    world.pass_ms(10)
    assert hello.startswith(b"hello")
    assert session <= world.board.program.session
    world.pass_ms(5 * MINUTE_MS)
    assert m.BOARD_EXCHANGED in standing(world)
    world.close()


def test_a_dose_of_an_earlier_life_is_stopped_as_soon_as_the_board_is_heard(growing):
    """It turned on until the next second of the loop, even when the program was asked to end meanwhile."""
    to_a_dose(growing)
    assert growing.board.dose_in_hand
    growing.kill(50)
    growing.pass_ms(150)
    assert growing.host is not None
    assert not growing.board.dose_in_hand


def test_a_dose_in_doubt_is_not_corrected_by_another_boards_dose_of_the_same_number():
    """It was counted in full, and a dose of one step for another journal took its place."""
    world = World(plans.WETTING)
    world.pass_ms(10 * SECOND_MS)
    world.ask(m.SIGN_STEP, plans.GATE.name)
    to_a_dose(world, 60)
    world.exchange_board("fresh")
    world.rival = Rival(world, 31_000, [300], 100, takes_accounts=False)
    world.rival.greet()
    world.pass_ms(MINUTE_MS)
    assert {m.BOARD_EXCHANGED, m.SECOND_CONTROLLER} <= set(standing(world))
    counted = world.judge.ledger.counted_steps(1)
    assert counted == 600
    for reason in standing(world):
        world.ask(m.CLEAR_TRIP, reason)
        world.pass_ms(MINUTE_MS)
    assert world.judge.ledger.counted_steps(1) == counted
    world.close()
