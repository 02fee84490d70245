"""Sending: sealed days go to their places, oldest first, and are offered again until they are there.

There is one backoff, and it is kept in the outbox: it survives power cuts, and the tries of a place that is away
never multiply. Between two tries lie 30 s, doubling up to six hours, each drawn from the upper half of its span so
that a classroom of chambers does not come back in step. A wait that lies further ahead than six hours comes from a
clock that was wrong, and counts as over.
"""

from collections.abc import Callable
from datetime import datetime
from datetime import time as TimeOfDay
from pathlib import Path
from typing import NamedTuple
from zoneinfo import ZoneInfo

from controller.errors import SettingsError
from controller.parcels.manifest import MANIFEST, read_manifest
from controller.parcels.pace import Pace
from controller.parcels.places import Place, place_at
from controller.records.outbox import Address, Outbox

FIRST_WAIT_S = 30.0
WAIT_MAX_S = 6 * 3600.0


class Sent(NamedTuple):
    """What one round of sending to a place did."""

    address: str
    days_delivered: tuple[str, ...]
    days_waiting: tuple[str, ...]
    words: str


def send(
    outbox: Outbox,
    parcels: Path,
    address: Address,
    *,
    now: Callable[[], datetime],
    chance: Callable[[], float],
    time_zone: str = "UTC",
    place: Callable[[Address], Place] = place_at,
    pace: Pace | None = None,
    at_once: bool = False,
) -> Sent:
    """One round of sending to one place: every sealed day that it has not, until the first failure.

    ``chance`` gives numbers from 0 to 1; ``at_once`` does not wait for the next try to fall due.
    """
    limit = None if address.limit_kb_per_s is None else address.limit_kb_per_s * 1000.0
    pace = pace or Pace(limit)
    delivered: list[str] = []
    words = ""
    failures, not_before_ms = outbox.failures(address.place_id)
    wait_s = not_before_ms / 1000.0 - now().timestamp()
    due = at_once or not 0 < wait_s <= WAIT_MAX_S
    if not due:
        words = f"the next try falls due in {wait_s:.0f} s"
    for day in outbox.days_waiting(address.place_id) if due else ():
        if is_quiet(address.quiet, now(), time_zone):
            words = f"quiet hours ({address.quiet})"
            break
        try:
            manifest = read_manifest((parcels / day / MANIFEST).read_bytes(), str(parcels / day / MANIFEST))
            place(address).deliver(manifest, parcels / day, pace)
        except OSError as error:  # a ParcelError, or a sealed file that cannot be read
            words = str(error)
            wait_s = min(WAIT_MAX_S, FIRST_WAIT_S * 2**failures) * (0.5 + 0.5 * chance())
            wait_s = max(wait_s, min(getattr(error, "retry_after_s", 0.0), WAIT_MAX_S))
            outbox.note_failed(address.place_id, words, round((now().timestamp() + wait_s) * 1000))
            break
        outbox.note_delivered(address.place_id, day, manifest.sha256, round(now().timestamp() * 1000))
        failures = 0
        delivered.append(day)
    return Sent(address.address, tuple(delivered), tuple(outbox.days_waiting(address.place_id)), words)


def is_quiet(quiet: str, at: datetime, time_zone: str) -> bool:
    """Whether a moment lies in quiet hours such as ``08:00-15:30`` or ``22:00-06:00`` on the chamber's clocks."""
    if not quiet:
        return False
    begin, end = quiet_hours(quiet)
    here = at.astimezone(ZoneInfo(time_zone)).time()
    return begin <= here < end if begin <= end else here >= begin or here < end


def quiet_hours(text: str) -> tuple[TimeOfDay, TimeOfDay]:
    """Both ends of quiet hours; SettingsError when they cannot be read."""
    try:
        begin, end = (TimeOfDay.fromisoformat(part) for part in text.split("-"))
    except ValueError as error:
        raise SettingsError((f"--quiet {text}: write hours such as 08:00-15:30.",)) from error
    if begin.tzinfo is not None or end.tzinfo is not None:
        raise SettingsError((f"--quiet {text}: write hours of the chamber's clocks, without an offset.",))
    return begin, end
