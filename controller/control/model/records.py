"""Records: what the journal keeps; one class, one table."""

from dataclasses import dataclass
from typing import NamedTuple

from controller.control.model.moments import Moment


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
    A later row of the same ``dose_id`` corrects this one: the last one holds.
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
class BoardRecord:
    """Which board answered the greeting, and what it remembers.

    ``last_dose_id`` is the last dose that it began, in the journal whose number is ``journal_id`` (0: none);
    ``turned_total_steps`` are all steps that it has ever counted, ``boots`` its starts. ``accepted_by`` holds the
    initials of the person who accepted a strange board, and is empty where nobody had to.
    """

    at: Moment
    board_id: int
    boots: int
    last_dose_id: int
    turned_total_steps: int
    journal_id: int
    accepted_by: str


@dataclass(frozen=True, slots=True)
class EffectRecord:
    """Whether a dose reached the moisture probe: awaited until ``due_run_ms``, then seen, missed or unknown."""

    at: Moment
    dose_id: int
    effect: str
    due_run_ms: int
    moisture_before_fraction: float
    rise_expected_fraction: float


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


Record = (
    BootRecord
    | ReadingRecord
    | DoseIntended
    | DoseClosed
    | BoardRecord
    | EffectRecord
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
