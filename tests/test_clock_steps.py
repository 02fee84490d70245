"""Steps of the wall clock: no dose is repeated or brought forward, the run goes on, every row says what it trusted."""

import time

import pytest

from controller.chamber import computer_clock
from controller.control import model as m
from controller.control.recovery import resume
from controller.control.step import step
from tests import examples
from tests.campaigns import clocks

SECOND_MS, H, DAY = 1000, 3_600_000, 86_400_000
STEPS_MS = [sign * size for size in (SECOND_MS, 3 * SECOND_MS, H, DAY, 366 * DAY, 40 * 366 * DAY) for sign in (-1, 1)]


@pytest.mark.guards("H7", "host", "94bb108c")
@pytest.mark.parametrize("trusted", [True, False])
@pytest.mark.parametrize("difference_ms", STEPS_MS)
def test_a_step_within_a_boot_moves_no_run_clock_and_ends_no_run(difference_ms, trusted):
    state = examples.growing(run_clock_placed=True)
    at = m.Moment(state.now.utc_ms + difference_ms, state.now.monotonic_ms + 1000, 1, trusted)

    after, actions = step(state, m.ClockStepped(at, difference_ms), examples.SETTINGS)

    assert after.run_ms == state.run_ms + 1000
    assert [action.record.difference_ms for action in actions] == [difference_ms]
    assert actions[0].record.at.utc_trusted == trusted


@pytest.mark.guards("H7", "host", "94bb108c")
def test_the_first_trusted_time_of_a_boot_counts_the_time_without_power_once():
    state = examples.growing(run_clock_placed=False)
    at = m.Moment(state.hydrated_utc_ms + state.run_ms + 9 * H, state.now.monotonic_ms, 1, True)

    state, _ = step(state, m.ClockStepped(at, 9 * H), examples.SETTINGS)
    again, _ = step(state, m.ClockStepped(at._replace(utc_ms=at.utc_ms + 9 * H), 9 * H), examples.SETTINGS)

    assert state.run_ms == again.run_ms == examples.growing().run_ms + 9 * H


def test_trusted_time_that_lies_before_the_records_sets_nothing_back():
    state = examples.growing()
    at = state.now._replace(utc_ms=state.hydrated_utc_ms + H)

    after, _ = step(state, m.ClockStepped(at, -H), examples.SETTINGS)

    assert after.run_ms == state.run_ms


def test_a_monotonic_clock_that_began_anew_silences_neither_the_greeting_nor_the_stop():
    intent = m.DoseIntended(examples.moment(40 * DAY), 1, m.MOISTURE_LED, 12.0, 2400, 200, 0.005, 0.0, 0)
    at = examples.moment(30_000, boot_id=2)
    state = resume(at, [intent], None, examples.SETTINGS)
    state, _ = step(state, m.LinkFound(at), examples.SETTINGS)

    _, actions = step(state, m.Ticked(examples.moment(33_000, boot_id=2)), examples.SETTINGS)

    assert [action.kind for action in actions if isinstance(action, m.SendToBoard)] == ["stop", "hello"]


def test_a_step_of_the_computers_clock_asks_at_once_whether_it_is_still_trusted(monkeypatch):
    trust, wall_ns, monotonic_s = [True], [10**18], [100.0]
    monkeypatch.setattr(computer_clock, "is_disciplined", lambda: trust[0])
    monkeypatch.setattr(time, "time_ns", lambda: wall_ns[0])
    monkeypatch.setattr(time, "monotonic", lambda: monotonic_s[0])
    clock = computer_clock.ComputerClock()
    trust[0] = False
    assert clock.now().utc_trusted  # nothing moved: the kernel is asked every ten seconds

    wall_ns[0] += 3600 * 10**9

    assert not clock.now().utc_trusted


@pytest.mark.guards("H7", "host", "94bb108c")
def test_days_with_a_clock_that_steps_are_as_days_without():
    """Three of 140 cases; ``python -m tests.campaigns --only clocks`` has them all, and weeks without network time."""
    (row,) = clocks.campaign(scale=0.02)

    assert row.survived == row.tried == 3, row.worst_case


def test_a_run_that_differs_would_be_noticed():
    whole = clocks.Ran([0, 1], [10.0, 20.0], 16.0, 0, 0)
    assert clocks.difference(whole, whole) == ""
    for other in (
        whole._replace(slots=[0]),
        whole._replace(doses_h=[10.0, 20.1]),
        whole._replace(light_h=15.0),
        whole._replace(marked_wrongly=1),
        whole._replace(placed_off_ms=2000),
    ):
        assert clocks.difference(other, whole)
