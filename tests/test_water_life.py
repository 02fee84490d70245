"""The water law over a faulty world: some hundred short lives, and each fault that such lives have found, by name."""

import pytest

from controller.control import model as m
from tests.water import end, plans
from tests.water.world import HOUR_MS, MINUTE_MS, SECOND_MS, World


@pytest.fixture
def growing():
    """A chamber whose first wetting is over; its water is led by moisture."""
    world = World(plans.MOISTURE)
    world.pass_ms(10 * SECOND_MS)
    yield world
    world.close()


def standing(world):
    return [trip.reason for trip in world.judge.ledger.trips]


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
