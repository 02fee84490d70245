"""A healthy host asks nothing that the board would refuse."""

import pytest

from controller.control import model as m
from controller.control import watering
from tests import examples
from tests.campaigns import courtesy

H = m.MS_PER_H


@pytest.mark.guards("H4", "host", "45f6e251")
def test_in_days_without_faults_the_board_refuses_nothing():
    for row in courtesy.campaign(0.01):
        assert row.tried > 0, row.kind
        assert row.survived == row.tried, f"{row.kind}: {row.worst_case}"


@pytest.mark.campaign
def test_in_months_without_faults_the_board_refuses_nothing():
    for row in courtesy.campaign():
        assert row.survived == row.tried, f"{row.kind}: {row.worst_case}"


@pytest.mark.parametrize(("ago_ms", "reason"), [(25 * H, "chamber_daily_limit"), (25 * H + 60_000, "")])
def test_the_chambers_daily_limit_counts_the_boards_longer_day(ago_ms, reason):
    """The board counts 25 hourly slots (limits.WINDOW_SLOTS): what it still counts, the host still counts."""
    state = examples.growing()
    state = state.but(given_lately=(examples.given(state.run_ms - ago_ms, 300.0, m.FIRST_WETTING),))

    assert watering.may_dose(state, examples.SETTINGS, watering.Wanted(m.MOISTURE_LED, 12.0)) == reason
