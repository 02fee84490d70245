"""Carries out what ``step`` decides: actions in order, up to the first record that cannot be written."""

from controller.chamber.seam import (
    ButtonWasPressed,
    ChamberSeam,
    Happening,
    LineFound,
    LineLost,
    LocalProbeWentWet,
    MessageReceived,
)
from controller.control import model as m
from controller.control.step import step
from controller.errors import JournalError
from controller.plan import Settings
from controller.records.journal import Journal

CLOCK_STEP_MS = 500  # smaller changes are the slow steering of a disciplined clock


class Decider:
    """Holds the state of a run between events. One thread, one chamber, one journal."""

    def __init__(
        self, chamber: ChamberSeam, journal: Journal, settings: Settings, state: m.State, boot_id: int
    ) -> None:
        self.chamber = chamber
        self.journal = journal
        self.settings = settings
        self.state = state
        self._boot_id = boot_id
        clock = chamber.now()
        self._moment_clock = clock
        self._moment = m.Moment(clock.utc_ms, clock.monotonic_ms, boot_id, clock.utc_trusted)
        self._clock = (clock.utc_ms - clock.monotonic_ms, clock.utc_trusted)

    def moment(self) -> m.Moment:
        """Now, on both clocks, in this life of the program."""
        clock = self.chamber.now()
        if clock is not self._moment_clock:
            self._moment_clock = clock
            self._moment = m.Moment(clock.utc_ms, clock.monotonic_ms, self._boot_id, clock.utc_trusted)
        return self._moment

    def handle(self, event: m.Event) -> None:
        """Decide about one event. A record that cannot be written undoes the decision and is an event itself."""
        state, actions = step(self.state, event, self.settings)
        written: list[m.Record] = []
        for action in actions:
            if isinstance(action, m.Append):
                try:
                    self.journal.append(action.record)
                    written.append(action.record)
                except JournalError as error:
                    kept = _not_to_lose(event, actions, written)
                    failed = m.AppendFailed(event.at, action.record, str(error), state.line, kept, tuple(written))
                    self.state, actions = step(self.state, failed, self.settings)
                    for each in actions:
                        self._act(each)
                    return
            else:
                self._act(action)
        self.state = state

    def _act(self, action: m.Action) -> None:
        if isinstance(action, m.SendToBoard):
            self.chamber.send(action.kind, action.values)
        elif isinstance(action, m.SetLamp):
            self.chamber.set_lamp(action.duty_fraction)
        elif isinstance(action, m.SetStatusLamp):
            self.chamber.set_status_lamp(action.pattern)

    def hear(self) -> None:
        """Take everything the chamber has to say, and what it says to our answers, until it is quiet."""
        happenings = self.chamber.received()
        while happenings:
            for happening in happenings:
                if isinstance(happening, LocalProbeWentWet):
                    self.sample()
                else:
                    self.handle(self._event_of(happening))
            happenings = self.chamber.received()

    def _event_of(self, happening: Happening) -> m.Event:
        at = self.moment()
        if isinstance(happening, MessageReceived):
            return m.BoardReported(at, happening.message)
        if isinstance(happening, LineFound):
            return m.LinkFound(at)
        if isinstance(happening, LineLost):
            return m.LinkLost(at, happening.detail)
        assert isinstance(happening, ButtonWasPressed)
        return m.ButtonPressed(at)

    def notice_clock(self) -> bool:
        """Whether the wall clock moved against the monotonic one, or its trust changed; if so it is an event."""
        clock = self.chamber.now()
        offset_ms = clock.utc_ms - clock.monotonic_ms
        known_ms, trusted = self._clock
        if abs(offset_ms - known_ms) < CLOCK_STEP_MS and clock.utc_trusted == trusted:
            self._clock = (offset_ms, trusted)
            return False
        self._clock = (offset_ms, clock.utc_trusted)
        self.handle(m.ClockStepped(self.moment(), offset_ms - known_ms))
        return True

    def sample(self) -> None:
        """Read the chamber once and decide about it."""
        reading = self.chamber.sample()
        self.handle(m.Sampled(self.moment(), reading))

    def tick(self) -> None:
        self.handle(m.Ticked(self.moment()))
        self.hear()


def _not_to_lose(event: m.Event, actions: list[m.Action], written: list[m.Record]) -> tuple[m.Record, ...]:
    """Records of a decision that failed which must be written when that can be done again: a start's, and trips."""
    records = [action.record for action in actions if isinstance(action, m.Append)][len(written) :]
    is_start = isinstance(event, m.Started)
    return tuple(record for record in records if is_start or isinstance(record, m.TripRecord))
