"""Which rows of a journal make up each closed UTC day.

The rule. Rows are taken in the order in which they were written: by boot, and within a boot by the monotonic clock.
The journal reaches a new day with the first row whose time on UTC is known (network time stood behind it, or the
monotonic clock places it) and lies in that day; every row from there on belongs to it, until a later day is reached.
So a day is closed as soon as a later one is reached, and no row is ever added to a closed day: a row that comes late
(the clock was set back over midnight, or the boot never had network time) is carried by the day that the journal had
reached, with the time it was written with. Rows before the first known time belong to the first day. A boot that may
still get network time reaches no day, so its rows wait. The last day closes when the run has ended; a run that ended
without ever having network time is cut by its times as written. A request is carried with its answer.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from controller.control import model as m
from controller.control.model.moments import MS_PER_DAY
from controller.records.formats import TABLES
from controller.records.journal import Journal
from controller.records.timeline import ROWS_PER_READ, Flags, Milliseconds, Timeline

Numbers = NDArray[np.int64]
Ranges = dict[str, tuple[int, int]]  # table -> number of its first and of its last row; first > last means none

_BOOT = 2**44  # more milliseconds than a boot can last
_NEVER = np.iinfo(np.int64).max
_REQUESTS = TABLES[m.Request]
_PLACING = [table for table in TABLES.values() if table != _REQUESTS]


class ClosedDay(NamedTuple):
    """One closed UTC day: days since 1970, and the rows that belong to it."""

    day: int
    rows: Ranges


def closed_days(
    journal: Journal, timeline: Timeline, before: Ranges, last_day: int, ended: bool
) -> Iterator[ClosedDay]:
    """Closed days after ``last_day`` (days since 1970), oldest first.

    ``before`` holds the rows of the days up to ``last_day``; ``ended`` says that nobody will write this run again.
    """
    reached_at, reached = _days_reached(journal, timeline, before, last_day, ended)
    if not ended:
        reached = reached[:-1]
    ends = np.append(reached_at[1:], _NEVER)[: len(reached)]
    if not len(reached):
        return
    lasts = {table: _last_rows(journal, table, before, ends) for table in _PLACING}
    lasts[_REQUESTS] = _last_requests(journal, before, ends, ended)
    after = {table: before.get(table, (1, 0))[1] + 1 for table in lasts}
    for place, day in enumerate(reached.tolist()):
        rows = {table: (after[table], int(lasts[table][place])) for table in sorted(lasts)}
        yield ClosedDay(day, rows)
        after = {table: last + 1 for table, (_, last) in rows.items()}


def _heads(journal: Journal, table: str, before: Ranges) -> Iterator[Numbers]:
    """row_id, place in the order of writing, UTC, whether trusted, boot, monotonic of the rows after ``before``."""
    sql = (
        f"SELECT row_id, boot_id * {_BOOT} + monotonic_ms, at_utc_ms, utc_trusted, boot_id, monotonic_ms "
        f"FROM {table} WHERE row_id > ? ORDER BY row_id"
    )
    found = journal.connection.execute(sql, (before.get(table, (1, 0))[1],))
    reached = 0
    while taken := found.fetchmany(ROWS_PER_READ):
        heads = np.array(taken, dtype=np.int64)
        np.maximum.accumulate(heads[:, 1], out=heads[:, 1])
        np.maximum(heads[:, 1], reached, out=heads[:, 1])
        reached = int(heads[-1, 1])
        yield heads


def _days_reached(
    journal: Journal, timeline: Timeline, before: Ranges, last_day: int, ended: bool
) -> tuple[Numbers, Numbers]:
    """(place in the order of writing, day) wherever the journal reaches a later day than ever before."""
    as_written = ended and not timeline.any_trusted
    found = [np.empty((0, 2), dtype=np.int64)]
    for table in _PLACING:
        highest = last_day
        for heads in _heads(journal, table, before):
            placed_ms, believed = place(heads, timeline)
            days = np.where(believed | as_written, placed_ms // MS_PER_DAY, last_day)
            days = np.maximum.accumulate(np.maximum(days, highest))
            turns = np.flatnonzero(np.diff(days, prepend=highest))
            found.append(np.column_stack((heads[turns, 1], days[turns])))
            highest = int(days[-1])
    turns_found = np.concatenate(found)
    turns_found = turns_found[np.lexsort((-turns_found[:, 1], turns_found[:, 0]))]
    days = np.maximum.accumulate(turns_found[:, 1])
    new = np.flatnonzero(np.diff(days, prepend=last_day)) if len(days) else np.empty(0, dtype=np.intp)
    return turns_found[new, 0], days[new]


def place(heads: Numbers, timeline: Timeline) -> tuple[Milliseconds, Flags]:
    """(UTC in ms, whether it is known) of rows given as _heads gives them."""
    return timeline.place_all(heads[:, 2], heads[:, 5], heads[:, 4], heads[:, 3].astype(np.bool_))


def _last_rows(journal: Journal, table: str, before: Ranges, ends: Numbers) -> Numbers:
    """The last row of a table before each end."""
    lasts = np.full(len(ends), before.get(table, (1, 0))[1], dtype=np.int64)
    for heads in _heads(journal, table, before):
        count = np.searchsorted(heads[:, 1], ends)
        lasts = np.where(count > 0, heads[np.maximum(count, 1) - 1, 0], lasts)
    return lasts


def _last_requests(journal: Journal, before: Ranges, ends: Numbers, ended: bool) -> Numbers:
    """The last request before each end: carried with its answer, or with the end of the run."""
    last = before.get(_REQUESTS, (1, 0))[1]
    sql = (
        f"SELECT q.row_id, coalesce(a.boot_id * {_BOOT} + a.monotonic_ms, {_NEVER - 1}) FROM {_REQUESTS} q "
        f"LEFT JOIN {TABLES[m.RequestAnswered]} a USING (request_id) WHERE q.row_id > ? ORDER BY q.row_id"
    )
    heads = np.array(journal.connection.execute(sql, (last,)).fetchall(), dtype=np.int64).reshape(-1, 2)
    keys = np.maximum.accumulate(heads[:, 1])
    if not ended:
        heads, keys = heads[keys < _NEVER - 1], keys[keys < _NEVER - 1]
    rows = np.concatenate(([last], heads[:, 0]))
    lasts: Numbers = rows[np.searchsorted(keys, ends)]
    return lasts


def raw_rows(journal: Journal, table: str, first_row: int, last_row: int) -> Iterator[list[tuple[object, ...]]]:
    """Rows of a table as they were written, all their columns, some thousands at a time."""
    found = journal.connection.execute(
        f"SELECT * FROM {table} WHERE row_id BETWEEN ? AND ? ORDER BY row_id", (first_row, last_row)
    )
    while taken := found.fetchmany(ROWS_PER_READ):
        yield taken


def software_version(journal: Journal, last_boot_row: int) -> str:
    """The version that wrote the records up to this row of the boots."""
    found = journal.connection.execute(
        "SELECT software_version FROM boots WHERE row_id <= ? ORDER BY row_id DESC LIMIT 1", (last_boot_row,)
    ).fetchone()
    return str(found[0]) if found else str(journal.run_row()["software_version"])


def has_ended(journal: Journal) -> bool:
    """Whether the journal holds the end of its run."""
    return next(journal.records(m.PhaseRecord, "phase = ?", (m.ENDED,)), None) is not None


@contextmanager
def unchanging(journal: Journal) -> Iterator[None]:
    """Inside, the journal is read as it stood at the first look, whatever its run adds meanwhile."""
    journal.connection.execute("BEGIN")
    try:
        yield
    finally:
        journal.connection.execute("ROLLBACK")
