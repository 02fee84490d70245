"""Every state that the law of the pump can reach, and every input in each of them.

The law is the shipped one; only its limits are made so small that all its states can be visited: a dose has at most
two steps, a lease two milliseconds, the rolling window three slots. What the law remembers is kept whole; beside it
goes a witness of its own that remembers what was granted and what turned. The invariants are those of the design.
"""

from collections import Counter, deque
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, NamedTuple

from firmware_bridge import interlocks, limits
from firmware_bridge.interlocks import RESTING, SAVING, TRIPPED, TURNING, Law
from tests.campaigns.rows import Row

SMALL = {
    "LEASE_MS_MAX": 2,
    "DOSE_STEPS_MAX": 2,
    "STEPS_PER_S_MAX": 1000,
    "RUN_MS_MAX": 5,
    "RUN_MARGIN_MS": 1,
    "WINDOW_SLOT_MS": 2,
    "WINDOW_SLOTS": 3,
    "WINDOW_STEPS_MAX": 3,
    "ROTOR_STEPS_TOLERANCE": 1,
    "DRY_MS_MIN": 2,
}
DRY = (2000, 2000, 1000)
PROBES = {
    None: DRY,
    interlocks.LEAK_WET: (limits.WET_BELOW_COUNTS - 1, 2000, 1000),
    interlocks.LEAK_WIRE_OPEN: (limits.OPEN_ABOVE_COUNTS + 1, 2000, 1000),
    interlocks.OVERFILL_FLOAT_UP: (2000, limits.WET_BELOW_COUNTS - 1, 1000),
    interlocks.FLOAT_WIRE_OPEN: (2000, limits.OPEN_ABOVE_COUNTS + 1, 1000),
    interlocks.RESERVOIR_EMPTY: (2000, 2000, limits.OPEN_ABOVE_COUNTS + 1),
}
# what the law tells or counts: it decides nothing by them but whether a number that it is given is this one
NO_MATTER = ("last_dose_id", "trip_delay_ms", "trip_number")


@contextmanager
def small_limits(**others: int) -> Iterator[None]:
    """The law with limits so small that its states can be counted."""
    before = {name: getattr(limits, name) for name in SMALL}
    for name, value in {**SMALL, **others}.items():
        setattr(limits, name, value)
    try:
        yield
    finally:
        for name, value in before.items():
            setattr(limits, name, value)


class Witness(NamedTuple):
    """What somebody beside the pump saw, who knows nothing of the law."""

    granted_steps: int = 0  # of the dose in hand
    saved: bool = False  # whether its intent was
    turned_steps: int = 0  # of the dose in hand
    lease_left_ms: int = 0
    dry_ms: int = 0
    ordered_steps: int = 0  # in the tick before: what a whole rotor sensor counts in the next one
    lately: tuple[int, ...] = ()  # steps turned in each millisecond of the guaranteed window, newest last


