"""The run clock: elapsed time since hydration, moved on by trusted UTC once a boot, and never set back.

Trusted UTC knows how long the power was off. A clock that claims a great leap, or one that would end the run, is not
believed before it has claimed it for hours: one start with a wrong clock must not end an experiment.
"""

from controller.control import model as m
from controller.plan import Settings

LEAP_BELIEVED_MS = 48 * m.MS_PER_H  # a weekend without power
LEAP_PROVEN_AFTER_MS = 6 * m.MS_PER_H


def advanced_ms(state: m.State, at: m.Moment) -> int:
    """The run clock at a later moment of the same boot."""
    if state.hydrated_utc_ms is None or state.phase == m.ENDED or at.boot_id != state.now.boot_id:
        return state.run_ms
    return state.run_ms + max(0, at.monotonic_ms - state.now.monotonic_ms)


def by_utc_ms(state: m.State) -> int | None:
    """What trusted UTC says the run clock should show, or None."""
    if state.hydrated_utc_ms is None or not (state.now.utc_trusted and state.hydrated_utc_trusted):
        return None
    return state.now.utc_ms - state.hydrated_utc_ms


def placed(state: m.State, claimed_ms: int | None, settings: Settings) -> m.State:
    """The state with its run clock moved on to what is claimed, or in doubt about it."""
    if claimed_ms is None:
        return state
    length_ms = settings.plan.length_days * m.MS_PER_DAY
    ends_run = claimed_ms >= length_ms > state.run_ms
    if claimed_ms - state.run_ms > LEAP_BELIEVED_MS or ends_run:
        since_ms = state.clock_doubted_since_ms
        since_ms = state.now.monotonic_ms if since_ms is None else since_ms
        if state.now.monotonic_ms - since_ms < LEAP_PROVEN_AFTER_MS:
            return state.but(clock_doubted_since_ms=since_ms)
    return state.but(run_ms=max(state.run_ms, claimed_ms), run_clock_placed=True, clock_doubted_since_ms=None)


def settle_doubt(state: m.State, settings: Settings) -> tuple[m.State, list[m.ClockRecord]]:
    """Each second while trusted UTC has not placed the run clock: it may have come while no record could be written.

    A clock in doubt is believed when it has stood by its claim, or has taken it back.
    """
    if state.run_clock_placed or state.hydrated_utc_ms is None or not state.now.utc_trusted or state.phase == m.ENDED:
        return state, []
    if state.hydrated_utc_trusted:
        state = placed(state, by_utc_ms(state), settings)
        if state.clock_doubted_since_ms is not None:
            return state, []
    state = state.but(run_clock_placed=True)
    return state, [m.ClockRecord(state.now, 0, state.run_ms)]
