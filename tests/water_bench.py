"""The shipped law and the shipped board program on a bench in virtual time, with a line that can be told to misbehave.

No physics: probes read what a test says, and the truth is the steps that the board turned. After every event the
memory that a new start would fold from the records is compared with the live one.
"""

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Any

from controller.chamber.seam import BoardCounts, ClockReading, Happening, LineFound, LineLost, MessageReceived
from controller.control import line, recovery
from controller.control import model as m
from controller.deciding import Decider
from controller.errors import JournalError
from firmware_bridge import messages
from firmware_bridge.board import Board, fresh_saved_line
from tests import examples

DRY = {"leak": 2000, "float": 2000, "reservoir": 1000}
MOISTURE_COUNTS = {"dry": 2600, "wet": 1500}  # below the example's low threshold, and above its high one
JOURNAL_ID = 4711
BOARD_ID = 815
# What a start must find again exactly as it was; the rest is made of samples, of the line, or of other journals.
DURABLE = (
    "phase", "phase_since_run_ms", "hydrated_utc_ms", "hydrated_utc_trusted", "light_anchor_utc_ms", "open_dose",
    "open_accounts", "last_dose_id", "given_lately", "first_wetting_given_ml", "watering_given_ml", "last_dose_run_ms",
    "last_dose_began_run_ms", "last_slot", "watering_answer", "trips", "steps_due", "steps_done", "board",
    "turned_total_steps", "effect_check", "effects_missed",
)  # fmt: skip

Frames = Iterable[tuple[int, bytes]]  # (delay in ms, bytes) of what becomes of one frame


def whole(data: bytes) -> Frames:
    return [(0, data)]


def gone(data: bytes) -> Frames:
    return []


def growing(run_ms: int = 600_000) -> list[m.Record]:
    """The records of a run whose first wetting is over; no water was counted."""
    at = m.Moment(examples.START_UTC_MS, 0, 1, True)
    return [
        m.BootRecord(at, "test"),
        m.PhaseRecord(at, m.WETTING, 0),
        m.PhaseRecord(at._replace(utc_ms=at.utc_ms + run_ms, monotonic_ms=run_ms), m.GROWING, run_ms),
    ]


class Records:
    """A journal in memory. ``full`` lets nothing more in."""

    def __init__(self, records: Iterable[m.Record] = ()) -> None:
        self.kept = list(records)
        self.full = False

    def append(self, *records: m.Record) -> None:
        if self.full:
            raise JournalError("journal.sqlite: disk is full")
        self.kept += [record for record in records if not isinstance(record, m.ReadingRecord)]

    def of(self, kind: type) -> list[Any]:
        return [record for record in self.kept if isinstance(record, kind)]


