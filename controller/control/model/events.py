"""Events: what happened, each with its moment."""

from typing import NamedTuple

from controller.control.model.moments import Moment, Reading
from controller.control.model.records import Record, Request
from controller.control.model.state import Line


class Started(NamedTuple):
    """The program came up; ``state`` was rebuilt from the journal. ``notes`` are (event, words) to write down too."""

    at: Moment
    software_version: str
    notes: tuple[tuple[str, str], ...] = ()


class Ticked(NamedTuple):
    """A second of the deciding loop's own monotonic clock went by."""

    at: Moment


class Sampled(NamedTuple):
    at: Moment
    reading: Reading


class BoardReported(NamedTuple):
    at: Moment
    message: tuple[str | int | None, ...]


class LinkFound(NamedTuple):
    at: Moment


class LinkLost(NamedTuple):
    at: Moment
    detail: str


class ClockStepped(NamedTuple):
    """The wall clock moved against the monotonic one, or its trust changed."""

    at: Moment
    difference_ms: int


class RequestMade(NamedTuple):
    """A person asked for something, by a row in the journal."""

    at: Moment
    request: Request


class ButtonPressed(NamedTuple):
    at: Moment


class AppendFailed(NamedTuple):
    """A record could not be written, or, without one, the journal could not be read.

    The decision is undone, but not what was said to the board meanwhile (``line``), nor what of it was written before
    (``written``); ``unwritten`` are its records that must not be lost: those of a start, and trips.
    """

    at: Moment
    record: Record | None
    detail: str
    line: Line | None = None
    unwritten: tuple[Record, ...] = ()
    written: tuple[Record, ...] = ()


class Leaving(NamedTuple):
    """The program is asked to end: no more water, and what turns is stopped."""

    at: Moment


class JobFired(NamedTuple):
    """A job of the table in schedule.py came due."""

    at: Moment
    job: str


Event = (
    Started
    | Ticked
    | Sampled
    | BoardReported
    | LinkFound
    | LinkLost
    | ClockStepped
    | RequestMade
    | ButtonPressed
    | AppendFailed
    | Leaving
    | JobFired
)
