"""Actions: what to do, in order."""

from typing import NamedTuple

from controller.control.model.records import Record


class Append(NamedTuple):
    """Write the record. A decision's records are written all or none; where none is, what follows never happens."""

    record: Record


class SendToBoard(NamedTuple):
    kind: str
    values: tuple[int | str, ...] = ()


class SetLamp(NamedTuple):
    duty_fraction: float


class SetStatusLamp(NamedTuple):
    pattern: str


Action = Append | SendToBoard | SetLamp | SetStatusLamp
