"""How single values are written into a table: moments, numbers, and text that people wrote."""

from collections.abc import Iterable
from datetime import UTC, tzinfo
from typing import Literal, NamedTuple
from zoneinfo import ZoneInfo

from controller.control.model.moments import MS_PER_DAY
from controller.control.photoperiod import moment_of

# A spreadsheet takes a cell that begins like this for a formula (a tab or line end before it changes nothing).
_FORMULA_SIGNS = ("=", "+", "-", "@")
MS_PER_QUARTER = 900_000
QUARTERS_KEPT = 64
Cell = str | int | float | None


class Clock:
    """Writes moments in UTC and on the clocks of one IANA time zone, both in ISO 8601."""

    def __init__(self, time_zone: str, timespec: Literal["milliseconds", "seconds"] = "milliseconds") -> None:
        self.zone: tzinfo = ZoneInfo(time_zone)
        self.in_milliseconds = timespec == "milliseconds"
        self._quarters: dict[tuple[int, tzinfo], tuple[str, int, str]] = {}

    def utc(self, utc_ms: int) -> str:
        return self._written(utc_ms, UTC)

    def local(self, utc_ms: int) -> str:
        return self._written(utc_ms, self.zone)

    def _written(self, utc_ms: int, zone: tzinfo) -> str:
        """Put together from the quarter of an hour, whose text is kept: no zone changes its offset inside one."""
        quarter, into_ms = divmod(utc_ms, MS_PER_QUARTER)
        head, minute, tail = self.quarter(quarter, zone)
        seconds, milliseconds = divmod(into_ms, 1000)
        written = f"{head}{minute + seconds // 60:02d}:{seconds % 60:02d}"
        return f"{written}.{milliseconds:03d}{tail}" if self.in_milliseconds else written + tail

    def quarter(self, quarter: int, zone: tzinfo) -> tuple[str, int, str]:
        """(text up to the minute, minute at its start, text after the seconds) of a quarter of an hour since 1970."""
        kept = self._quarters.get((quarter, zone))
        if kept is not None:
            return kept
        here = moment_of(quarter * MS_PER_QUARTER).astimezone(zone)
        text = here.isoformat(timespec="seconds")
        if len(self._quarters) >= QUARTERS_KEPT:
            self._quarters.clear()
        kept = (text[:14], here.minute, "Z" if zone is UTC else text[19:])
        self._quarters[quarter, zone] = kept
        return kept

    @staticmethod
    def day(day: int) -> str:
        """The date of a UTC day counted from 1970-01-01."""
        return moment_of(day * MS_PER_DAY).date().isoformat()


class Signs(NamedTuple):
    """What stands between cells, and before decimals."""

    separator: str
    decimal_mark: str


POINT = Signs(",", ".")
COMMA = Signs(";", ",")  # as spreadsheets in much of the world read it


def number(value: float | None, decimals: int) -> str:
    """The value with so many decimals, or an empty cell for None and NaN."""
    if value is None or value != value:
        return ""
    return f"{value:z.{decimals}f}"


def safe(text: str) -> str:
    """Free text that no spreadsheet takes for a formula: an apostrophe goes before one that begins like it."""
    return "'" + text if text.lstrip().startswith(_FORMULA_SIGNS) else text


def in_turn(told: Iterable[str], between: str = "; then ") -> str:
    """What the chamber files of a run say of one thing, one after the other; once where it never changed."""
    return between.join(dict.fromkeys(told))
