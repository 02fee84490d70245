"""The state of the host: what its law remembers."""

from dataclasses import dataclass, fields
from typing import Any, NamedTuple

from controller.control.model.moments import Moment, Reading
from controller.control.model.names import MISSING, PREPARING
from controller.control.model.records import BootRecord


class Channel(NamedTuple):
    """Memory of one measured channel."""

    value: float | None = None
    quality: str = MISSING
    cause: str = "nothing read yet"
    same_since_ms: int = 0  # monotonic moment since which the raw value has not moved
    level: float | None = None  # the last level that was believed
    jumped_samples: int = 0
    recent: tuple[float, ...] = ()  # the last good values, newest last


UNREAD = Channel()


@dataclass(frozen=True, slots=True)
class OpenDose:
    """A dose that the journal holds as intended and not yet as closed."""

    dose_id: int
    dose_steps: int
    purpose: str
    sent_ms: int  # monotonic
    judged: bool = False
    inherited: bool = False  # intended by an earlier life of this program
    began_run_ms: int = 0  # when it was intended
    moisture_before_fraction: float | None = None


class Given(NamedTuple):
    """Water counted against the budgets: the most it can have been. ``run_ms`` is when it ended."""

    run_ms: int
    volume_max_ml: float
    purpose: str
    began_run_ms: int


class PumpAge(NamedTuple):
    """How long the pump has turned its tube, and how far its factor has moved from the one in use.

    ``drifts`` says that the newest check lies outside the limits of its control charts.
    """

    turned_ms: int = 0
    drift_pct: float = 0.0  # without its sign, and only what is beyond the doubt of the newest factor
    drifts: bool = False


NEW_PUMP = PumpAge()


class EffectCheck(NamedTuple):
    """A finished dose whose effect on the moisture is still to be seen."""

    due_run_ms: int
    moisture_before_fraction: float
    rise_expected_fraction: float


class AlarmState(NamedTuple):
    since_ms: int  # monotonic moment since which the condition has (or has not) held
    holds: bool
    raised: bool


class PendingClear(NamedTuple):
    trip_reason: str
    cleared_by: str
    request_id: int


@dataclass(frozen=True)
class State:
    """Everything the host knows while it runs; rebuilt from the journal at start.

    It has no slots: ``but`` copies the instance dictionary, at a small part of the cost of dataclasses.replace.
    """

    now: Moment
    run_ms: int = 0  # run clock: elapsed since hydration, on monotonic time
    phase: str = PREPARING
    phase_since_run_ms: int = 0
    hydrated_utc_ms: int | None = None
    hydrated_utc_trusted: bool = False
    light_anchor_utc_ms: int = 0  # the start of one light period; the others follow by whole cycles
    # water
    open_dose: OpenDose | None = None
    last_dose_id: int = 0
    given_today: tuple[Given, ...] = ()  # the last day of the run clock, as long as the board's
    first_wetting_given_ml: float = 0.0
    watering_given_ml: float = 0.0
    last_dose_run_ms: int | None = None  # when it ended
    last_dose_began_run_ms: int = 0
    thirsty: bool = False
    last_slot: int = -1
    effect_check: EffectCheck | None = None
    effects_missed: int = 0
    watering_answer: str = ""
    pump_age: PumpAge = NEW_PUMP  # from other journals and this one, up to now; nobody folds it from records
    looked_elsewhere_ms: int = 0  # monotonic moment at which ``given_today`` took over the water of other journals
    # board
    link_up: bool = False
    greeted: bool = False
    limits_differ: bool = False
    reconciling: bool = True
    board_boots: int = 0
    board_uptime_s: int = 0
    refused_until_ms: int = 0  # monotonic; the board refused a dose, so it is left in peace for a while
    hello_sent_ms: int = 0
    pending_clear: PendingClear | None = None
    # sensing
    air: Channel = UNREAD
    humidity: Channel = UNREAD
    moisture: Channel = UNREAD
    moisture_untrusted_since_run_ms: int | None = 0
    hot_samples: int = 0
    reading: Reading | None = None
    # lamp, trips, alarms, people
    lamp_duty_fraction: float | None = None  # unknown until first set
    trips: tuple[tuple[str, str], ...] = ()  # (reason, side), first one first
    alarms: tuple[tuple[str, AlarmState], ...] = ()
    status_pattern: str = ""
    steps_due: tuple[str, ...] = ()
    steps_done: tuple[str, ...] = ()
    records_failed: bool = False
    records_failed_since_ms: int = 0  # monotonic
    records_retry_ms: int = 0
    records_failed_words: str = ""
    unwritten_boot: BootRecord | None = None  # the start of this life, when the records failed already then
    run_clock_placed: bool = False  # whether trusted UTC has placed the run clock in this boot

    def but(self, **changes: Any) -> "State":
        """This state with some fields changed."""
        if not changes.keys() <= _STATE_FIELDS:
            raise TypeError(f"State has no field {', '.join(changes.keys() - _STATE_FIELDS)}")
        values = self.__dict__.copy()
        values.update(changes)
        changed = object.__new__(State)
        object.__setattr__(changed, "__dict__", values)
        return changed


_STATE_FIELDS = frozenset(each.name for each in fields(State))
