"""One life of the controller: the shipped decider behind a seam to the faulty world, mortal at each of its actions."""

from typing import TYPE_CHECKING, Any

from controller.chamber.seam import BoardCounts, ClockReading, Happening, LineFound, LineLost, MessageReceived
from controller.control import model as m
from controller.control.recovery import resume
from controller.deciding import Decider
from controller.errors import JournalError
from controller.plan import Settings
from firmware_bridge import messages

if TYPE_CHECKING:
    from tests.water.world import World


class KilledError(Exception):
    """The controller's process is gone."""


class WatchedDecider(Decider):
    """The shipped decider; the judge looks after each event."""

    judge: Any = None

    def handle(self, event: m.Event) -> None:
        super().handle(event)
        if self.judge is not None:
            self.judge.event_was_decided(event, self.state)


class Host:
    """The seam and the journal as this life of the controller has them."""

    def __init__(
        self, world: "World", settings: Settings, known_journals: tuple[tuple[int, int], ...],
        given: tuple[m.Given, ...],
    ) -> None:  # fmt: skip
        self.world = world
        self.settings = settings
        self.disk = world.disk
        self.dies_before = -1  # so many more actions until the process is killed; -1: it lives
        self.began_ms = world.now_ms
        self.is_leaving = False
        self._counts = BoardCounts()
        self._reader = messages.LineReader()
        self._happenings: list[Happening] = []
        self._line_open = False
        self._asked: set[int] = set()
        self.boot_id = self.disk.next_boot_id()
        clock = self.now()
        at = m.Moment(clock.utc_ms, clock.monotonic_ms, self.boot_id, clock.utc_trusted)
        state = resume(at, self.disk.history(), self.disk.last_reading(), settings, self.disk.number)
        state = state.but(
            given_lately=(*given, *state.given_lately),
            looked_elsewhere_ms=at.monotonic_ms,
            known_journals=known_journals,
        )
        self.decider = WatchedDecider(self, self, settings, state, self.boot_id)  # type: ignore[arg-type]

    def start(self) -> None:
        self.decider.judge = self.world.judge
        self.decider.handle(m.Started(self.decider.moment(), "test"))
        self.decider.sample()
        self.decider.hear()

    # -- the journal ----

    def append(self, record: Any) -> None:
        self._count()
        try:
            self.disk.append(record, self.world.now_ms)
        except JournalError:
            self.world.judge.record_was_refused(record)
            raise
        if not isinstance(record, m.ReadingRecord):
            self.world.judge.record_was_written(record)
        self._count()

    def _count(self) -> None:
        if self.dies_before == 0:
            raise KilledError
        if self.dies_before > 0:
            self.dies_before -= 1

    # -- the seam ----

    def now(self) -> ClockReading:
        world = self.world
        return ClockReading(world.utc_ms, world.now_ms, world.utc_trusted)

    def sample(self) -> m.Reading:
        world = self.world
        air = (21.0 + world.flicker * 0.01, 60.0 + world.flicker * 0.05)
        return self._counts.reading(air, world.now_ms, world.local_leak_wet, world.local_float_up)

    def set_lamp(self, duty_fraction: float) -> None:
        return

    def set_status_lamp(self, pattern: str) -> None:
        return

    def send(self, kind: str, values: tuple[int | str, ...]) -> None:
        self._count()
        frame = messages.encode(kind, *values)
        if self._line_open:
            self.world.judge.frame_leaves(kind, values)
            self.world.to_board.send(self.world.now_ms, frame)
        self._count()

    def received(self) -> list[Happening]:
        if not self._line_open and self.world.port_is_there:
            self._line_open = True
            self._reader = messages.LineReader()
            self._happenings.append(LineFound())
        elif self._line_open and not self.world.port_is_there:
            self._line_open = False
            self._counts.forget()
            self._happenings.append(LineLost("unplugged"))
        found, self._happenings = self._happenings, []
        return found

    def arrived(self, data: bytes) -> None:
        """Bytes of the line come in and are decided about at once."""
        if not self._line_open:
            return
        for message in self._reader.feed(data):
            if message[0] in messages.TO_HOST and self._counts.note(message, self.world.now_ms):
                self._happenings.append(MessageReceived(message))
        self.decider.hear()

    # -- the loop ----

    def tick(self, *, with_sample: bool) -> None:
        """What the loop of a run does each second."""
        decider = self.decider
        decider.hear()
        decider.notice_clock()
        if with_sample:
            decider.sample()
        if not decider.state.records_failed:
            for request in self.disk.open_requests():
                if request.request_id not in self._asked:
                    self._asked.add(request.request_id)
                    decider.handle(m.RequestMade(decider.moment(), request))
                    if decider.state.records_failed:
                        self._asked.remove(request.request_id)
                        break
        decider.tick()

    def leave(self) -> None:
        self.is_leaving = True
        self.decider.handle(m.Leaving(self.decider.moment()))

    @property
    def is_attentive(self) -> bool:
        """Whether something waits that a second decides about."""
        state = self.decider.state
        return state.open_dose is not None or state.asked_clear is not None or bool(self._unasked())

    def _unasked(self) -> bool:
        answers = self.world.judge.ledger.answers
        return any(each.request_id not in self._asked and not answers[each.request_id] for each in self.disk.requests)
