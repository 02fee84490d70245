"""The one seam between the law and a chamber. Two things stand behind it: real pins and buses, or a simulation."""

from typing import Any, NamedTuple, Protocol

from controller.control.model import Reading


class ClockReading(NamedTuple):
    """Both clocks at one instant, in milliseconds; ``utc_trusted`` when network time stands behind UTC."""

    utc_ms: int
    monotonic_ms: int
    utc_trusted: bool


class LineFound(NamedTuple):
    """The serial line to the board is open."""


class LineLost(NamedTuple):
    """The serial line to the board is gone."""

    detail: str


class MessageReceived(NamedTuple):
    """One whole message of the board, as messages.decode gives it."""

    message: tuple[str | int | None, ...]


class ButtonWasPressed(NamedTuple):
    """Somebody pressed the acknowledge button."""


class LocalProbeWentWet(NamedTuple):
    """A probe of the single-board computer itself changed from dry to wet: worth a sample at once."""


Happening = LineFound | LineLost | MessageReceived | ButtonWasPressed | LocalProbeWentWet


class ChamberSeam(Protocol):
    """What the runner needs of a chamber. Nothing here decides anything."""

    def now(self) -> ClockReading: ...

    def sample(self) -> Reading: ...

    def set_lamp(self, duty_fraction: float) -> None: ...

    def set_status_lamp(self, pattern: str) -> None: ...

    def send(self, kind: str, values: tuple[int | str, ...]) -> None: ...

    def received(self) -> list[Happening]: ...

    def close(self) -> None: ...


class BoardCounts:
    """The newest probe counts that the board reported, and how old they are."""

    STALE_AFTER_MS = 30_000
    NEWS_EVERY_MS = 60_000

    def __init__(self) -> None:
        self._counts: tuple[Any, ...] | None = None
        self._at_monotonic_ms = 0
        self._known: object = None  # what the last passed report said beside its counts
        self._news_monotonic_ms = 0

    def note(self, message: tuple[str | int | None, ...], monotonic_ms: int) -> bool:
        """Remember the counts of a report; answers whether the message is news for the deciding loop.

        A board at rest reports each second. A report that says nothing but new counts, a longer uptime and its own
        number is passed on once a minute; any other message, and the first report after one, is passed on at once.
        """
        if message[0] != "report":
            self._known = None
            return True
        self._counts = message[11:15]
        self._at_monotonic_ms = monotonic_ms
        said = (message[1], message[3:11])  # the conversation and what was heard in it, and the state of the pump
        is_news = said != self._known or monotonic_ms - self._news_monotonic_ms >= self.NEWS_EVERY_MS
        if is_news:
            self._known = said
            self._news_monotonic_ms = monotonic_ms
        return is_news

    def forget(self) -> None:
        """The line is gone: nothing that was said before counts."""
        self._counts = None
        self._known = None

    def reading(
        self, air: tuple[float, float] | None, monotonic_ms: int, local_leak_wet: bool, local_float_up: bool
    ) -> Reading:
        """A reading of everything; counts that are stale are absent, never repeated."""
        counts: tuple[Any, ...] = (None, None, None, None)
        if self._counts is not None and monotonic_ms - self._at_monotonic_ms <= self.STALE_AFTER_MS:
            counts = self._counts
        leak, overfill, reservoir, moisture = counts
        air_temperature_c, relative_humidity_pct = air or (None, None)
        return Reading(
            air_temperature_c,
            relative_humidity_pct,
            moisture,
            leak,
            overfill,
            reservoir,
            local_leak_wet,
            local_float_up,
        )