class Walk:
    """Breadth first through all states; ``found`` counts what was visited."""

    def __init__(self, window_slots: int = SMALL["WINDOW_SLOTS"]) -> None:
        self.window_slots = window_slots
        self.states = 0
        self.moves: Counter[tuple[str, str]] = Counter()  # (state before, state after)
        self.trips: Counter[str] = Counter()  # reasons met
        self.inputs = 0
        self.broken: list[str] = []

    def run(self, *, to_the_first_fault: bool = False) -> None:
        with small_limits(WINDOW_SLOTS=self.window_slots):
            window_ms = (limits.WINDOW_SLOTS - 1) * limits.WINDOW_SLOT_MS
            first = Law(0, [0] * limits.WINDOW_SLOTS, None)
            begin = (first, Witness(lately=(0,) * window_ms))
            seen = {_key(*begin)}
            waiting = deque([begin])
            while waiting and not (to_the_first_fault and self.broken):
                law, witness = waiting.popleft()
                self.states += 1
                for name, after, witness_after in self._all_inputs(law, witness):
                    self.inputs += 1
                    self.moves[law.state, after.state] += 1
                    if after.trip_reason is not None and law.state != TRIPPED:
                        self.trips[after.trip_reason] += 1
                    if law.state != after.state and after.state not in _lawful(law.state):
                        self.broken.append(f"{name}: {law.state} became {after.state}")
                    key = _key(after, witness_after)
                    if key not in seen:
                        seen.add(key)
                        waiting.append((after, witness_after))

    def _all_inputs(self, law: Law, witness: Witness) -> Iterator[tuple[str, Law, Witness]]:
        yield from self._doses(law, witness)
        yield from self._words(law, witness)
        for elapsed_ms in (0, 1, 2, 3):
            for fault, probes in PROBES.items():
                for surplus in (-1, 0, 1, 2):
                    rotor_steps = witness.ordered_steps + surplus
                    if rotor_steps >= 0:
                        yield self._tick(law, witness, elapsed_ms, fault, probes, rotor_steps, None)
            if law.state == TURNING:  # a late tick that makes good nothing
                yield self._tick(law, witness, elapsed_ms, None, DRY, witness.ordered_steps, 0)
        for restarted in self._restarts(law):
            yield "restart", restarted, witness._replace(granted_steps=0, saved=False, dry_ms=0, ordered_steps=0)

    def _doses(self, law: Law, witness: Witness) -> Iterator[tuple[str, Law, Witness]]:
        for id_step in (0, 1):
            for steps in (0, 1, 2, 3):
                for rate in (0, 500, 1000, 1001):
                    for outstanding in (False, True):
                        after = _copy(law)
                        answer = after.accept_dose(law.last_dose_id + id_step, steps, rate, outstanding)
                        accepted = answer == interlocks.ACCEPTED
                        may = (
                            law.state == RESTING and law.greeted and id_step == 1 and not outstanding
                            and 1 <= steps <= limits.DOSE_STEPS_MAX and 1 <= rate <= limits.STEPS_PER_S_MAX
                        )  # fmt: skip
                        self._hold(not accepted or may, f"{law.state} accepted {id_step, steps, rate, outstanding}")
                        self._hold(accepted or _state(after) == _state(law), f"a refusal ({answer}) changed the law")
                        seen = witness
                        if accepted:
                            seen = witness._replace(
                                granted_steps=steps, saved=False, turned_steps=0, lease_left_ms=limits.LEASE_MS_MAX
                            )
                        yield f"dose: {answer}", after, seen

    def _words(self, law: Law, witness: Witness) -> Iterator[tuple[str, Law, Witness]]:
        after = _copy(law)
        after.greeted = True
        yield "greeted", after, witness
        after = _copy(law)
        after.intent_saved()
        self._hold(after.state == (TURNING if law.state == SAVING else law.state), "saved")
        yield "saved", after, witness._replace(saved=law.state == SAVING or witness.saved)
        for id_step in (-1, 0, 1):
            after = _copy(law)
            after.stop(law.last_dose_id + id_step)
            self._end(law, after, witness, "stop")
            ends = law.state in (SAVING, TURNING) and id_step == 0
            self._hold(after.state == (RESTING if ends else law.state), f"stop {id_step} in {law.state}")
            yield "stop", after, witness
        for id_step, lease_ms in ((0, 0), (0, 1), (0, 2), (0, 3), (1, 2), (-1, 2)):
            after = _copy(law)
            after.renew_lease(law.last_dose_id + id_step, lease_ms)
            seen = witness
            if id_step == 0 and lease_ms > 0 and law.state in (SAVING, TURNING):
                seen = witness._replace(lease_left_ms=min(lease_ms, limits.LEASE_MS_MAX))
            self._hold(after.state == law.state, "renew")
            yield "renew", after, seen
        for number_step in (-1, 0, 1):
            for reason in (None, *interlocks.TRIP_REASONS):
                after = _copy(law)
                answer = after.clear_trip(law.trip_number + number_step, reason)
                is_this_trip = law.state == TRIPPED and reason == law.trip_reason and number_step == 0
                may = is_this_trip and witness.dry_ms >= limits.DRY_MS_MIN
                self._hold((answer == interlocks.ACCEPTED) == may, f"clear {reason} in {law.state}: {answer}")
                yield f"clear: {answer}", after, witness

    def _tick(
        self,
        law: Law,
        witness: Witness,
        elapsed_ms: int,
        fault: str | None,
        probes: tuple[int, int, int],
        rotor: int,
        made_good_ms: int | None,
    ) -> tuple[str, Law, Witness]:
        after = _copy(law)
        ordered = after.tick(elapsed_ms, *probes, rotor, made_good_ms)
        where = f"tick {elapsed_ms, fault, rotor} in {law.state}"
        lease_left_ms = witness.lease_left_ms - elapsed_ms
        self._hold(ordered >= 0, f"{where}: backwards")
        if ordered:
            self._hold(law.state == TURNING and witness.saved, f"{where}: motion without a saved dose")
            self._hold(fault is None, f"{where}: motion in the tick that saw a fault")
            self._hold(after.state != TRIPPED, f"{where}: motion in the tick that tripped")
            self._hold(lease_left_ms >= 0, f"{where}: motion beyond the lease")
        if fault is not None:
            self._hold(after.state == TRIPPED, f"{where}: no trip")
        if law.state == TRIPPED:
            self._hold(
                (after.state, after.trip_reason) == (TRIPPED, law.trip_reason), f"{where}: a trip left by itself"
            )
        elif after.state == TRIPPED and fault is not None:
            self._hold(after.trip_reason == fault, f"{where}: named {after.trip_reason}")
        trips = int(after.state == TRIPPED and law.state != TRIPPED)
        self._hold(after.trip_number == law.trip_number + trips, f"{where}: trip {after.trip_number}")
        lately = (*witness.lately, *([0] * elapsed_ms))[-len(witness.lately) :]
        lately = (*lately[:-1], lately[-1] + ordered)
        self._hold(sum(lately) <= limits.WINDOW_STEPS_MAX, f"{where}: {sum(lately)} steps in the window")
        self._hold(sum(lately) <= after.window_used_steps(), f"{where}: the law forgot water")
        self._hold(after.window_used_steps() <= limits.WINDOW_STEPS_MAX, f"{where}: more reserved than the window")
        turned_steps = witness.turned_steps + ordered
        if ordered:
            self._hold(turned_steps <= witness.granted_steps, f"{where}: more than was accepted")
        seen = witness._replace(
            turned_steps=turned_steps,
            lease_left_ms=max(-1, lease_left_ms),
            dry_ms=min(witness.dry_ms + elapsed_ms, limits.DRY_MS_MIN) if fault is None else 0,
            ordered_steps=ordered,
            lately=lately,
        )
        self._end(law, after, seen, where)
        return where, after, seen

    def _end(self, law: Law, after: Law, witness: Witness, where: str) -> None:
        """A dose that ends says exactly what turned; then its reason is taken, as the board's program does."""
        ended = law.state in (SAVING, TURNING) and after.state not in (SAVING, TURNING)
        self._hold((after.ended_reason is not None) == ended, f"{where}: the end of a dose without a word")
        if ended:
            self._hold(after.turned_steps == witness.turned_steps, f"{where}: a wrong account")
        after.ended_reason = None
        after.window_moved = False

    def _restarts(self, law: Law) -> Iterator[Law]:
        # its last saved line may be as old as the beginning of the hour or as new as the last end of a dose
        for slot_ms in range(law.slot_ms + 1):
            yield Law(law.last_dose_id, law.window_slots_steps(), law.trip_reason, law.trip_number, slot_ms)
        lost = Law(0, [0] * (limits.WINDOW_SLOTS - 1) + [limits.WINDOW_STEPS_MAX], interlocks.STATE_LOST)
        lost.last_dose_id = law.last_dose_id
        yield lost

    def _hold(self, holds: bool, words: str) -> None:
        if not holds:
            self.broken.append(words)


