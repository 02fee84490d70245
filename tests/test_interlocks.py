"""The law of the pump: every move between its states, every limit at, below and above, and what must never happen.

The limits are the project's own (firmware_bridge/limits.py, a reason beside each); that none may be passed is
common practice, no source.
"""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_bridge import interlocks, limits
from firmware_bridge.interlocks import RESTING, SAVING, STATES, TRANSITIONS, TRIPPED, TURNING, Law

DRY = (2000, 2000, 1000)  # counts of leak, overfill float, reservoir float
WET = (limits.WET_BELOW_COUNTS - 1, 2000, 1000)
HOUR_MS = 3600000
NOTHING_USED = [0] * limits.WINDOW_SLOTS
FAULTS = {
    interlocks.LEAK_WET: (limits.WET_BELOW_COUNTS - 1, 2000, 1000),
    interlocks.LEAK_WIRE_OPEN: (limits.OPEN_ABOVE_COUNTS + 1, 2000, 1000),
    interlocks.OVERFILL_FLOAT_UP: (2000, limits.WET_BELOW_COUNTS - 1, 1000),
    interlocks.FLOAT_WIRE_OPEN: (2000, limits.OPEN_ABOVE_COUNTS + 1, 1000),
    interlocks.RESERVOIR_EMPTY: (2000, 2000, limits.OPEN_ABOVE_COUNTS + 1),
}


def tick(law, elapsed_ms=limits.TICK_MS, probes=DRY, rotor_steps=None, made_good_ms=None):
    """One tick; without ``rotor_steps`` the rotor has turned what was ordered in the tick before."""
    if rotor_steps is None:
        rotor_steps = getattr(law, "ordered_before", 0)
    law.ordered_before = law.tick(elapsed_ms, *probes, rotor_steps, made_good_ms)
    return law.ordered_before


def resting(window=NOTHING_USED, last_dose_id=0, slot_ms=0):
    law = Law(last_dose_id, window, None, 0, slot_ms)
    law.greeted = True
    return law


def saving(steps=1000, steps_per_s=100):
    law = resting()
    assert law.accept_dose(1, steps, steps_per_s, False) == interlocks.ACCEPTED
    return law


def turning(steps=1000, steps_per_s=100):
    law = saving(steps, steps_per_s)
    law.intent_saved()
    return law


def tripped(reason=interlocks.LEAK_WET):
    return Law(0, NOTHING_USED, reason)


def clear(law, reason):
    """A person clears the trip that stands, by its number, with this reason."""
    return law.clear_trip(law.trip_number, reason)


IN_STATE = {RESTING: resting, SAVING: saving, TURNING: turning, TRIPPED: tripped}


def finish_dose(law, dose_id):
    """Turn the dose in hand to its end under a lease that is renewed."""
    turned = 0
    while law.state == TURNING:
        law.renew_lease(dose_id, limits.LEASE_MS_MAX)
        turned += tick(law, 100)
    return turned


def test_a_law_begins_with_no_dose_in_hand():
    law = Law(7, NOTHING_USED, None)
    assert (law.state, law.last_dose_id, law.trip_reason, law.ended_reason) == (RESTING, 7, None, None)
    assert law.dose_steps == law.steps_per_s == law.turned_steps == 0
    assert law.run_ms == law.run_limit_ms == law.lease_ms == law.trip_delay_ms == law.dry_ms == 0
    assert law.greeted is False


def test_every_limit_is_the_number_of_its_reason():
    """The reasons in limits.py, worked out for the example pump of 0.005 ml a step: no number changes by a slip."""
    steps_per_ml = 200
    assert {name: getattr(limits, name) for name in limits.NAMES} == {
        "PROTOCOL": 2,
        "TICK_MS": 10,
        "LEASE_MS_MAX": 3 * 1000,
        "DOSE_STEPS_MAX": 60 * steps_per_ml,
        "STEPS_PER_S_MAX": 120 * steps_per_ml // 60,
        "RUN_MS_MAX": 5 * 60 * 1000,
        "MADE_GOOD_MS_MAX": 2 * limits.TICK_MS,
        "SAVING_MS_MAX": 2 * 1000,
        "RUN_MARGIN_MS": 2 * 1000,
        "WINDOW_SLOT_MS": HOUR_MS,
        "WINDOW_SLOTS": 24 + 1,
        "WINDOW_STEPS_MAX": 300 * steps_per_ml,
        "ROTOR_STEPS_TOLERANCE": 40,
        "DRY_MS_MIN": 5 * 1000,
        "COUNT_MAX": 2**12 - 1,
        "WET_BELOW_COUNTS": 1400,
        "OPEN_ABOVE_COUNTS": 3200,
    }


# -- the table of moves -------------------------------------------------------------------------------------------


def to_resting_by_finish(law):
    finish_dose(law, 1)


