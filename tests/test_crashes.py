"""The host killed between two actions: never over the caps, no id twice, the true steps inside the interval."""

import pytest

from tests.campaigns import crashes


def test_a_host_killed_between_two_actions_gives_no_water_twice_and_its_account_holds_the_truth():
    for row in crashes.campaign(0.004):
        assert row.survived == row.tried, f"{row.kind}: {row.worst_case}"


@pytest.mark.campaign
def test_a_kill_at_every_boundary_of_a_day_is_survived():
    for row in crashes.campaign():
        assert row.survived == row.tried, f"{row.kind}: {row.worst_case}"
