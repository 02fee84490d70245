"""What the law of the host speaks about: moments, readings, events, actions, records and its state.

Nothing here acts. Times come in inside events; moments are whole milliseconds so that they compare exactly.
"""

from dataclasses import dataclass, fields
from typing import Any, NamedTuple


class Moment(NamedTuple):
    """One instant on both clocks. ``utc_trusted`` says whether network time stood behind ``utc_ms``."""

    utc_ms: int
    monotonic_ms: int
    boot_id: int
    utc_trusted: bool


# -- quality of a reading ----

GOOD = "good"
SUSPECT = "suspect"
MISSING = "missing"

# -- phases of a run ----

PREPARING = "preparing"  # waiting for the hands-on steps that come before water
WETTING = "wetting"  # the aliquots of the first wetting
SOAKING = "soaking"
DRAINING = "draining"  # waiting for a person to drain and weigh
OPENING = "opening"  # waiting for a person to open the sowing positions
GROWING = "growing"
ENDED = "ended"
CALIBRATING = "calibrating"  # no run: a technician asks for single portions

# -- purposes of a dose ----

FIRST_WETTING = "first_wetting"
MOISTURE_LED = "moisture_led"
FIXED_TIME = "fixed_time"
FALLBACK = "fallback"
CALIBRATION = "calibration"

ELSEWHERE = "elsewhere"  # not a dose of this run: water that other journals of this chamber hold

# -- trips that the host raises by itself ----

DOSE_WITHOUT_EFFECT = "dose_without_effect"
AIR_TOO_HOT = "air_too_hot"
BOARD_OVER_DOSE = "board_over_dose"

ON_HOST = "host"
ON_BOARD = "board"

# -- how a dose ended, beyond the board's own words ---------------------------------------------------------------

NOT_STARTED = "not_started"
IN_DOUBT = "in_doubt"


class Reading(NamedTuple):
    """What the chamber's probes gave at one moment; None where nothing could be read.

    Counts are raw converter counts from the board. ``local_leak_wet`` and ``local_float_up`` are the second pair of
    probes, wired to the single-board computer itself.
    """

    air_temperature_c: float | None
    relative_humidity_pct: float | None
    moisture_counts: int | None
    leak_counts: int | None
    float_counts: int | None
    reservoir_counts: int | None
    local_leak_wet: bool = False
    local_float_up: bool = False


# -- events: what happened ----


class Started(NamedTuple):
    """The program came up; ``state`` was rebuilt from the journal. ``notes`` are (event, words) to write down too."""

    at: Moment
    software_version: str
    notes: tuple[tuple[str, str], ...] = ()


class Ticked(NamedTuple):
    """A second of the deciding loop's own monotonic clock went by."""

    at: Moment


class Sampled(NamedTuple):
    at: Moment
    reading: Reading


class BoardReported(NamedTuple):
    at: Moment
    message: tuple[str | int | None, ...]


class LinkFound(NamedTuple):
    at: Moment


class LinkLost(NamedTuple):
    at: Moment
    detail: str


class ClockStepped(NamedTuple):
    """The wall clock moved against the monotonic one, or its trust changed."""

    at: Moment
    difference_ms: int


class RequestMade(NamedTuple):
    """A person asked for something, by a row in the journal."""

    at: Moment
    request: "Request"


class ButtonPressed(NamedTuple):
    at: Moment


class AppendFailed(NamedTuple):
    """A record could not be written, or, without one, the journal could not be read."""

    at: Moment
    record: "Record | None"
    detail: str


class JobFired(NamedTuple):
    """A job of the table in schedule.py came due."""

    at: Moment
    job: str


Event = (
    Started
    | Ticked
    | Sampled
    | BoardReported
    | LinkFound
    | LinkLost
    | ClockStepped
    | RequestMade
    | ButtonPressed
    | AppendFailed
    | JobFired
)

# -- records: what the journal keeps; one class, one table ----


@dataclass(frozen=True, slots=True)
class BootRecord:
    at: Moment
    software_version: str


class ReadingRecord(NamedTuple):
    """A named tuple, since there are thousands a day."""

    at: Moment
    air_temperature_c: float | None
    relative_humidity_pct: float | None
    moisture_counts: int | None
    leak_counts: int | None
    float_counts: int | None
    reservoir_counts: int | None
    lamp_duty_fraction: float
    air_quality: str
    humidity_quality: str
    moisture_quality: str
    run_ms: int | None  # None before hydration


@dataclass(frozen=True, slots=True)
class DoseIntended:
    """Written, and synced to disk, before a byte of the command leaves."""

    at: Moment
    dose_id: int
    purpose: str
    volume_ml: float
    dose_steps: int
    steps_per_s: int
    ml_per_step: float
    ml_per_step_standard_uncertainty: float
    run_ms: int
    slot: int | None = None


