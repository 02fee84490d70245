"""A check of the check: what the shipped law survives, and laws with one guard less, which the judge notices."""

import pytest

from controller.control import acquaintance, dose_life, watering
from firmware_bridge import interlocks
from tests.water import end, line, plans
from tests.water.faults import TO_BOARD, TO_HOST
from tests.water.rows_judge import BrokenError
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


def _tells_half(law, reason):
    law._slots[law._slot] -= law.dose_steps - law.turned_steps
    law.turned_steps //= 2
    law.ended_reason = reason


def to_a_dose(world, then_ms=1_500):
    world.thirst(True)
    world.pass_until(world.now_ms + HOUR_MS, lambda: bool(world.judge.ledger.open_ids))
    world.pass_ms(then_ms)


def a_leak_in_a_dose(world):
    to_a_dose(world)
    world.wet("own leak", 20 * SECOND_MS)
    world.pass_ms(8 * SECOND_MS)


def a_line_that_is_dead_in_a_dose(world):
    to_a_dose(world)
    world.trouble(TO_BOARD, line.LOSE, 40 * MINUTE_MS)
    world.trouble(TO_HOST, line.LOSE, 40 * MINUTE_MS)
    world.pass_ms(30 * MINUTE_MS)


def another_board(world):
    world.exchange_board("fresh")
    world.thirst(True)
    world.pass_ms(20 * MINUTE_MS)


def an_older_copy(world):
    world.kill(records_lost=40)
    world.pass_ms(MINUTE_MS)
    end.ends_well(world)


def a_leak_that_is_cleared_twice(world):
    world.wet("own leak", SECOND_MS)
    world.pass_ms(2 * MINUTE_MS)
    world.clear_trips(times=2)
    world.pass_ms(20 * SECOND_MS)
    assert not standing(world)


def a_day_of_thirst(world):
    world.thirst(True)
    world.pass_ms(6 * HOUR_MS)


def a_full_disk_in_a_dose(world):
    to_a_dose(world)
    world.disk.is_full = True
    world.step_clock(2 * SECOND_MS)  # that is to be written down
    world.pass_ms(20 * SECOND_MS)


HAPPENINGS = (
    a_leak_in_a_dose,
    a_line_that_is_dead_in_a_dose,
    another_board,
    an_older_copy,
    a_leak_that_is_cleared_twice,
    a_day_of_thirst,
    a_full_disk_in_a_dose,
)


@pytest.mark.parametrize("happening", HAPPENINGS)
def test_the_shipped_law_keeps_its_promises_where_a_broken_one_does_not(growing, happening):
    happening(growing)
    end.ends_well(growing)


@pytest.mark.parametrize(
    ("broken", "happening", "place", "name", "instead"),
    [
        ("no stop is said", a_leak_in_a_dose, dose_life, "_stop", lambda state: (state, [])),
        ("a trip stops nothing", a_leak_in_a_dose, dose_life, "host_says_no", lambda state, settings: False),
        (
            "what is in doubt counts nothing", a_line_that_is_dead_in_a_dose, dose_life, "TRANSITIONS",
            {**dose_life.TRANSITIONS, (dose_life.AWAITED, dose_life.OVERDUE): dose_life.NOTHING,
             (dose_life.STOPPING, dose_life.OVERDUE): dose_life.NOTHING},
        ),
        ("a dose never ends", a_line_that_is_dead_in_a_dose, dose_life, "ACCOUNT_MS", 10**9),
        ("any board is ours", another_board, acquaintance, "judge", lambda state, settings: (state, "", [])),
        ("an older copy is not noticed", an_older_copy, acquaintance, "judge", lambda state, settings: (state, "", [])),
        ("there is no rest", a_day_of_thirst, watering, "given_since_ml", lambda given, run_ms: 0.0),
        ("a failed record stops nothing", a_full_disk_in_a_dose, dose_life, "host_says_no", lambda *_: False),
        ("the board has no lease", a_line_that_is_dead_in_a_dose, interlocks.Law, "_judge_lease", lambda *_: None),
        ("the board is deaf to stops", a_leak_in_a_dose, interlocks.Law, "stop", lambda law, dose_id: None),
        ("the board tells too little", a_day_of_thirst, interlocks.Law, "_end_dose", _tells_half),
    ],
)  # fmt: skip
def test_the_judge_notices_a_law_that_is_broken(growing, monkeypatch, broken, happening, place, name, instead):
    monkeypatch.setattr(place, name, instead)
    with pytest.raises(BrokenError):  # noqa: PT012 (either of the two may notice)
        happening(growing)
        end.look(growing)