def _lawful(state: str) -> set[str]:
    """Where the table and a restart lead from a state."""
    return {to for (before, _), to in interlocks.TRANSITIONS.items() if before == state} | {RESTING, TRIPPED}


def _copy(law: Law) -> Law:
    after: Law = object.__new__(Law)
    after.__dict__.update(law.__dict__)
    after._slots = list(law._slots)
    return after


def _state(law: Law) -> tuple[Any, ...]:
    values = dict(law.__dict__)
    values["_slots"] = tuple(law.window_slots_steps())
    values["_slot"] = 0
    return tuple(values.values())


def _key(law: Law, witness: Witness) -> tuple[Any, ...]:
    values = {name: value for name, value in law.__dict__.items() if name not in NO_MATTER}
    values["_slots"] = tuple(law.window_slots_steps())  # a ring: where it begins decides nothing
    values["_slot"] = 0
    if law.state in (RESTING, TRIPPED):  # left over from the last dose, and set anew by the next
        for name in ("dose_steps", "steps_per_s", "turned_steps", "run_ms", "run_limit_ms", "lease_ms", "_step_phase"):
            values[name] = 0
        witness = witness._replace(granted_steps=0, saved=False, turned_steps=0, lease_left_ms=0)
    if law.state == TRIPPED:
        values["trip_reason"] = ""  # the law only ever compares it with the reason that a person names
        values["_rotor_excess_steps"] = 0  # a clear forgives it, and nothing else leads out
    return (*values.values(), witness)


def campaign(scale: float = 1.0) -> list[Row]:
    """The whole walk, which is finite: with three slots of the window, or with two where time is short."""
    walk = Walk(3 if scale >= 1.0 else 2)
    walk.run()
    worst = f"{walk.states} states reached, {len(walk.trips)} reasons to trip"
    return [Row("every input in every state of the law", walk.inputs, walk.inputs - len(walk.broken), worst)]
