"""Faults of sensors at random moments: no more water, no water on a bad reading, the run goes on and tells it."""

import pytest

from tests.campaigns import sensors
from tests.campaigns.sensors import expected_qualities

pytestmark = pytest.mark.guards("H6", "host", "ca1270a6")


@pytest.mark.parametrize("kind", [*sensors.KINDS, None], ids=lambda kind: sensors.HANGS if kind is None else kind.name)
def test_a_fault_of_a_sensor_gives_no_water_too_much_is_told_and_passes(kind):
    row = sensors.tried(kind, 3)

    assert row.survived == row.tried, row.worst_case


def test_the_campaigns_own_rules_of_believing_know_the_examples_of_the_law():
    def told(values, barred=None):
        moments_s = [10.0 * place for place in range(len(values))]
        return expected_qualities(values, moments_s, barred or [False] * len(values), -20, 70, 4.0, 900)

    assert told([20.0, 20.1, None, 80.0, 20.2]) == ["good", "good", "missing", "suspect", "good"]
    assert told([20.0, 30.0, 30.1, 30.2, 30.3, 30.4])[-2:] == ["suspect", "good"]
    assert told([20.0, 30.0, 40.0, 30.0, 40.0, 30.0])[-1] == "suspect"
    assert told([20.0] * 91)[-2:] == ["good", "suspect"]
    assert told([20.0, 20.1], [False, True]) == ["good", "suspect"]


@pytest.mark.campaign
def test_thousands_of_faults_of_sensors():
    rows = sensors.campaign()

    assert sum(row.tried for row in rows) >= 2_000
    for row in rows:
        assert row.survived == row.tried, f"{row.kind}: {row.worst_case}"
