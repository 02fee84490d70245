"""What still has to leave the chamber: a small SQLite file beside the journal that survives power cuts.

It knows the places that parcels go to, which sealed days each of them has, and when to try again. Losing it loses
nothing: what was delivered is then offered once more, which is harmless.
"""

import sqlite3
from pathlib import Path
from typing import NamedTuple

from controller.errors import ParcelError

FILE = "outbox.sqlite"
_CREATE = """
CREATE TABLE IF NOT EXISTS places (
    place_id INTEGER PRIMARY KEY, address TEXT NOT NULL UNIQUE, token_file TEXT NOT NULL, limit_kb_per_s REAL,
    quiet TEXT NOT NULL, failures INTEGER NOT NULL DEFAULT 0, not_before_utc_ms INTEGER NOT NULL DEFAULT 0,
    words TEXT NOT NULL DEFAULT '') STRICT;
CREATE TABLE IF NOT EXISTS sealed (day_utc TEXT PRIMARY KEY, sha256 TEXT NOT NULL) STRICT;
CREATE TABLE IF NOT EXISTS deliveries (
    place_id INTEGER NOT NULL, day_utc TEXT NOT NULL, sha256 TEXT NOT NULL, at_utc_ms INTEGER NOT NULL,
    PRIMARY KEY (place_id, day_utc)) STRICT;
"""
_WAITING = """
SELECT sealed.day_utc FROM sealed LEFT JOIN deliveries
ON deliveries.place_id = ? AND deliveries.day_utc = sealed.day_utc
AND deliveries.sha256 = sealed.sha256 WHERE deliveries.day_utc IS NULL ORDER BY sealed.day_utc
"""


class Address(NamedTuple):
    """A place that parcels go to, and how: at most ``limit_kb_per_s`` (1000 bytes a second), not in quiet hours."""

    place_id: int
    address: str
    token_file: str
    limit_kb_per_s: float | None
    quiet: str


class Waiting(NamedTuple):
    """How sending to one place stands, for people. Where the state cannot be read, ``words`` say so."""

    address: str
    days_waiting: tuple[str, ...]
    failures: int
    not_before_utc_ms: int
    words: str
    can_be_read: bool = True

    @property
    def short_address(self) -> str:
        """The host, the bucket or the last folder: what a stranger who looks over a shoulder may see."""
        _, scheme, rest = self.address.rpartition("://")
        return rest.split("/")[0].rpartition("@")[2] if scheme else Path(rest).name


class Outbox:
    """The state of sending of one run."""

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            self._connection = sqlite3.connect(path, isolation_level=None, timeout=5.0)
            self._connection.execute("PRAGMA journal_mode=WAL")
            self._connection.execute("PRAGMA synchronous=FULL")
            self._connection.executescript(_CREATE)
        except sqlite3.Error as error:
            raise ParcelError(f"{path}: the state of sending cannot be kept: {error}") from error

    def _do(self, sql: str, parameters: tuple[object, ...] = ()) -> list[tuple[object, ...]]:
        try:
            return self._connection.execute(sql, parameters).fetchall()
        except sqlite3.Error as error:
            raise ParcelError(f"{self.path}: {error}") from error

    def add_place(self, address: str, token_file: str, limit_kb_per_s: float | None, quiet: str) -> None:
        """A new place, or new terms for a known one; an old failure is forgotten, so it is tried at once."""
        self._do(
            "INSERT INTO places (address, token_file, limit_kb_per_s, quiet) VALUES (?, ?, ?, ?) "
            "ON CONFLICT (address) DO UPDATE SET token_file = excluded.token_file, quiet = excluded.quiet, "
            "limit_kb_per_s = excluded.limit_kb_per_s, failures = 0, not_before_utc_ms = 0",
            (address, token_file, limit_kb_per_s, quiet),
        )

    def remove_place(self, address: str) -> bool:
        """Send there no more; false when the place was not known."""
        return bool(self._do("DELETE FROM places WHERE address = ? RETURNING address", (address,)))

    def addresses(self) -> list[Address]:
        rows = self._do("SELECT place_id, address, token_file, limit_kb_per_s, quiet FROM places ORDER BY place_id")
        return [Address(*row) for row in rows]  # type: ignore[arg-type]

    def note_sealed(self, day_utc: str, sha256: str) -> None:
        self._do("INSERT OR REPLACE INTO sealed VALUES (?, ?)", (day_utc, sha256))

    def days_waiting(self, place_id: int) -> list[str]:
        """Sealed days that the place has not, oldest first."""
        return [str(row[0]) for row in self._do(_WAITING, (place_id,))]

    def failures(self, place_id: int) -> tuple[int, int]:
        """(tries in a row that failed, moment in UTC ms before which there is no next one)."""
        (found,) = self._do("SELECT failures, not_before_utc_ms FROM places WHERE place_id = ?", (place_id,))
        return int(str(found[0])), int(str(found[1]))

    def note_delivered(self, place_id: int, day_utc: str, sha256: str, at_utc_ms: int) -> None:
        self._do("INSERT OR REPLACE INTO deliveries VALUES (?, ?, ?, ?)", (place_id, day_utc, sha256, at_utc_ms))
        self._do("UPDATE places SET failures = 0, not_before_utc_ms = 0, words = '' WHERE place_id = ?", (place_id,))

    def note_failed(self, place_id: int, words: str, not_before_utc_ms: int) -> None:
        self._do(
            "UPDATE places SET failures = failures + 1, not_before_utc_ms = ?, words = ? WHERE place_id = ?",
            (not_before_utc_ms, words, place_id),
        )

    def waiting(self) -> list[Waiting]:
        """How sending to each place stands."""
        rows = self._do("SELECT place_id, address, failures, not_before_utc_ms, words FROM places ORDER BY place_id")
        return [Waiting(row[1], tuple(self.days_waiting(row[0])), *row[2:]) for row in rows]  # type: ignore[arg-type]

    def close(self) -> None:
        self._connection.close()


def waiting_beside(journal_path: Path) -> tuple[Waiting, ...]:
    """How sending stands for the run of this journal; nothing where no place was ever named."""
    path = journal_path.parent / FILE
    if not path.exists():
        return ()
    try:
        outbox = Outbox(path)
        try:
            return tuple(outbox.waiting())
        finally:
            outbox.close()
    except ParcelError as error:  # how the run stands must be told all the same
        return (Waiting(str(path), (), 0, 0, str(error), can_be_read=False),)
