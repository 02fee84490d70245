"""Trips as the host keeps them: latched once a side, with a record, and cleared by a person alone."""

from controller.control import model as m
from controller.control.remember import noted
from controller.plan import Settings


def latch(
    state: m.State, reason: str, settings: Settings, side: str = m.ON_HOST, motor_off_delay_ms: int = 0
) -> tuple[m.State, list[m.Action]]:
    """Latch a trip, once. What it forbids is stopped after the event, by ``dose_life.obey_the_host``."""
    if (reason, side) in state.trips:
        return state, []
    return noted(state, m.TripRecord(state.now, reason, side, motor_off_delay_ms), settings)