@dataclass(frozen=True, slots=True)
class DoseClosed:
    """How much a dose gave: between ``steps_min`` and ``steps_max`` steps, equal unless the count was lost.

    ``volume_ml`` is the middle of the interval, ``volume_standard_uncertainty_ml`` holds calibration and interval.
    """

    at: Moment
    dose_id: int
    steps_min: int
    steps_max: int
    end_reason: str
    volume_ml: float
    volume_standard_uncertainty_ml: float
    volume_max_ml: float
    run_ms: int


@dataclass(frozen=True, slots=True)
class WateringAnswer:
    """Why water is, or is not, given now; written only when the answer changes."""

    at: Moment
    reason: str
    wanted: bool


@dataclass(frozen=True, slots=True)
class TripRecord:
    at: Moment
    trip_reason: str
    side: str
    motor_off_delay_ms: int


@dataclass(frozen=True, slots=True)
class TripCleared:
    at: Moment
    trip_reason: str
    cleared_by: str


@dataclass(frozen=True, slots=True)
class AlarmRecord:
    at: Moment
    alarm: str
    raised: bool
    words: str


@dataclass(frozen=True, slots=True)
class LampRecord:
    at: Moment
    duty_fraction: float


@dataclass(frozen=True, slots=True)
class StepRecord:
    """A hands-on step fell due, or was signed off."""

    at: Moment
    step: str
    done: bool
    signed_by: str
    drained_g: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class ObservationRecord:
    """What a person saw at one position. ``corrects`` names the row that this one replaces."""

    at: Moment
    position: int
    seen_by: str
    emerged: bool | None = None
    height_mm: float | None = None
    leaves: int | None = None
    growth_stage_bbch: int | None = None
    note: str = ""
    picture: str = ""
    corrects: int | None = None


@dataclass(frozen=True, slots=True)
class PhaseRecord:
    at: Moment
    phase: str
    run_ms: int


@dataclass(frozen=True, slots=True)
class ClockRecord:
    at: Moment
    difference_ms: int
    run_ms: int


@dataclass(frozen=True, slots=True)
class EventRecord:
    """Anything else worth a line: link, board, records, button."""

    at: Moment
    event: str
    words: str


@dataclass(frozen=True, slots=True)
class Request:
    """What a person asks for. Written by the command line or the page, read by the controller as an event."""

    at: Moment
    request_id: int
    request: str
    asked_by: str
    subject: str = ""
    drained_g: float | None = None
    note: str = ""
    position: int | None = None
    emerged: bool | None = None
    height_mm: float | None = None
    leaves: int | None = None
    growth_stage_bbch: int | None = None
    picture: str = ""
    corrects: int | None = None


@dataclass(frozen=True, slots=True)
class RequestAnswered:
    at: Moment
    request_id: int
    granted: bool
    words: str


SIGN_STEP = "sign_step"
CLEAR_TRIP = "clear_trip"
OBSERVE = "observe"
END_RUN = "end_run"
GIVE_PORTION = "give_portion"  # the subject is the number of steps; only while calibrating
SEE_ALARM = "see_alarm"  # somebody has seen an alarm: it is not told again
TRY_ALERT = "try_alert"  # a trial message is wanted

Record = (
    BootRecord
    | ReadingRecord
    | DoseIntended
    | DoseClosed
    | WateringAnswer
    | TripRecord
    | TripCleared
    | AlarmRecord
    | LampRecord
    | StepRecord
    | ObservationRecord
    | PhaseRecord
    | ClockRecord
    | EventRecord
    | RequestAnswered
)

# -- actions: what to do, in order ----


class Append(NamedTuple):
    """Write the record; the runner stops at the first one that fails, so what follows never happens."""

    record: Record


class SendToBoard(NamedTuple):
    kind: str
    values: tuple[int | str, ...] = ()


class SetLamp(NamedTuple):
    duty_fraction: float


class SetStatusLamp(NamedTuple):
    pattern: str


CHAMBER_CHANGED = "chamber_changed"  # the event of a start with another chamber file than the run was begun with

STATUS_STEADY = "steady"
STATUS_SLOW = "slow"  # an alarm stands
STATUS_FAST = "fast"  # a trip is latched

Action = Append | SendToBoard | SetLamp | SetStatusLamp

# -- state ----


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
    moisture_before_fraction: float | None = None


class Given(NamedTuple):
    """Water counted against the budgets: the most it can have been."""

    run_ms: int
    volume_max_ml: float
    purpose: str


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
    last_dose_run_ms: int | None = None
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