class WaterBench:
    """One host, one board, one line. ``to_board`` and ``to_host`` say what becomes of each frame."""

    def __init__(self, settings: Any = None, records: Iterable[m.Record] = (), *, board_id: int = BOARD_ID) -> None:
        self.settings = settings or examples.settings(examples.DRY_HANDS)
        self.journal = Records(records)
        self.journal_id = JOURNAL_ID
        self.known_journals: tuple[tuple[int, int], ...] = ()
        self.ms = 0
        self.utc_ms = examples.START_UTC_MS + 86_400_000
        self.utc_trusted = True
        self.probes = dict(DRY)
        self.moisture_counts = MOISTURE_COUNTS["dry"]
        self.local_leak_wet = False
        self.turned_steps = 0
        self.frames_to_board: list[tuple[str, ...]] = []
        self.to_board: Callable[[bytes], Frames] = whole
        self.to_host: Callable[[bytes], Frames] = whole
        self._flying: list[tuple[int, int, bool, bytes]] = []
        self._order = 0
        self._requests = 0
        self._happenings: list[Happening] = []
        self.saved = fresh_saved_line(board_id)
        self.start_board()
        self.start()

    # -- lives ----

    def start_board(self, saved: bytes | None = None) -> None:
        """Power the board off and on, or put another one in whose memory is ``saved``."""
        self.board = Board(saved or self.saved, 999)
        self._rotor_steps = 0
        self._save()
        self.board.tick(0, *self._counts(), 0)

    def start(self, records: Iterable[m.Record] | None = None) -> None:
        """A new life of the controller, on the same records or on others."""
        if records is not None:
            self.journal.kept = list(records)
        boot_id = 1 + max((record.at.boot_id for record in self.journal.kept), default=0)
        at = m.Moment(self.now().utc_ms, self.ms, boot_id, self.utc_trusted)
        state = recovery.resume(at, self.journal.kept, None, self.settings, self.journal_id)
        known = tuple(m.KnownDose(journal_id, last_id, 2400) for journal_id, last_id in self.known_journals)
        state = state.but(known_doses=known)
        self._counts_heard = BoardCounts()
        self._happenings = [LineFound()]
        self._flying = [each for each in self._flying if each[2]]
        self.decider = Decider(self, self.journal, self.settings, state, boot_id)  # type: ignore[arg-type]
        self.handle(m.Started(self.decider.moment(), "test"))

    def unplug(self) -> None:
        self._happenings.append(LineLost("unplugged"))
        self._flying.clear()
        self._counts_heard.forget()

    def plug_in(self) -> None:
        self._happenings.append(LineFound())

    @property
    def state(self) -> m.State:
        return self.decider.state

    # -- the seam ----

    def now(self) -> ClockReading:
        return ClockReading(self.utc_ms + self.ms, self.ms, self.utc_trusted)

    def _counts(self) -> tuple[int, int, int, int]:
        return self.probes["leak"], self.probes["float"], self.probes["reservoir"], self.moisture_counts

    def sample(self) -> m.Reading:
        wiggle = self.ms // 10_000 % 2  # a live converter is never quite still
        self.moisture_counts += 1 if wiggle else -1
        air = (21.0 + wiggle / 10, 60.0 + wiggle)
        return self._counts_heard.reading(air, self.ms, self.local_leak_wet, False)

    def set_lamp(self, duty_fraction: float) -> None:
        pass

    def set_status_lamp(self, pattern: str) -> None:
        pass

    def send(self, kind: str, values: tuple[int | str, ...]) -> None:
        self.frames_to_board.append((kind, *values))
        self._fly(self.to_board(messages.encode(kind, *values)), True)

    def _fly(self, frames: Frames, is_to_board: bool) -> None:
        for delay_ms, data in frames:
            self._order += 1
            self._flying.append((self.ms + delay_ms, self._order, is_to_board, data))

    def received(self) -> list[Happening]:
        found, self._happenings = self._happenings, []
        return found

    # -- time ----

    def _save(self) -> None:
        saved = self.board.take_to_save()
        if saved is not None:
            self.saved = saved
            self.board.intent_saved()

    def _land(self) -> None:
        due = sorted(each for each in self._flying if each[0] <= self.ms)
        self._flying = [each for each in self._flying if each[0] > self.ms]
        for _, _, is_to_board, data in due:
            if is_to_board:
                self.board.receive(data)
                self._save()
                continue
            message = messages.decode(data.rstrip(b"\n"))
            if message is not None and self._counts_heard.note(message, self.ms):
                self._happenings.append(MessageReceived(message))
        for frame in self.board.take_output().splitlines(keepends=True):
            self._fly(self.to_host(frame), False)

    def _pass(self, span_ms: int) -> None:
        steps = self.board.tick(span_ms, *self._counts(), self._rotor_steps)
        self._rotor_steps = steps
        self.turned_steps += steps
        self.ms += span_ms
        self._save()

    def wait(self, hours: float) -> None:
        """Let hours pass, looked at every ten seconds while nothing moves."""
        self.run(hours * 3600, 10_000)

    def run(self, seconds: float, rest_ms: int = 1000) -> None:
        """Let time pass: ticks of the board while frames fly or the pump turns, longer strides of rest otherwise."""
        until_ms = self.ms + round(seconds * 1000)
        while self.ms < until_ms:
            for _ in range(3):  # what was said and answered at once does not fly
                self._land()
                self._hear()
            at_rest = not self._flying and not self.board.law.dose_in_hand() and self.state.open_dose is None
            second_ms = min(rest_ms if at_rest else 1000, until_ms - self.ms)
            strides = 1 if at_rest else 10
            for _ in range(strides):
                self._land()
                self._hear()
                if self.board.law.dose_in_hand():
                    for _ in range(second_ms // strides // 10):
                        self._pass(10)
                else:
                    self._pass(second_ms // strides)
            self._land()
            self._hear()
            if self.ms // 10_000 > (self.ms - second_ms) // 10_000:
                self.handle(m.Sampled(self.decider.moment(), self.sample()))
            self.decider.notice_clock()
            self.handle(m.Ticked(self.decider.moment()))
            self._hear()

    def _hear(self) -> None:
        for happening in self.received():
            self.handle(self.decider._event_of(happening))

    def run_until(self, condition: Callable[[], bool], within_s: float) -> None:
        until_ms = self.ms + round(within_s * 1000)
        while not condition():
            assert self.ms < until_ms, f"not within {within_s:g} s"
            self.run(1)

    def handle(self, event: m.Event) -> None:
        known = len(self.journal.kept)
        self.decider.handle(event)
        if len(self.journal.kept) > known and not self.state.records_failed:
            self.compare_memories()

    def compare_memories(self) -> None:
        """What a start would rebuild from the records is what the live law remembers."""
        empty = m.State(now=m.Moment(0, 0, 0, False), journal_id=self.journal_id)
        rebuilt = recovery.fold(empty, self.journal.kept, self.settings)
        for name in DURABLE:
            assert getattr(rebuilt, name) == getattr(self.state, name), name
        raised = {name for name, alarm in self.state.alarms if alarm.raised}
        assert {name for name, _ in rebuilt.alarms} == raised

    # -- people ----

    def ask(self, request: str, subject: str = "", by: str = "LK", **more: Any) -> int:
        """A request, as the runner hands it over; its number."""
        self._requests += 1
        at = more.pop("at", None) or self.decider.moment()
        made = m.Request(at, self._requests, request, by, subject, **more)
        self.handle(m.RequestMade(self.decider.moment(), made))
        return self._requests

    def answers(self, request_id: int) -> list[m.RequestAnswered]:
        return [answer for answer in self.journal.of(m.RequestAnswered) if answer.request_id == request_id]

    # -- what is so ----

    def settle(self, within_s: float = 30) -> None:
        self.run_until(lambda: self.state.line.state == line.SETTLED, within_s)

    def counted_steps(self) -> int:
        """The account: the last word on each dose, and what is open in full."""
        closed = {each.dose_id: each.steps_max for each in self.journal.of(m.DoseClosed)}
        opened = self.state.open_dose
        return sum(closed.values()) + (opened.dose_steps if opened else 0)

    def outcomes(self) -> dict[int, m.DoseClosed]:
        return {each.dose_id: each for each in self.journal.of(m.DoseClosed)}

    def alarms(self) -> set[str]:
        return {name for name, alarm in self.state.alarms if alarm.raised}


def with_plan(**watering: Any) -> Any:
    """The example without hands-on steps, with parts of its watering changed."""
    plan = replace(examples.DRY_HANDS, watering=replace(examples.PLAN.watering, **watering))
    return examples.settings(plan)
