"""Long runs with random faults keep caps, ids, records and alarms."""

import pytest

from tests.campaigns import long_runs


def test_some_days_full_of_faults_keep_caps_records_and_alarms():
    for row in long_runs.campaign(0.01):
        assert row.survived == row.tried, f"{row.kind}: {row.worst_case}"


@pytest.mark.campaign
def test_a_year_of_faults_keeps_caps_records_and_alarms():
    for row in long_runs.campaign():
        assert row.survived == row.tried, f"{row.kind}: {row.worst_case}"
