"""The law of the pump: whether the motor may turn, step by step. Integers only, no clock, no pins.

The states and every move between them stand in ``TRANSITIONS``; a pair that is not there cannot happen.
Time comes in as elapsed milliseconds, probes as counts of a 12-bit converter. The default is always "no".
"""

from firmware_bridge import limits

# States of the law
RESTING = "resting"
SAVING = "saving"  # a dose is accepted; its intent is not yet in the saved state, so nothing turns
TURNING = "turning"
TRIPPED = "tripped"
STATES = (RESTING, SAVING, TURNING, TRIPPED)

# What fires a transition
DOSE_ACCEPTED = "dose_accepted"
INTENT_SAVED = "intent_saved"
DOSE_FINISHED = "dose_finished"
STOP_COMMANDED = "stop_commanded"
TRIP_RAISED = "trip_raised"
CLEAR_ACCEPTED = "clear_accepted"
EVENTS = (DOSE_ACCEPTED, INTENT_SAVED, DOSE_FINISHED, STOP_COMMANDED, TRIP_RAISED, CLEAR_ACCEPTED)

TRANSITIONS: dict[tuple[str, str], str] = {
    (RESTING, DOSE_ACCEPTED): SAVING,
    (SAVING, INTENT_SAVED): TURNING,
    (SAVING, STOP_COMMANDED): RESTING,
    (TURNING, DOSE_FINISHED): RESTING,
    (TURNING, STOP_COMMANDED): RESTING,
    (RESTING, TRIP_RAISED): TRIPPED,
    (SAVING, TRIP_RAISED): TRIPPED,
    (TURNING, TRIP_RAISED): TRIPPED,
    (TRIPPED, CLEAR_ACCEPTED): RESTING,
}

# Reasons of a trip; the first one is kept until a person clears it
LEAK_WET = "leak_wet"
LEAK_WIRE_OPEN = "leak_wire_open"
OVERFILL_FLOAT_UP = "overfill_float_up"
FLOAT_WIRE_OPEN = "float_wire_open"
RESERVOIR_EMPTY = "reservoir_empty"
RUN_TOO_LONG = "run_too_long"
MOVED_WHILE_STOPPED = "moved_while_stopped"
LEASE_LOST = "lease_lost"
STATE_LOST = "state_lost"
OVER_DOSE = "over_dose"
MEMORY_FAILS = "memory_fails"
TRIP_REASONS = (
    LEAK_WET,
    LEAK_WIRE_OPEN,
    OVERFILL_FLOAT_UP,
    FLOAT_WIRE_OPEN,
    RESERVOIR_EMPTY,
    RUN_TOO_LONG,
    MOVED_WHILE_STOPPED,
    LEASE_LOST,
    STATE_LOST,
    OVER_DOSE,
    MEMORY_FAILS,
)

# Why a dose ended without a trip
COMPLETE = "complete"
STOPPED = "stopped"
BOARD_RESTARTED = "board_restarted"

# Why a command was refused
NOT_GREETED = "not_greeted"
IS_TRIPPED = "tripped"
IS_BUSY = "busy"
ID_NOT_NEW = "id_not_new"
STEPS_OUT_OF_BOUNDS = "steps_out_of_bounds"
RATE_OUT_OF_BOUNDS = "rate_out_of_bounds"
RUN_OUT_OF_BOUNDS = "run_out_of_bounds"
WINDOW_FULL = "window_full"
DONE_NOT_SEEN = "done_not_seen"
NOT_TRIPPED = "not_tripped"
OTHER_REASON = "other_reason"
NOT_DRY = "not_dry"
ACCEPTED = "accepted"
REFUSALS = (
    NOT_GREETED,
    IS_TRIPPED,
    IS_BUSY,
    ID_NOT_NEW,
    STEPS_OUT_OF_BOUNDS,
    RATE_OUT_OF_BOUNDS,
    RUN_OUT_OF_BOUNDS,
    WINDOW_FULL,
    DONE_NOT_SEEN,
    NOT_TRIPPED,
    OTHER_REASON,
    NOT_DRY,
)


def probe_fault(leak_counts: int, float_counts: int, reservoir_counts: int) -> str | None:
    """The first probe that forbids turning, as a trip reason, or None when all are dry, whole and supplied.

    Counts outside 0..COUNT_MAX are impossible and read as a cut wire: a broken probe is a wet probe.
    """
    if leak_counts < 0 or leak_counts > limits.OPEN_ABOVE_COUNTS:
        return LEAK_WIRE_OPEN
    if leak_counts < limits.WET_BELOW_COUNTS:
        return LEAK_WET
    if float_counts < 0 or float_counts > limits.OPEN_ABOVE_COUNTS:
        return FLOAT_WIRE_OPEN
    if float_counts < limits.WET_BELOW_COUNTS:
        return OVERFILL_FLOAT_UP
    # The reservoir float is the other way round: low water opens its contact, and so does a cut wire.
    if reservoir_counts < 0 or reservoir_counts > limits.OPEN_ABOVE_COUNTS:
        return RESERVOIR_EMPTY
    return None


