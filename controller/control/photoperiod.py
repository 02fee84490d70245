"""When the lamp is on: a level computed from a moment, never an edge that could be missed."""

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

from controller.control.model.moments import MS_PER_DAY, MS_PER_H
from controller.plan import Photoperiod

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def utc_ms(moment: datetime) -> int:
    """Milliseconds since 1970-01-01T00:00Z of an aware moment."""
    since = moment - EPOCH
    return since.days * MS_PER_DAY + since.seconds * 1000 + round(since.microseconds / 1000)


def moment_of(at_utc_ms: int) -> datetime:
    """The aware moment of milliseconds since 1970-01-01T00:00Z."""
    return EPOCH + timedelta(milliseconds=at_utc_ms)


def light_anchor_utc_ms(period: Photoperiod, hydrated_utc_ms: int, time_zone: str) -> int:
    """The start of one light period; all others lie whole cycles from it, so a changing local clock moves none.

    A start without offset is local time of the chamber; a time of day is its last occurrence at or before
    hydration, on the plan's clock.
    """
    start = period.start
    zone = ZoneInfo(time_zone)
    if isinstance(start, datetime):
        return utc_ms(start if start.tzinfo is not None else start.replace(tzinfo=zone))
    return last_occurrence_utc_ms(start, hydrated_utc_ms, UTC if period.clock == "utc" else zone)


def last_occurrence_utc_ms(time_of_day: time, at_utc_ms: int, zone: ZoneInfo | type(UTC)) -> int:  # type: ignore[valid-type]
    """The last moment at or before ``at_utc_ms`` at which clocks in ``zone`` showed ``time_of_day``."""
    here = moment_of(at_utc_ms).astimezone(zone)
    for days_back in (0, 1, 2):
        day = here.date() - timedelta(days=days_back)
        candidate_ms = utc_ms(datetime.combine(day, time_of_day, tzinfo=zone))
        if candidate_ms <= at_utc_ms:
            return candidate_ms
    raise AssertionError("a time of day occurs at least once in two days")


def light_fraction(period: Photoperiod, at_utc_ms: int, anchor_utc_ms: int) -> float:
    """Share of full light at a moment, 0 to 1, with straight ramps inside the light period."""
    into_h = ((at_utc_ms - anchor_utc_ms) % round(period.cycle_h * MS_PER_H)) / MS_PER_H
    if into_h >= period.light_h:
        return 0.0
    ramp_h = period.ramp_min / 60.0
    if ramp_h == 0.0:
        return 1.0
    return min(1.0, into_h / ramp_h, (period.light_h - into_h) / ramp_h)


def duty_fraction(period: Photoperiod, full_duty_fraction: float, at_utc_ms: int, anchor_utc_ms: int) -> float:
    """Duty of the lamp in whole percents, which is what the lamp output can do."""
    return round(full_duty_fraction * light_fraction(period, at_utc_ms, anchor_utc_ms), 2)