MOVES = {
    (RESTING, interlocks.DOSE_ACCEPTED): lambda law: law.accept_dose(1, 10, 10, False),
    (SAVING, interlocks.INTENT_SAVED): lambda law: law.intent_saved(),
    (SAVING, interlocks.STOP_COMMANDED): lambda law: law.stop(1),
    (TURNING, interlocks.DOSE_FINISHED): to_resting_by_finish,
    (TURNING, interlocks.STOP_COMMANDED): lambda law: law.stop(1),
    (RESTING, interlocks.TRIP_RAISED): lambda law: tick(law, probes=WET),
    (SAVING, interlocks.TRIP_RAISED): lambda law: tick(law, probes=WET),
    (TURNING, interlocks.TRIP_RAISED): lambda law: tick(law, probes=WET),
    (TRIPPED, interlocks.CLEAR_ACCEPTED): lambda law: (
        tick(law, limits.DRY_MS_MIN),
        clear(law, interlocks.LEAK_WET),
    ),
}


def test_every_move_of_the_table_has_its_cause_here():
    assert set(MOVES) == set(TRANSITIONS)


@pytest.mark.parametrize(("state", "event"), sorted(TRANSITIONS))
def test_every_move_of_the_table_happens_when_its_cause_does(state, event):
    law = IN_STATE[state]()
    assert law.state == state
    MOVES[state, event](law)
    assert law.state == TRANSITIONS[state, event]


@pytest.mark.parametrize(
    ("state", "event"),
    sorted({(state, event) for state in STATES for event in interlocks.EVENTS} - set(TRANSITIONS)),
)
def test_a_move_that_is_not_in_the_table_cannot_be_made(state, event):
    law = IN_STATE[state]()
    with pytest.raises(KeyError):
        law._fire(event)
    assert law.state == state


@pytest.mark.parametrize("state", STATES)
def test_commands_that_have_no_move_in_a_state_leave_it_as_it_is(state):
    law = IN_STATE[state]()
    commands = {
        interlocks.DOSE_ACCEPTED: lambda: law.accept_dose(2, 10, 10, False),
        interlocks.INTENT_SAVED: law.intent_saved,
        interlocks.STOP_COMMANDED: lambda: law.stop(law.last_dose_id),
        interlocks.CLEAR_ACCEPTED: lambda: clear(law, law.trip_reason),
    }
    for event, command in commands.items():
        if (state, event) not in TRANSITIONS:
            command()
            assert law.state == state


def test_a_trip_leads_out_of_every_state_but_its_own_and_only_a_person_leads_back():
    assert {state for state, event in TRANSITIONS if event == interlocks.TRIP_RAISED} == set(STATES) - {TRIPPED}
    assert [event for state, event in TRANSITIONS if state == TRIPPED] == [interlocks.CLEAR_ACCEPTED]


def test_the_only_way_to_turn_is_a_dose_whose_intent_was_saved():
    assert [(state, event) for (state, event), to in TRANSITIONS.items() if to == TURNING] == [
        (SAVING, interlocks.INTENT_SAVED)
    ]


# -- probes -------------------------------------------------------------------------------------------------------

WETTEST, OPENEST = limits.WET_BELOW_COUNTS, limits.OPEN_ABOVE_COUNTS


@pytest.mark.guards("H2", "board", "7669e252")
@pytest.mark.guards("H6", "board", "ca1270a6")
@pytest.mark.parametrize(
    ("counts", "leak", "overfill", "reservoir"),
    [
        (-1, interlocks.LEAK_WIRE_OPEN, interlocks.FLOAT_WIRE_OPEN, interlocks.RESERVOIR_EMPTY),
        (0, interlocks.LEAK_WET, interlocks.OVERFILL_FLOAT_UP, None),
        (WETTEST - 1, interlocks.LEAK_WET, interlocks.OVERFILL_FLOAT_UP, None),
        (WETTEST, None, None, None),
        (WETTEST + 1, None, None, None),
        (OPENEST - 1, None, None, None),
        (OPENEST, None, None, None),
        (OPENEST + 1, interlocks.LEAK_WIRE_OPEN, interlocks.FLOAT_WIRE_OPEN, interlocks.RESERVOIR_EMPTY),
        (limits.COUNT_MAX, interlocks.LEAK_WIRE_OPEN, interlocks.FLOAT_WIRE_OPEN, interlocks.RESERVOIR_EMPTY),
        (65535, interlocks.LEAK_WIRE_OPEN, interlocks.FLOAT_WIRE_OPEN, interlocks.RESERVOIR_EMPTY),
    ],
)
def test_each_probe_is_wet_dry_or_broken_by_its_counts(counts, leak, overfill, reservoir):
    assert interlocks.probe_fault(counts, 2000, 1000) == leak
    assert interlocks.probe_fault(2000, counts, 1000) == overfill
    assert interlocks.probe_fault(2000, 2000, counts) == reservoir


@pytest.mark.guards("H1", "board", "830e5870")
@pytest.mark.guards("H2", "board", "7669e252")
@pytest.mark.parametrize("reason", sorted(FAULTS))
@pytest.mark.parametrize("state", [RESTING, SAVING, TURNING])
def test_a_probe_trips_within_the_one_tick_that_sees_it(state, reason):
    law = IN_STATE[state]()
    assert tick(law, 50, probes=FAULTS[reason]) == 0
    assert (law.state, law.trip_reason) == (TRIPPED, reason)
    assert law.trip_delay_ms == (50 if state == TURNING else 0)
    assert law.ended_reason == (None if state == RESTING else reason)
    assert tick(law) == 0