class Law:
    """State of the pump's law. ``tick`` answers how many steps may be turned until the next tick.

    ``window_slots_steps`` are the steps of the last hours, oldest first and the hour in hand last, as
    ``window_slots_steps()`` gave them out, and ``slot_ms`` how much of that hour has passed; time without power does
    not age them. ``trip_number`` counts the trips of this board's life, so that a clear means one of them.
    """

    def __init__(
        self,
        last_dose_id: int,
        window_slots_steps: list[int],
        trip_reason: str | None,
        trip_number: int = 0,
        slot_ms: int = 0,
    ) -> None:
        self.state = RESTING
        self.trip_reason: str | None = None
        self.trip_number = trip_number
        self.trip_delay_ms = 0  # upper bound on how long the motor turned after the cause of the trip
        self.last_dose_id = last_dose_id
        self.dose_steps = 0  # accepted steps of the dose in hand
        self.steps_per_s = 0
        self.turned_steps = 0  # of the dose in hand
        self.run_ms = 0
        self.run_limit_ms = 0
        self.lease_ms = 0
        self.ended_reason: str | None = None  # set when the dose in hand ended; the board program takes it
        self.window_moved = False  # set when the hour in hand ended and left steps behind; taken likewise
        self.dry_ms = 0
        self.greeted = False
        self._step_phase = 0
        self._rotor_excess_steps = 0
        self._slots = list(window_slots_steps)
        self._slot = limits.WINDOW_SLOTS - 1
        self.slot_ms = slot_ms % limits.WINDOW_SLOT_MS
        if trip_reason is not None:  # a trip outlives a restart
            self.trip_reason = trip_reason
            self._fire(TRIP_RAISED)

    def _fire(self, event: str) -> None:
        self.state = TRANSITIONS[(self.state, event)]

    def dose_in_hand(self) -> bool:
        return self.state in (SAVING, TURNING)

    def _trip(self, reason: str, delay_ms: int) -> None:
        if self.state == TRIPPED:
            return
        if self.dose_in_hand():
            self._end_dose(reason)
        self.trip_reason = reason
        self.trip_number += 1
        self.trip_delay_ms = delay_ms
        self._fire(TRIP_RAISED)

    def _end_dose(self, reason: str) -> None:
        """Close the dose in hand and give its unturned steps back to the window."""
        self._slots[self._slot] -= self.dose_steps - self.turned_steps
        self.ended_reason = reason

    def window_used_steps(self) -> int:
        """Steps turned, or reserved by the dose in hand, in the rolling window of at least 24 h."""
        return sum(self._slots)

    def window_slots_steps(self) -> list[int]:
        """The same hour by hour, oldest first, to be saved."""
        return self._slots[self._slot + 1 :] + self._slots[: self._slot + 1]

    # -- commands ------------------------------------------------------------------------------------------

    def accept_dose(self, dose_id: int, steps: int, steps_per_s: int, done_outstanding: bool) -> str:
        """Judge a dose: ACCEPTED (then it waits in SAVING for its intent to be saved) or the refusal."""
        if not self.greeted:
            return NOT_GREETED
        if self.state == TRIPPED:
            return IS_TRIPPED
        if self.state != RESTING:
            return IS_BUSY
        if done_outstanding:
            return DONE_NOT_SEEN
        if dose_id <= self.last_dose_id:
            return ID_NOT_NEW
        if steps < 1 or steps > limits.DOSE_STEPS_MAX:
            return STEPS_OUT_OF_BOUNDS
        if steps_per_s < 1 or steps_per_s > limits.STEPS_PER_S_MAX:
            return RATE_OUT_OF_BOUNDS
        run_limit_ms = steps * 1000 // steps_per_s + limits.RUN_MARGIN_MS
        if run_limit_ms > limits.RUN_MS_MAX:
            return RUN_OUT_OF_BOUNDS
        if self.window_used_steps() + steps > limits.WINDOW_STEPS_MAX:
            return WINDOW_FULL
        self.last_dose_id = dose_id
        self.dose_steps = steps
        self.steps_per_s = steps_per_s
        self.turned_steps = 0
        self.run_ms = 0
        self.run_limit_ms = run_limit_ms
        self.lease_ms = limits.LEASE_MS_MAX
        self.ended_reason = None
        self._step_phase = 0
        # A surplus is forgiven; steps that were ordered last and have not been counted yet stay expected.
        self._rotor_excess_steps = min(self._rotor_excess_steps, 0)
        self._slots[self._slot] += steps
        self._fire(DOSE_ACCEPTED)
        return ACCEPTED

    def intent_saved(self) -> None:
        """The saved state holds the accepted dose: from now on the motor may turn."""
        if self.state == SAVING:
            self.run_ms = 0
            self._fire(INTENT_SAVED)

    def renew_lease(self, dose_id: int, lease_ms: int) -> None:
        """Set the lease of the dose in hand anew, never beyond LEASE_MS_MAX from now."""
        if self.dose_in_hand() and dose_id == self.last_dose_id and lease_ms > 0:
            self.lease_ms = min(lease_ms, limits.LEASE_MS_MAX)

    def stop(self, dose_id: int) -> None:
        """End the dose in hand at once, without a trip, if it is this one."""
        if self.dose_in_hand() and dose_id == self.last_dose_id:
            self._end_dose(STOPPED)
            self._fire(STOP_COMMANDED)

    def clear_trip(self, trip_number: int, reason: str | None) -> str:
        """A person clears the trip: ACCEPTED, or why not. It must be the very trip that the person has seen."""
        if self.state != TRIPPED:
            return NOT_TRIPPED
        if reason != self.trip_reason or trip_number != self.trip_number:
            return OTHER_REASON
        if self.dry_ms < limits.DRY_MS_MIN:
            return NOT_DRY
        self.trip_reason = None
        self.trip_delay_ms = 0
        self._rotor_excess_steps = 0
        self._fire(CLEAR_ACCEPTED)
        return ACCEPTED

    # -- time ----------------------------------------------------------------------------------------------

    def tick(
        self,
        elapsed_ms: int,
        leak_counts: int,
        float_counts: int,
        reservoir_counts: int,
        rotor_steps: int,
        made_good_ms: int | None = None,
    ) -> int:
        """Let ``elapsed_ms`` pass, look at the probes, and answer the steps to turn now (0 = motor off).

        ``rotor_steps`` is what the rotor sensor counted since the last tick, whatever was ordered. A tick that
        trips answers 0. The steps are those of ``made_good_ms`` (all of ``elapsed_ms`` when not given): a motor
        that cannot hurry is not asked to catch up after a late tick.
        """
        self._pass_time(elapsed_ms)
        fault = probe_fault(leak_counts, float_counts, reservoir_counts)
        if fault is None:
            self.dry_ms = min(self.dry_ms + elapsed_ms, limits.DRY_MS_MIN)
        else:
            self.dry_ms = 0
            self._trip(fault, elapsed_ms if self.state == TURNING else 0)
        self._judge_rotor(elapsed_ms, rotor_steps)
        self._judge_lease(elapsed_ms)
        self._judge_saving(elapsed_ms)
        if self.state != TURNING:
            return 0
        return self._turn(elapsed_ms, elapsed_ms if made_good_ms is None else min(made_good_ms, elapsed_ms))

    def _pass_time(self, elapsed_ms: int) -> None:
        self.slot_ms += elapsed_ms
        passed_slots = self.slot_ms // limits.WINDOW_SLOT_MS
        if not passed_slots:
            return
        self.slot_ms -= passed_slots * limits.WINDOW_SLOT_MS
        self.window_moved = self.window_used_steps() > 0
        # what is still to turn belongs to the slot in which it will turn
        reserved_steps = self.dose_steps - self.turned_steps if self.dose_in_hand() else 0
        self._slots[self._slot] -= reserved_steps
        for _ in range(min(passed_slots, limits.WINDOW_SLOTS)):
            self._slot = (self._slot + 1) % limits.WINDOW_SLOTS
            self._slots[self._slot] = 0
        self._slots[self._slot] = reserved_steps

    def _judge_rotor(self, elapsed_ms: int, rotor_steps: int) -> None:
        """Compare what turned with what was ordered; a surplus stays counted until a new dose or a clear."""
        # A sensor that lags or fails earns no credit beyond its tolerance, and none at rest.
        credit_steps = 0 if rotor_steps == 0 and not self.dose_in_hand() else limits.ROTOR_STEPS_TOLERANCE
        self._rotor_excess_steps = max(self._rotor_excess_steps + rotor_steps, -credit_steps)
        if self._rotor_excess_steps > limits.ROTOR_STEPS_TOLERANCE:
            self._trip(OVER_DOSE if self.state == TURNING else MOVED_WHILE_STOPPED, elapsed_ms)

    def _judge_lease(self, elapsed_ms: int) -> None:
        """Nothing turns for time beyond the lease: a tick that reaches past its end trips and turns nothing."""
        if not self.dose_in_hand():
            return
        if elapsed_ms > self.lease_ms:
            self._trip(LEASE_LOST, elapsed_ms - self.lease_ms if self.state == TURNING else 0)
        else:
            self.lease_ms -= elapsed_ms

    def _judge_saving(self, elapsed_ms: int) -> None:
        """A dose waits for its intent to be saved no longer than SAVING_MS_MAX, whatever its lease."""
        if self.state == SAVING:
            self.run_ms += elapsed_ms
            if self.run_ms > limits.SAVING_MS_MAX:
                self._trip(MEMORY_FAILS, 0)

    def _turn(self, elapsed_ms: int, made_good_ms: int) -> int:
        self.run_ms += elapsed_ms
        if self.run_ms > self.run_limit_ms:
            self._trip(RUN_TOO_LONG, elapsed_ms)
            return 0
        self._step_phase += made_good_ms * self.steps_per_s
        steps = self._step_phase // 1000
        self._step_phase -= steps * 1000
        steps = min(steps, self.dose_steps - self.turned_steps)
        self.turned_steps += steps
        self._rotor_excess_steps -= steps
        if self.turned_steps == self.dose_steps:
            self._end_dose(COMPLETE)
            self._fire(DOSE_FINISHED)
        return steps
