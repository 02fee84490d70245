"""Whether a reading may be believed: range, jump, stuck, stale. The raw value is never altered."""

from typing import NamedTuple

from controller.control.model import GOOD, MISSING, SUSPECT, Channel

RECENT_VALUES = 5
JUMP_BELIEVED_AFTER_SAMPLES = 5
OUTSIDE = "outside what the sensor can see"


class Bounds(NamedTuple):
    """What a channel can give at all, how far it can move between samples, and how long it can stand still.

    Choices of this project (common practice, no source): the ranges are what such a chamber can physically hold,
    and a live converter shows noise, so a value without any change for a quarter of an hour is not alive. ``calm_max``
    is how far the values may lie apart by which a channel is trusted after trouble: a wire that hangs in the air gives
    anything, and now and then five values in a row that are no jump.
    """

    low: float
    high: float
    jump_max: float
    stuck_after_ms: int
    calm_max: float


AIR_TEMPERATURE_C = Bounds(low=-20.0, high=70.0, jump_max=4.0, stuck_after_ms=900_000, calm_max=1.0)
RELATIVE_HUMIDITY_PCT = Bounds(low=0.0, high=100.0, jump_max=25.0, stuck_after_ms=900_000, calm_max=6.0)
MOISTURE_COUNTS = Bounds(low=50.0, high=4_000.0, jump_max=700.0, stuck_after_ms=1_800_000, calm_max=100.0)


def judge(channel: Channel, value: float | None, at_monotonic_ms: int, bounds: Bounds) -> Channel:
    """The channel's memory after ``value`` (None: nothing could be read) at ``at_monotonic_ms``."""
    if value is None or value != value:
        return Channel(None, MISSING, "no reading", at_monotonic_ms, channel.level, 0, ())
    same_since_ms = channel.same_since_ms if value == channel.value else at_monotonic_ms
    level = channel.level
    jumped = 0
    if value < bounds.low or value > bounds.high:
        cause = OUTSIDE
    elif level is not None and abs(value - level) > bounds.jump_max:
        before = channel.value if channel.jumped_samples else None
        stays = before is not None and abs(value - before) <= bounds.jump_max
        jumped = channel.jumped_samples + 1 if stays else 1
        cause = "jumped"
        if jumped >= JUMP_BELIEVED_AFTER_SAMPLES:  # it stays there: a new level, not a glitch
            cause, jumped = "", 0
    elif at_monotonic_ms - same_since_ms >= bounds.stuck_after_ms:
        cause = "has not moved at all"
    else:
        cause = ""
    if cause:
        return Channel(value, SUSPECT, cause, same_since_ms, level, jumped, ())
    return Channel(value, GOOD, "", same_since_ms, value, 0, _recent(channel.recent, value, bounds.calm_max))


def judge_beside(
    beside: Channel, channel: Channel, value: float | None, at_monotonic_ms: int, bounds: Bounds
) -> Channel:
    """``judge`` for a value of the same measurement as ``beside``: where that one is impossible, both are doubted."""
    after = judge(channel, value, at_monotonic_ms, bounds)
    if beside.cause != OUTSIDE or after.quality != GOOD:
        return after
    return Channel(after.value, SUSPECT, "measured with one that cannot be", after.same_since_ms, channel.level, 0, ())


def _recent(recent: tuple[float, ...], value: float, calm_max: float) -> tuple[float, ...]:
    """The last good values with this one; until there are enough of them, only such as agree with each other."""
    if len(recent) < RECENT_VALUES and any(abs(value - other) > calm_max for other in recent):
        return (value,)
    return (*recent[1 - RECENT_VALUES :], value)


def settled(channel: Channel) -> float | None:
    """Median of the last good values, or None until there are enough of them to trust the channel."""
    if len(channel.recent) < RECENT_VALUES:
        return None
    return sorted(channel.recent)[RECENT_VALUES // 2]
