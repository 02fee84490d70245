"""The whole law of the pump, state by state: nothing it can reach breaks a promise about water."""

import pytest

from firmware_bridge import interlocks
from firmware_bridge.interlocks import SAVING, TRANSITIONS, TRIPPED, TURNING, Law
from tests.campaigns import law_walk


@pytest.fixture(scope="module")
def walk():
    walked = law_walk.Walk(window_slots=2)
    walked.run()
    print(f"{walked.states} states, {walked.inputs} inputs")
    return walked


@pytest.mark.guards("H1", "board", "830e5870")
@pytest.mark.guards("H2", "board", "7669e252")
@pytest.mark.guards("H3", "board", "6504f7a9")
def test_no_input_in_any_state_breaks_an_invariant(walk):
    assert walk.broken == []
    assert walk.states > 1000


def test_the_walk_meets_every_move_of_the_table_and_every_reason_to_trip(walk):
    assert {(before, after) for (before, _), after in TRANSITIONS.items()} <= set(walk.moves)
    assert set(walk.trips) == set(interlocks.TRIP_REASONS)


def test_the_limits_are_as_they_were_after_a_walk(walk):
    assert interlocks.limits.WINDOW_SLOTS == 25


@pytest.mark.parametrize(
    ("what", "broken_law"),
    [
        ("a leak is not looked at", {"tick": lambda law, ms, leak, *rest: Law.tick(law, ms, 2000, *rest)}),
        ("the lease never ends", {"_judge_lease": lambda law, elapsed_ms: None}),
        ("an intent need not be saved", {"_may_turn_while": SAVING}),
        (
            "a trip can be cleared while wet",
            {"clear_trip": lambda law, number, reason: _clear_at_once(law, number, reason)},
        ),
        ("the window forgets", {"window_used_steps": lambda law: 0}),
        ("a stop ends whatever turns", {"stop": lambda law, dose_id: Law.stop(law, law.last_dose_id)}),
        (
            "any trip can be cleared",
            {"clear_trip": lambda law, n, reason: Law.clear_trip(law, law.trip_number, reason)},
        ),
    ],
)
def test_the_walk_notices_a_law_that_is_broken(what, broken_law, monkeypatch):
    """A check of the check: one guard less, and the walk says so."""
    if "_may_turn_while" in broken_law:
        monkeypatch.setitem(interlocks.TRANSITIONS, (interlocks.RESTING, interlocks.DOSE_ACCEPTED), TURNING)
    else:
        (name, method), *_ = broken_law.items()
        monkeypatch.setattr(law_walk, "Law", type("Law", (Law,), {name: method}))
    walked = law_walk.Walk(window_slots=2)
    walked.run(to_the_first_fault=True)
    assert walked.broken, what


def _clear_at_once(law, number, reason):
    if law.state != TRIPPED or reason != law.trip_reason or number != law.trip_number:
        return Law.clear_trip(law, number, reason)
    law.trip_reason = None
    law._fire(interlocks.CLEAR_ACCEPTED)
    return interlocks.ACCEPTED
