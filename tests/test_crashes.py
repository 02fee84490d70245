"""Kill the controller anywhere in a day: never more water than the plan, and every record holds the truth."""

import pytest

from tests.campaigns import crashes


@pytest.mark.guards("H1", "host", "830e5870")
@pytest.mark.guards("H3", "host", "6504f7a9")
@pytest.mark.guards("H8", "host", "ee284e71")
@pytest.mark.guards("H8", "board", "ee284e71")
def test_a_controller_killed_between_any_two_actions_gives_nothing_twice_and_the_records_hold_the_truth():
    """A fiftieth of all boundaries, and each of the three fates of the board; ``python -m tests.campaigns`` has all."""
    rows = crashes.campaign(scale=0.02)

    assert [row.survived for row in rows] == [row.tried for row in rows]
    assert all(row.tried >= 7 for row in rows)


def test_a_journal_that_forgot_a_dose_would_be_noticed(tmp_path):
    """A check of the check: a board that turns more than any record says."""
    day = crashes.Day(tmp_path)
    day.live(10 * crashes.HOUR_MS)
    assert day.faults() == []
    day.turned_steps[1] += 1
    assert any("dose 1 turned" in fault for fault in day.faults())
    day.turned_steps[99] = 1
    assert any("is in no record" in fault for fault in day.faults())
