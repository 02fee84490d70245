"""The state of the host: what its law remembers."""

from dataclasses import dataclass, fields
from typing import Any, NamedTuple

from controller.control.model.moments import Moment, Reading
from controller.control.model.names import MISSING, PREPARING
from controller.control.model.records import BoardRecord, DoseClosed, DoseIntended, EffectRecord, Record


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


class DoseLife(NamedTuple):
    """Where the open dose is in its life (``control/dose_life.py``); nobody folds it from records."""

    state: str
    since_ms: int  # monotonic moment at which this state began
    session: int = 0  # and number of the message that asked the board for it; 0: asked by an earlier life, if at all
    number: int = 0
    taken: bool = False  # the board has accepted it, or was seen with it in hand
    moisture_before_fraction: float | None = None


class Given(NamedTuple):
    """Water counted against the budgets: the most it can have been. ``run_ms`` is when it ended."""

    run_ms: int
    volume_max_ml: float
    purpose: str
    began_run_ms: int
    dose_id: int = 0  # 0: a dose of another journal


class KnownDose(NamedTuple):
    """A dose in a journal that lies beside this one, at the least it can have been."""

    journal_id: int
    dose_id: int
    steps_min: int


class StrangeBoard(NamedTuple):
    """A board that this journal does not know, and when (monotonic) it took the place of another such one."""

    board_id: int = 0
    changed_ms: int | None = None


NO_STRANGER = StrangeBoard()


class OpenAccount(NamedTuple):
    """A dose that was closed without the board's word: what the board says later corrects it."""

    intent: DoseIntended
    closed: DoseClosed


class Line(NamedTuple):
    """The conversation with the board (``control/line.py``). Moments are monotonic."""

    state: str = "down"
    since_ms: int = 0
    session: int = 0  # the board's number for it
    said: int = 0  # number of our newest message in it
    heard: int = 0  # number of the board's newest
    echo: int = 0  # number of our newest message that the board had heard when it said that
    hello_number: int = 0
    hello_ms: int = 0
    heard_ms: int = 0
    greeting: BoardRecord | None = None  # who answered


class PumpAge(NamedTuple):
    """How long the pump has turned its tube, and how far its factor has moved from the one in use.

    ``drifts`` says that the newest check lies outside the limits of its control charts.
    """

    turned_ms: int = 0
    drift_pct: float = 0.0  # without its sign, and only what is beyond the doubt of the newest factor
    drifts: bool = False


NEW_PUMP = PumpAge()


NO_LINE = Line()


class AlarmState(NamedTuple):
    since_ms: int  # monotonic moment since which the condition has (or has not) held
    holds: bool
    raised: bool


class AskedClear(NamedTuple):
    """A person's wish to clear a trip, of which the board was asked."""

    request_id: int
    trip_reason: str
    cleared_by: str
    since_ms: int  # monotonic


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
    open_dose: DoseIntended | None = None  # recorded as intended and not yet as closed
    dose_life: DoseLife | None = None  # there when a dose is open
    open_accounts: tuple[OpenAccount, ...] = ()
    last_dose_id: int = 0
    given_lately: tuple[Given, ...] = ()  # of the last week on the run clock
    first_wetting_given_ml: float = 0.0
    watering_given_ml: float = 0.0
    last_dose_run_ms: int | None = None  # when it ended
    last_dose_began_run_ms: int = 0
    thirsty: bool = False
    last_slot: int = -1
    effect_check: EffectRecord | None = None  # of a finished dose whose effect is still to be seen
    effects_missed: int = 0
    watering_answer: str = ""
    untrusted_since_run_ms: int | None = None  # for how long that answer has been that moisture is not trusted
    water_wanted: bool = False  # whether the plan wanted water when that was answered
    wanting_since_ms: int = 0  # monotonic, of the same; for a run that gets ready, whose run clock stands still
    wanting_since_run_ms: int | None = None  # water is wanted and not given, for no reason that the plan gives
    pump_age: PumpAge = NEW_PUMP  # from other journals and this one, up to now; nobody folds it from records
    looked_elsewhere_ms: int = 0  # monotonic moment at which ``given_lately`` took over the water of other journals
    # board
    line: Line = NO_LINE
    journal_id: int = 0  # this journal's identity, which the board remembers
    known_doses: tuple[KnownDose, ...] = ()  # of the journals that lie beside this one, as found at the start
    strange_board: StrangeBoard = NO_STRANGER
    board: BoardRecord | None = None  # the board that this journal knows
    turned_total_steps: int = 0  # what that board should have turned in its life, as far as this journal knows
    limits_differ: bool = False
    board_trip_number: int | None = None  # of the trip in the newest report of this conversation
    hold_until_ms: int = 0  # monotonic; a dose was not started, so the board is left in peace for a while
    hold_reason: str = ""
    asked_clear: AskedClear | None = None
    leaving: bool = False  # the program is about to end
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
    unwritten: tuple[Record, ...] = ()  # what must be written first when records work again: a start, trips
    run_clock_placed: bool = False  # whether trusted UTC has placed the run clock in this boot
    clock_doubted_since_ms: int | None = None  # monotonic; UTC says that far more time has passed than is believed yet

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
