"""A few kills of controller and board; ``python -m tests.campaigns --only kills`` has hundreds."""

import pytest

from tests.campaigns import kills


@pytest.mark.guards("H3", "host", "6504f7a9")
@pytest.mark.guards("H8", "host", "ee284e71")
@pytest.mark.guards("H8", "board", "ee284e71")
def test_after_kills_at_random_moments_every_pulse_is_in_the_account():
    (row,) = kills.campaign(scale=0.01)

    assert row.survived == row.tried == 6, row.worst_case