@pytest.mark.parametrize("first", sorted(FAULTS))
@pytest.mark.parametrize("second", sorted(FAULTS))
def test_the_first_reason_is_kept(first, second):
    law = turning()
    tick(law, 50, probes=FAULTS[first])
    tick(law, 70, probes=FAULTS[second])
    tick(law, 70, rotor_steps=10000)
    assert (law.trip_reason, law.trip_delay_ms) == (first, 50)


def test_of_probes_that_fail_together_the_leak_is_named():
    law = resting()
    tick(law, probes=(0, 0, limits.COUNT_MAX))
    assert law.trip_reason == interlocks.LEAK_WET


# -- judging a dose -----------------------------------------------------------------------------------------------

RUN_ROOM_MS = limits.RUN_MS_MAX - limits.RUN_MARGIN_MS


@pytest.mark.guards("H1", "board", "830e5870")
@pytest.mark.parametrize(
    ("steps", "steps_per_s", "answer"),
    [
        (0, 100, interlocks.STEPS_OUT_OF_BOUNDS),
        (1, 100, interlocks.ACCEPTED),
        (limits.DOSE_STEPS_MAX, 100, interlocks.ACCEPTED),
        (limits.DOSE_STEPS_MAX + 1, 100, interlocks.STEPS_OUT_OF_BOUNDS),
        (100, 0, interlocks.RATE_OUT_OF_BOUNDS),
        (100, 1, interlocks.ACCEPTED),
        (100, limits.STEPS_PER_S_MAX, interlocks.ACCEPTED),
        (100, limits.STEPS_PER_S_MAX + 1, interlocks.RATE_OUT_OF_BOUNDS),
        (RUN_ROOM_MS // 1000 - 1, 1, interlocks.ACCEPTED),
        (RUN_ROOM_MS // 1000, 1, interlocks.ACCEPTED),
        (RUN_ROOM_MS // 1000 + 1, 1, interlocks.RUN_OUT_OF_BOUNDS),
    ],
)
def test_a_dose_is_judged_by_its_steps_its_rate_and_its_run_time(steps, steps_per_s, answer):
    law = resting()
    assert law.accept_dose(1, steps, steps_per_s, False) == answer
    assert law.state == (SAVING if answer == interlocks.ACCEPTED else RESTING)
    assert law.window_used_steps() == (steps if answer == interlocks.ACCEPTED else 0)
    assert law.last_dose_id == (1 if answer == interlocks.ACCEPTED else 0)


@pytest.mark.guards("H1", "board", "830e5870")
@pytest.mark.parametrize(
    ("dose_id", "answer"), [(6, interlocks.ID_NOT_NEW), (7, interlocks.ID_NOT_NEW), (8, interlocks.ACCEPTED)]
)
def test_an_id_is_accepted_only_above_the_last_one(dose_id, answer):
    assert resting(last_dose_id=7).accept_dose(dose_id, 10, 10, False) == answer


def test_a_refused_id_may_come_again_and_an_accepted_one_may_not():
    law = resting()
    assert law.accept_dose(1, 0, 10, False) == interlocks.STEPS_OUT_OF_BOUNDS
    assert law.accept_dose(1, 10, 10, False) == interlocks.ACCEPTED
    law.stop(1)
    assert law.accept_dose(1, 10, 10, False) == interlocks.ID_NOT_NEW


@pytest.mark.guards("H4", "board", "45f6e251")
@pytest.mark.guards("H11", "board", "462b298a")
def test_a_dose_is_refused_before_a_greeting_in_another_dose_after_an_unseen_one_and_in_a_trip():
    law = resting()
    law.greeted = False
    assert law.accept_dose(9, 10, 10, False) == interlocks.NOT_GREETED
    for busy in (saving(), turning()):
        assert busy.accept_dose(9, 10, 10, False) == interlocks.IS_BUSY
    assert resting().accept_dose(9, 10, 10, True) == interlocks.DONE_NOT_SEEN
    law = tripped()
    law.greeted = True
    assert law.accept_dose(9, 10, 10, False) == interlocks.IS_TRIPPED


# -- turning ------------------------------------------------------------------------------------------------------


@pytest.mark.guards("H3", "board", "6504f7a9")
def test_nothing_turns_before_the_intent_is_saved():
    law = saving(1000, 400)
    assert [tick(law, 100) for _ in range(10)] == [0] * 10
    law.intent_saved()
    assert tick(law, 100) == 40


@pytest.mark.guards("H3", "board", "6504f7a9")
@pytest.mark.parametrize("steps_per_s", [1, 3, 7, 100, 333, limits.STEPS_PER_S_MAX])
def test_a_dose_turns_exactly_its_steps_at_its_rate(steps_per_s):
    steps = min(2000, 40 * steps_per_s)
    law = turning(steps, steps_per_s)
    turned, run_ms = 0, 0
    while law.state == TURNING:
        law.renew_lease(1, limits.LEASE_MS_MAX)
        turned += tick(law)
        run_ms += limits.TICK_MS
        assert turned == min(steps, run_ms * steps_per_s // 1000)
    assert (law.turned_steps, law.ended_reason, law.state) == (steps, interlocks.COMPLETE, RESTING)
    assert run_ms == -(-steps * 1000 // (steps_per_s * limits.TICK_MS)) * limits.TICK_MS


def test_a_stop_ends_a_dose_where_it_is():
    law = turning(1000, 100)
    assert tick(law, 1000) == 100
    law.stop(1)
    assert (law.state, law.ended_reason, law.turned_steps) == (RESTING, interlocks.STOPPED, 100)
    assert tick(law, 1000) == 0


@pytest.mark.parametrize("make", [saving, turning])
@pytest.mark.parametrize("dose_id", [0, 2, 10**9])
def test_a_stop_of_another_dose_ends_nothing(make, dose_id):
    law = make()
    state = law.state
    law.stop(dose_id)
    assert (law.state, law.ended_reason) == (state, None)
    law.stop(1)
    assert (law.state, law.ended_reason) == (RESTING, interlocks.STOPPED)


def test_a_part_of_a_step_is_not_carried_into_the_next_dose():
    law = turning(100, 3)
    assert tick(law, 600) == 1  # and eight tenths
    law.stop(1)
    law.accept_dose(2, 100, 3, False)
    law.intent_saved()
    assert tick(law, 333) == 0
    assert tick(law, 1) == 1


def test_a_late_tick_makes_good_no_more_than_it_is_told_to():
    law = turning(1000, 100)
    assert tick(law, 500, made_good_ms=20) == 2
    assert tick(law, 10, made_good_ms=20) == 1, "and never more than the time that passed"
    assert law.run_ms == 510, "the run limit counts what passed"


@pytest.mark.guards("H3", "board", "6504f7a9")
@pytest.mark.parametrize(
    ("stall_ms", "state"), [(1999, TURNING), (2000, TURNING), (2001, TRIPPED)], ids=["below", "at", "above"]
)
def test_a_run_may_last_its_planned_time_and_the_margin(stall_ms, state):
    """500 steps at 100 a second: 5 s and the margin of 2 s."""
    assert limits.RUN_MARGIN_MS == 2000
    law = turning(500, 100)
    for _ in range(499):
        law.renew_lease(1, limits.LEASE_MS_MAX)
        assert tick(law) == 1
    law.renew_lease(1, limits.LEASE_MS_MAX)
    ordered = tick(law, 10 + stall_ms, made_good_ms=9)  # one step short of the whole for ever
    assert ordered == 0
    assert law.state == state
    assert law.trip_reason == (interlocks.RUN_TOO_LONG if state == TRIPPED else None)
    assert law.turned_steps == 499


# -- lease --------------------------------------------------------------------------------------------------------


@pytest.mark.guards("H3", "board", "6504f7a9")
@pytest.mark.parametrize("lease_ms", [limits.LEASE_MS_MAX, 1000, 7, 1])
def test_time_up_to_the_end_of_the_lease_turns_and_time_beyond_trips(lease_ms):
    for elapsed_ms, state in ((lease_ms - 1, TURNING), (lease_ms, TURNING), (lease_ms + 1, TRIPPED)):
        law = turning(1000, 100)
        law.renew_lease(1, lease_ms)
        ordered = tick(law, elapsed_ms)
        assert law.state == state
        assert ordered == (elapsed_ms // 10 if state == TURNING else 0)
        assert law.trip_reason == (interlocks.LEASE_LOST if state == TRIPPED else None)
        assert law.trip_delay_ms == (1 if state == TRIPPED else 0)
        if elapsed_ms == lease_ms:
            assert tick(law, 0) == 0
            assert law.state == TURNING, "no time has passed"
            assert tick(law, 1) == 0
            assert law.trip_reason == interlocks.LEASE_LOST


def test_an_accepted_dose_begins_with_the_longest_lease_and_loses_it_while_it_waits():
    law = saving()
    assert law.lease_ms == limits.LEASE_MS_MAX
    law.renew_lease(law.last_dose_id, 500)
    tick(law, 500)
    assert law.state == SAVING
    tick(law, 1)
    assert (law.state, law.trip_reason, law.turned_steps) == (TRIPPED, interlocks.LEASE_LOST, 0)
    assert law.trip_delay_ms == 0, "nothing turned"


def test_a_dose_whose_intent_is_not_saved_in_time_trips_however_often_its_lease_is_renewed():
    law = saving()
    for _ in range(limits.SAVING_MS_MAX // 10):
        tick(law, 10)
        law.renew_lease(law.last_dose_id, limits.LEASE_MS_MAX)
    assert law.state == SAVING
    tick(law, 10)
    assert (law.state, law.trip_reason, law.turned_steps) == (TRIPPED, interlocks.MEMORY_FAILS, 0)


def test_the_time_of_saving_is_no_part_of_the_time_of_turning():
    law = saving()
    tick(law, limits.SAVING_MS_MAX)
    law.intent_saved()
    assert law.run_ms == 0


def test_a_lease_is_never_longer_than_the_limit():
    law = turning()
    for asked_ms, granted_ms in (
        (limits.LEASE_MS_MAX - 1, limits.LEASE_MS_MAX - 1),
        (limits.LEASE_MS_MAX, limits.LEASE_MS_MAX),
        (limits.LEASE_MS_MAX + 1, limits.LEASE_MS_MAX),
        (10**12, limits.LEASE_MS_MAX),
    ):
        law.renew_lease(1, asked_ms)
        assert law.lease_ms == granted_ms


@pytest.mark.parametrize(("dose_id", "lease_ms"), [(0, 3000), (2, 3000), (1, 0), (1, -5)])
def test_a_renewal_of_another_dose_or_of_nothing_has_no_effect(dose_id, lease_ms):
    law = turning()
    tick(law, 100)
    law.renew_lease(dose_id, lease_ms)
    assert law.lease_ms == limits.LEASE_MS_MAX - 100


def test_a_renewal_without_a_dose_has_no_effect():
    for law in (resting(), tripped()):
        law.renew_lease(0, 3000)
        assert law.lease_ms == 0
    law = turning()
    tick(law, 100)
    law.stop(1)
    law.renew_lease(1, 3000)
    assert law.lease_ms == limits.LEASE_MS_MAX - 100


# -- rotor --------------------------------------------------------------------------------------------------------

TOLERANCE = limits.ROTOR_STEPS_TOLERANCE


@pytest.mark.guards("H3", "board", "6504f7a9")
@pytest.mark.parametrize(
    ("surplus", "state"), [(TOLERANCE - 1, TURNING), (TOLERANCE, TURNING), (TOLERANCE + 1, TRIPPED)]
)
def test_more_turned_than_ordered_is_an_over_dose(surplus, state):
    law = turning(1000, 100)
    ordered = tick(law, 100)
    tick(law, 100, rotor_steps=ordered + surplus)
    assert law.state == state
    assert law.trip_reason == (interlocks.OVER_DOSE if state == TRIPPED else None)


def test_a_surplus_adds_up_over_a_dose():
    law = turning(1000, 100)
    ordered = tick(law, 100)
    for _ in range(TOLERANCE):
        ordered = tick(law, 10, rotor_steps=ordered + 1)
    assert law.state == TURNING
    tick(law, 10, rotor_steps=ordered + 1)
    assert law.trip_reason == interlocks.OVER_DOSE


@pytest.mark.guards("H3", "board", "6504f7a9")
@pytest.mark.parametrize("make", [resting, saving])
@pytest.mark.parametrize("portions", [1, TOLERANCE])
def test_a_motor_that_moves_unordered_trips(make, portions):
    law = make()
    for _ in range(portions):
        tick(law, 10, rotor_steps=TOLERANCE // portions)
    assert law.state != TRIPPED
    assert tick(law, 10, rotor_steps=1) == 0
    assert law.trip_reason == interlocks.MOVED_WHILE_STOPPED


def test_what_the_last_tick_ordered_may_be_counted_after_the_dose_and_even_in_the_next_one():
    law = turning(100, 100)
    assert tick(law, 1000) == 100
    assert law.state == RESTING
    assert law.accept_dose(2, 100, 100, False) == interlocks.ACCEPTED
    law.intent_saved()
    assert tick(law, 500, rotor_steps=100) == 50
    assert law.state == TURNING


def test_a_tolerated_surplus_is_forgiven_with_the_next_dose():
    law = resting()
    tick(law, 10, rotor_steps=TOLERANCE)
    law.accept_dose(1, 100, 100, False)
    tick(law, 10, rotor_steps=TOLERANCE)
    assert law.state == SAVING
    tick(law, 10, rotor_steps=1)
    assert law.trip_reason == interlocks.MOVED_WHILE_STOPPED


def test_a_dead_rotor_sensor_gives_no_credit_to_a_runaway():
    law = turning(1000, 100)
    while law.state == TURNING:
        law.renew_lease(1, limits.LEASE_MS_MAX)
        tick(law, 100, rotor_steps=0)
    assert law.turned_steps == 1000
    tick(law, 10, rotor_steps=0)
    tick(law, 10, rotor_steps=TOLERANCE)
    assert law.state == RESTING
    tick(law, 10, rotor_steps=1)
    assert law.trip_reason == interlocks.MOVED_WHILE_STOPPED


def test_a_sensor_that_comes_alive_in_mid_dose_covers_no_more_than_its_tolerance():
    law = turning(1000, 100)
    for _ in range(20):
        tick(law, 100, rotor_steps=0)
    ordered = law.ordered_before
    tick(law, 10, rotor_steps=ordered + 2 * TOLERANCE)
    assert law.state == TURNING
    tick(law, 10, rotor_steps=law.ordered_before + 1)
    assert law.trip_reason == interlocks.OVER_DOSE


# -- the rolling day ----------------------------------------------------------------------------------------------


def use_up(law, steps):
    dose_id = law.last_dose_id
    while steps:
        dose_id += 1
        part = min(steps, limits.DOSE_STEPS_MAX)
        assert law.accept_dose(dose_id, part, limits.STEPS_PER_S_MAX, False) == interlocks.ACCEPTED
        law.intent_saved()
        steps -= finish_dose(law, dose_id)


@pytest.mark.guards("H1", "board", "830e5870")
def test_the_day_s_steps_are_given_to_the_last_one_and_not_one_more():
    law = resting()
    use_up(law, limits.WINDOW_STEPS_MAX - 1)
    assert law.accept_dose(100, 2, 100, False) == interlocks.WINDOW_FULL
    assert law.accept_dose(101, 1, 100, False) == interlocks.ACCEPTED
    law.intent_saved()
    finish_dose(law, 101)
    assert law.window_used_steps() == limits.WINDOW_STEPS_MAX
    assert law.accept_dose(102, 1, 100, False) == interlocks.WINDOW_FULL


@pytest.mark.guards("H1", "board", "830e5870")
@pytest.mark.parametrize("minutes_into_hour", [0, 30, 59])
def test_water_leaves_the_window_after_24_h_at_the_earliest_and_25_h_at_the_latest(minutes_into_hour):
    law = resting()
    tick(law, minutes_into_hour * 60000)
    law.accept_dose(1, 100, 400, False)
    law.intent_saved()
    finish_dose(law, 1)
    tick(law, 24 * HOUR_MS - 1)
    assert law.window_used_steps() == 100
    tick(law, HOUR_MS + 1)
    assert law.window_used_steps() == 0


def test_many_small_ticks_and_one_long_one_age_the_window_alike():
    small, long = resting(window=list(range(25))), resting(window=list(range(25)))
    for _ in range(5 * 60):
        tick(small, 60000)
    tick(long, 5 * HOUR_MS)
    assert small.window_slots_steps() == long.window_slots_steps() == [*range(5, 25), 0, 0, 0, 0, 0]
    tick(long, 1000 * HOUR_MS)
    assert long.window_used_steps() == 0


def test_steps_that_were_reserved_and_not_turned_are_given_back():
    law = turning(1000, 100)
    assert law.window_used_steps() == 1000
    tick(law, 1000)
    law.stop(1)
    assert law.window_used_steps() == 100
    for end in (lambda law: tick(law, 10, probes=WET), lambda law: tick(law, limits.LEASE_MS_MAX + 1)):
        law = turning(1000, 100)
        tick(law, 1000)
        end(law)
        assert (law.state, law.window_used_steps()) == (TRIPPED, 100)


def test_a_reservation_moves_on_with_the_hour_and_what_was_turned_stays():
    law = resting()
    tick(law, HOUR_MS - 1000)
    law.accept_dose(1, 500, 100, False)
    law.intent_saved()
    assert tick(law, 990) == 99
    assert law.window_slots_steps()[-1] == 500
    assert tick(law, 20) == 2
    assert law.window_slots_steps()[-2:] == [99, 401]
    finish_dose(law, 1)
    assert law.window_slots_steps()[-2:] == [99, 401]
    assert law.window_used_steps() == 500


def test_the_window_asks_to_be_saved_when_an_hour_with_steps_ends_and_only_then():
    law = resting()
    assert law.window_moved is False
    tick(law, HOUR_MS)
    assert not law.window_moved, "nothing to keep"
    for window in ([0] * 24 + [1], [1] + [0] * 24):
        law = resting(window)
        tick(law, HOUR_MS - 1)
        assert not law.window_moved
        tick(law, 1)
        assert law.window_moved
        assert law.window_slots_steps() == [*window[1:], 0]


@pytest.mark.parametrize(("slot_ms", "left_ms"), [(0, HOUR_MS), (1, HOUR_MS - 1), (HOUR_MS - 1, 1)])
def test_the_hour_in_hand_goes_on_after_a_restart_from_where_it_was_saved(slot_ms, left_ms):
    law = resting([0] * 24 + [5], slot_ms=slot_ms)
    tick(law, left_ms - 1)
    assert law.window_slots_steps()[-1] == 5
    tick(law, 1)
    assert law.window_slots_steps()[-2:] == [5, 0]


def test_hours_that_were_saved_go_on_ageing_after_a_restart():
    """Twenty nights without power do not add up: each day's water ages by the hours that the board was on."""
    window, slot_ms = NOTHING_USED, 0
    for day in range(20):
        law = resting(window, last_dose_id=100 * day, slot_ms=slot_ms)
        use_up(law, 12000)  # a day's watering
        tick(law, 12 * HOUR_MS)
        window, slot_ms = law.window_slots_steps(), law.slot_ms
        assert 12000 <= law.window_used_steps() <= 3 * 12000


# -- clearing -----------------------------------------------------------------------------------------------------


@pytest.mark.guards("H2", "board", "7669e252")
@pytest.mark.parametrize(
    ("dry_ms", "answer"),
    [
        (limits.DRY_MS_MIN - 1, interlocks.NOT_DRY),
        (limits.DRY_MS_MIN, interlocks.ACCEPTED),
        (limits.DRY_MS_MIN + 1, interlocks.ACCEPTED),
    ],
)
def test_a_trip_is_cleared_only_after_the_dry_time(dry_ms, answer):
    law = turning()
    tick(law, 10, probes=WET)
    tick(law, dry_ms)
    assert clear(law, interlocks.LEAK_WET) == answer
    assert law.state == (RESTING if answer == interlocks.ACCEPTED else TRIPPED)


@pytest.mark.parametrize("reason", sorted(FAULTS))
def test_any_probe_fault_begins_the_dry_time_anew(reason):
    law = tripped()
    tick(law, limits.DRY_MS_MIN)
    tick(law, 10, probes=FAULTS[reason])
    assert clear(law, interlocks.LEAK_WET) == interlocks.NOT_DRY
    tick(law, limits.DRY_MS_MIN - 1)
    assert clear(law, interlocks.LEAK_WET) == interlocks.NOT_DRY
    tick(law, 1)
    assert clear(law, interlocks.LEAK_WET) == interlocks.ACCEPTED


@pytest.mark.guards("H2", "board", "7669e252")
@pytest.mark.parametrize("latched", interlocks.TRIP_REASONS)
def test_only_the_latched_reason_clears(latched):
    law = tripped(latched)
    assert law.trip_delay_ms == 0, "what was before the restart is not known any more"
    tick(law, limits.DRY_MS_MIN)
    for reason in (*interlocks.TRIP_REASONS, None, "anything"):
        if reason != latched:
            assert clear(law, reason) == interlocks.OTHER_REASON
    assert clear(law, latched) == interlocks.ACCEPTED
    assert (law.state, law.trip_reason, law.trip_delay_ms) == (RESTING, None, 0)
    assert clear(law, latched) == interlocks.NOT_TRIPPED


@pytest.mark.guards("H2", "board", "7669e252")
def test_only_the_trip_of_this_number_clears_though_the_reason_is_the_same():
    """Whoever saw the first leak has not seen the second."""
    law = resting()
    for number in (1, 2, 3):
        tick(law, 10, probes=WET)
        tick(law, limits.DRY_MS_MIN)
        assert law.trip_number == number
        for other in (number - 1, number + 1, 0, 10**9):
            assert law.clear_trip(other, interlocks.LEAK_WET) == interlocks.OTHER_REASON
        assert law.state == TRIPPED
        assert law.clear_trip(number, interlocks.LEAK_WET) == interlocks.ACCEPTED
        assert law.trip_number == number, "a clear is no trip"


def test_a_trip_that_outlives_a_restart_keeps_its_number_and_the_next_one_has_the_next():
    law = Law(0, NOTHING_USED, interlocks.LEAK_WET, 8)
    tick(law, 10, probes=WET)
    assert (law.trip_reason, law.trip_number) == (interlocks.LEAK_WET, 8), "it is the same trip"
    tick(law, limits.DRY_MS_MIN)
    assert law.clear_trip(8, interlocks.LEAK_WET) == interlocks.ACCEPTED
    tick(law, 10, probes=FAULTS[interlocks.RESERVOIR_EMPTY])
    assert (law.trip_reason, law.trip_number) == (interlocks.RESERVOIR_EMPTY, 9)


def test_a_surplus_that_tripped_is_forgiven_with_the_clear():
    law = resting()
    tick(law, 10, rotor_steps=TOLERANCE + 1)
    tick(law, limits.DRY_MS_MIN, rotor_steps=TOLERANCE)
    assert clear(law, interlocks.MOVED_WHILE_STOPPED) == interlocks.ACCEPTED
    tick(law, 10, rotor_steps=TOLERANCE)
    assert law.state == RESTING
    tick(law, 10, rotor_steps=1)
    assert law.trip_reason == interlocks.MOVED_WHILE_STOPPED


def test_clearing_needs_a_dry_time_after_power_on_too():
    law = tripped(interlocks.STATE_LOST)
    tick(law, limits.DRY_MS_MIN - 1)
    assert clear(law, interlocks.STATE_LOST) == interlocks.NOT_DRY
    tick(law, 1)
    assert clear(law, interlocks.STATE_LOST) == interlocks.ACCEPTED


def test_a_cleared_trip_lets_the_next_dose_turn_with_a_new_id_only():
    law = turning()
    tick(law, 10, probes=WET)
    assert law.trip_delay_ms == 10
    tick(law, limits.DRY_MS_MIN)
    clear(law, interlocks.LEAK_WET)
    assert law.trip_delay_ms == 0
    law.greeted = True
    assert law.accept_dose(1, 100, 100, False) == interlocks.ID_NOT_NEW
    assert law.accept_dose(2, 100, 100, False) == interlocks.ACCEPTED
    assert law.ended_reason is None
    law.intent_saved()
    assert finish_dose(law, 2) == 100


# -- what a trip and a dose say of themselves, to the number ------------------------------------------------------


def test_a_surplus_and_a_stall_say_how_long_the_motor_may_have_turned():
    law = turning(1000, 100)
    ordered = tick(law, 100)
    tick(law, 70, rotor_steps=ordered + TOLERANCE + 1)
    assert (law.trip_reason, law.trip_delay_ms) == (interlocks.OVER_DOSE, 70)
    law = resting()
    tick(law, 60, rotor_steps=TOLERANCE + 1)
    assert (law.trip_reason, law.trip_delay_ms) == (interlocks.MOVED_WHILE_STOPPED, 60)
    law = turning(1, 100)
    tick(law, limits.RUN_MARGIN_MS + 11, made_good_ms=0)
    assert (law.trip_reason, law.trip_delay_ms) == (interlocks.RUN_TOO_LONG, limits.RUN_MARGIN_MS + 11)


def test_a_run_limit_is_a_whole_number_of_milliseconds():
    law = saving(10, 3)
    assert law.run_limit_ms == 3333 + limits.RUN_MARGIN_MS
    assert type(law.run_limit_ms) is int


def test_a_dose_that_was_stopped_leaves_nothing_reserved_for_the_next_hour():
    law = turning(1000, 100)
    assert tick(law, 1000) == 100
    law.stop(1)
    tick(law, HOUR_MS)
    assert law.window_slots_steps()[-2:] == [100, 0]
    assert law.window_used_steps() == 100


# -- what must never happen, whatever comes -----------------------------------------------------------------------

COMMANDS = st.one_of(
    st.tuples(
        st.just("dose"),
        st.integers(0, 30),
        st.sampled_from([0, 1, 50, 400, 6000, limits.DOSE_STEPS_MAX, limits.DOSE_STEPS_MAX + 1]),
        st.sampled_from([0, 1, 100, limits.STEPS_PER_S_MAX, limits.STEPS_PER_S_MAX + 1]),
    ),
    st.tuples(st.just("saved")),
    st.tuples(st.just("renew"), st.integers(0, 30), st.sampled_from([0, 500, 3000, 10**6])),
    st.tuples(st.just("stop"), st.integers(0, 30)),
    st.tuples(st.just("clear"), st.integers(-1, 0), st.sampled_from(interlocks.TRIP_REASONS)),
    st.tuples(st.just("restart")),
    st.tuples(
        st.just("tick"),
        st.sampled_from([0, 1, 10, 1000, 2999, 3001, 6000, HOUR_MS]),
        st.sampled_from([DRY, DRY, DRY, DRY, *FAULTS.values()]),
    ),
)


@settings(max_examples=300)
@given(st.lists(COMMANDS, max_size=80))
def test_no_order_of_events_breaks_the_law(events):
    law = resting()
    accepted = {}  # dose_id -> steps
    turned = []  # (moment, dose_id, steps), kept apart from the law
    now_ms, lease_end_ms = 0, 0
    for event in events:
        state, reason = law.state, law.trip_reason
        if event[0] == "dose":
            if law.accept_dose(*event[1:], False) == interlocks.ACCEPTED:
                assert event[1] not in accepted, "no id twice"
                accepted[event[1]] = event[2]
                lease_end_ms = now_ms + limits.LEASE_MS_MAX
        elif event[0] == "saved":
            law.intent_saved()
        elif event[0] == "renew":
            law.renew_lease(*event[1:])
            if accepted and event[1] == max(accepted) and event[2] > 0:
                lease_end_ms = now_ms + min(event[2], limits.LEASE_MS_MAX)
        elif event[0] == "stop":
            in_hand = law.dose_in_hand() and law.last_dose_id
            law.stop(event[1])
            assert law.dose_in_hand() == (in_hand and in_hand != event[1]), "it ends the dose it names and no other"
        elif event[0] == "clear":
            dry_ms = law.dry_ms
            if law.clear_trip(law.trip_number + event[1], event[2]) == interlocks.ACCEPTED:
                assert (event[1], event[2], dry_ms) == (0, reason, limits.DRY_MS_MIN)
        elif event[0] == "restart":
            saved = (law.last_dose_id, law.window_slots_steps(), law.trip_reason, law.trip_number, law.slot_ms)
            law = Law(*saved)
            law.greeted = True
            lease_end_ms = now_ms
        else:
            now_ms += event[1]
            ordered = tick(law, event[1], probes=event[2])
            if ordered:
                assert state == TURNING, "nothing turns but a dose whose intent was saved"
                assert event[2] == DRY, "nothing turns in the tick that sees a fault"
                assert now_ms <= lease_end_ms, "nothing turns beyond the lease"
                turned.append((now_ms, max(accepted), ordered))
            if law.state == TRIPPED:
                assert ordered == 0, "a tick that trips turns nothing"
        if state == TRIPPED and law.state == TRIPPED:
            assert law.trip_reason == reason, "the first reason is kept"
        for dose_id, steps in accepted.items():
            assert sum(part for _, of, part in turned if of == dose_id) <= steps
        day = sum(part for at_ms, _, part in turned if at_ms > now_ms - 24 * HOUR_MS)
        assert day <= law.window_used_steps() <= limits.WINDOW_STEPS_MAX
