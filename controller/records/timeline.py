"""Places every row of a journal on UTC, and on the hours since hydration.

A row written while no network time stood behind the clock is placed by the monotonic clock, from the nearest trusted
row of the same boot. A boot without any trusted row cannot be placed: its rows keep the time they were written
with, and stay marked as untrusted.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from controller.control import model as m
from controller.control.model.moments import MS_PER_H
from controller.records.formats import TABLES
from controller.records.journal import Journal

Milliseconds = NDArray[np.int64]
Flags = NDArray[np.bool_]

# requests are written by another process, perhaps after the machine restarted: they place nothing
_PLACING = [table for record_class, table in TABLES.items() if record_class is not m.Request]
_SMALL = [table for table in _PLACING if table != "readings"]
ROWS_PER_READ = 65_536


class Placed(NamedTuple):
    """A moment on UTC. ``utc_trusted`` is false where no trusted row of the same boot could place it."""

    utc_ms: int
    utc_trusted: bool


class Timeline:
    """Where the rows of one journal lie in time."""

    def __init__(self, journal: Journal) -> None:
        doubted = "SELECT boot_id, count(*) FROM readings WHERE utc_trusted = 0 GROUP BY boot_id"
        counts = dict(journal.connection.execute(doubted))
        self._anchors = {boot: _anchors_of(journal, boot) for boot in sorted(counts.keys() | _doubtful_boots(journal))}
        self._run_clocks = {boot: _run_clock(journal, boot) for boot, (at, _) in self._anchors.items() if not len(at)}
        wetting = next(journal.records(m.PhaseRecord, "phase = ?", (m.WETTING,)), None)
        self._hydrated_at = None if wetting is None else wetting.at
        self.hydrated = None if wetting is None else self.place(wetting.at)
        #: whether any row can be believed; where none can, the times as written are all there is
        self.any_trusted = bool(
            journal.connection.execute(
                "SELECT " + " OR ".join(f"EXISTS (SELECT 1 FROM {t} WHERE utc_trusted = 1)" for t in _PLACING)
            ).fetchone()[0]
        )
        files = journal.events(m.CHAMBER_FILE)
        #: the boots from which on another chamber file held
        self.chamber_boots = tuple(each.at.boot_id for each in files)
        placed = sum(count for boot, count in counts.items() if self._can_place(boot))
        #: readings written without network time: (how many are placed all the same, how many cannot be)
        self.doubted_readings = (placed, sum(counts.values()) - placed)

    def place(self, at: m.Moment) -> Placed:
        """The moment on UTC."""
        if at.utc_trusted:
            return Placed(at.utc_ms, True)
        if not self._can_place(at.boot_id):
            return Placed(at.utc_ms, False)
        moment = np.array([at.monotonic_ms], dtype=np.int64)
        return Placed(int(_from_nearest(moment, *self._anchors[at.boot_id])[0]), True)

    def _can_place(self, boot_id: int) -> bool:
        return boot_id in self._anchors and len(self._anchors[boot_id][0]) > 0

    def place_all(
        self, utc_ms: Milliseconds, monotonic_ms: Milliseconds, boot_id: Milliseconds, utc_trusted: Flags
    ) -> tuple[Milliseconds, Flags]:
        """(UTC in ms, whether it is to be believed) of many rows at once."""
        if utc_trusted.all():
            return utc_ms, utc_trusted
        placed_ms, believed = utc_ms.copy(), utc_trusted.copy()
        for boot in np.unique(boot_id[~utc_trusted]).tolist():
            if self._can_place(boot):
                rows = ~utc_trusted & (boot_id == boot)
                placed_ms[rows] = _from_nearest(monotonic_ms[rows], *self._anchors[boot])
                believed[rows] = True
        return placed_ms, believed

    def hours_since_hydration(self, at: m.Moment) -> float | None:
        """By UTC where both ends can be believed, else by the run clock; None before hydration or when unknown."""
        placed = self.place(at)
        if self.hydrated is None or self._hydrated_at is None:
            return None
        if placed.utc_trusted and self.hydrated.utc_trusted:
            since_ms = placed.utc_ms - self.hydrated.utc_ms
        elif at.boot_id == self._hydrated_at.boot_id:
            since_ms = at.monotonic_ms - self._hydrated_at.monotonic_ms
        else:
            run_clock_ms = self._run_clocks.get(at.boot_id)
            if run_clock_ms is None:
                return None
            since_ms = at.monotonic_ms + run_clock_ms
        return since_ms / MS_PER_H if since_ms >= 0 else None


def _doubtful_boots(journal: Journal) -> set[int]:
    """Boots with rows without network time in a table other than the readings."""
    parts = (f"SELECT boot_id FROM {table} WHERE utc_trusted = 0" for table in _SMALL)
    return {row[0] for row in journal.connection.execute(" UNION ".join(parts))}


def _run_clock(journal: Journal, boot_id: int) -> int | None:
    """What to add to the monotonic clock of a boot to get its run clock."""
    sql = "SELECT run_ms - monotonic_ms FROM readings WHERE boot_id = ? AND run_ms IS NOT NULL LIMIT 1"
    found = journal.connection.execute(sql, (boot_id,)).fetchone()
    return None if found is None else int(found[0])


def _anchors_of(journal: Journal, boot_id: int) -> tuple[Milliseconds, Milliseconds]:
    """(monotonic, UTC) of trusted rows of a boot, among them the nearest one to every row that is not trusted.

    That is every trusted row of the small tables, and the trusted readings beside anything untrusted.
    """
    parts = (f"SELECT monotonic_ms, at_utc_ms, utc_trusted FROM {table} WHERE boot_id = :boot" for table in _SMALL)
    rows = journal.connection.execute(" UNION ALL ".join(parts), {"boot": boot_id}).fetchall()
    small = np.array(rows, dtype=np.int64).reshape(-1, 3)
    doubted = np.sort(small[small[:, 2] == 0][:, 0])
    found = [small[small[:, 2] == 1]]
    sql = "SELECT monotonic_ms, at_utc_ms, utc_trusted FROM readings WHERE boot_id = ? ORDER BY row_id"
    readings = journal.connection.execute(sql, (boot_id,))
    last = np.empty((0, 3), dtype=np.int64)
    while taken := readings.fetchmany(ROWS_PER_READ):
        part = np.concatenate((last, np.array(taken, dtype=np.int64)))
        wanted = np.zeros(len(part), dtype=np.bool_)
        changes = np.flatnonzero(np.diff(part[:, 2]))
        wanted[changes] = wanted[changes + 1] = True
        beside = np.searchsorted(part[:, 0], doubted)
        for neighbours in (beside - 1, beside):
            wanted[neighbours[(neighbours >= 0) & (neighbours < len(part))]] = True
        found.append(part[wanted & (part[:, 2] == 1)])
        last = part[-1:]
    anchors = np.unique(np.concatenate(found)[:, :2], axis=0)
    return anchors[:, 0], anchors[:, 1]


def _from_nearest(monotonic_ms: Milliseconds, anchor_ms: Milliseconds, anchor_utc_ms: Milliseconds) -> Milliseconds:
    """UTC of monotonic moments, from the nearest anchor; of two equally near ones the earlier."""
    after = np.searchsorted(anchor_ms, monotonic_ms).clip(1, max(1, len(anchor_ms) - 1))
    before = after - 1
    after = np.minimum(after, len(anchor_ms) - 1)
    nearer_after = anchor_ms[after] - monotonic_ms < monotonic_ms - anchor_ms[before]
    nearest = np.where(nearer_after, after, before)
    placed: Milliseconds = anchor_utc_ms[nearest] + (monotonic_ms - anchor_ms[nearest])
    return placed
