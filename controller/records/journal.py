"""The journal of a run: one append-only SQLite file, one table for each class of record.

How the file is laid out stands in formats.py. Readings are gathered and written in batches; every other record is on
the disk (WAL, synchronous=FULL) before ``append`` returns. Apart from readings and requests, which number themselves,
all tables share one count of rows, so that the order of events can be told. Nothing is ever updated or deleted;
triggers in the file refuse both.
"""

import hashlib
import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path
from typing import Any, TypeVar

from controller.control import model as m
from controller.errors import JournalError
from controller.plan import Settings
from controller.records import formats
from controller.records.disk_words import cause_of
from controller.records.formats import COLUMNS, FORMAT, HEAD, OLDEST_FORMAT, TABLES
from controller.records.held_files import HeldFiles

READINGS_PER_BATCH = 6  # unless whoever runs the journal knows better
READINGS_KEPT_ON_FAILURE = 60
NUMBER_MAX = 999_999_999_999  # of a journal: twelve digits, as long as the line to the board has room for
LOCKED_S_MAX = 1.0  # how long the deciding loop waits for another writer: with its tick, less than the pump's lease
ASKING_S_MAX = 5.0  # how long a person's request may wait for one
Unreadable = sqlite3.Error  # what reading by ``connection`` may raise

R = TypeVar("R", bound=object)

_SELF_NUMBERED = (m.ReadingRecord, m.Request)


def _insert_sql(record_class: type) -> str:
    names = [*HEAD, *(c[0] for c in COLUMNS[record_class])]
    return f"INSERT INTO {TABLES[record_class]} ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})"


_INSERTS = {record_class: _insert_sql(record_class) for record_class in TABLES}
_FIELD_NAMES = {record_class: [c[0] for c in COLUMNS[record_class]] for record_class in TABLES}


class Journal:
    """One run's records. ``path`` is the SQLite file; a run has one writer at a time."""

    def __init__(self, path: Path, connection: sqlite3.Connection, lacking: list[str] | None = None) -> None:
        self.path = path
        self._lacking = lacking or []  # tables that only stand in, since the file is of an older format
        self.readings_per_batch = READINGS_PER_BATCH
        self._connection = connection
        self._pending: list[tuple[object, ...]] = []
        try:
            self._next_row_id = self._following_row_id()
        except sqlite3.Error as error:
            raise JournalError(f"{path}: {cause_of(error)}") from error
        self._files = HeldFiles(path)

    @classmethod
    def create(cls, path: Path, run_id: str, settings: Settings, software_version: str, simulated: bool) -> "Journal":
        """A new journal; JournalError when there is one already or it cannot be made.

        It is made beside its place and moved there whole, so that a power cut leaves all of it or none, and nobody who
        looks for it meanwhile is in the way.
        """
        if path.exists() and path.stat().st_size:
            raise JournalError(f"{path} already holds a run; choose another folder or go on with that run.")
        log = path.with_name(path.name + "-wal")
        if log.exists() and log.stat().st_size:  # SQLite would read it into the new journal
            raise JournalError(
                f"{path}: the journal is not here, but its log {log.name} is: put the journal back, or move the log "
                "away to begin a new run."
            )
        new = path.with_name(path.name + ".new")
        run_row = (
            run_id,
            FORMAT,
            settings.plan_sha256,
            settings.plan_text,
            settings.chamber_text,
            software_version,
            int(simulated),
        )
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            for left_over in path.parent.glob(new.name + "*"):
                left_over.unlink()
            with closing(_connect(new)) as connection:
                connection.execute("BEGIN")
                for sql in formats.create_all():
                    connection.execute(sql)
                connection.execute("INSERT INTO run VALUES (?,?,?,?,?,?,?)", run_row)
                connection.execute("COMMIT")
            new.replace(path)
            _keep_folder(path.parent)
        except (OSError, sqlite3.Error) as error:
            reason = cause_of(error) if isinstance(error, sqlite3.Error) else error.strerror
            raise JournalError(f"{path}: the journal cannot be made: {reason}") from error
        return cls.open(path)

    @classmethod
    def open(cls, path: Path) -> "Journal":
        """The journal of a run that was begun earlier.

        One of an older format is seen as if it had every table, and stays as it is unless its run goes on.
        """
        if not path.is_file():
            raise JournalError(f"{path}: there is no journal here.")
        try:
            connection = _connect(path)
            found = formats.format_of(connection)
            if found is not None and OLDEST_FORMAT <= found <= FORMAT:
                return cls(path, connection, formats.stand_in(connection, found))
        except sqlite3.Error as error:
            raise JournalError(f"{path}: this is not a journal that can be read: {cause_of(error)}") from error
        raise JournalError(f"{path}: the journal has format {found}, this program knows {OLDEST_FORMAT} to {FORMAT}.")

    def go_on(self) -> None:
        """Bring the file to the newest format, since its run goes on in it. JournalError when that cannot be done."""
        try:
            formats.bring_up(self._connection, self._lacking)
        except sqlite3.Error as error:
            _roll_back(self._connection)
            raise JournalError(
                f"{self.path}: the journal cannot be brought to format {FORMAT}: {cause_of(error)}"
            ) from error
        self._lacking = []

    # -- writing ----

    def append(self, *records: m.Record | m.Request) -> None:
        """Write records, all of them or none; readings may wait for their batch.

        JournalError when they cannot be written.
        """
        others: list[m.Record | m.Request] = []
        for record in records:
            if type(record) is m.ReadingRecord:
                self._pending.append((None, *record.at, *record[1:]))
            else:
                others.append(record)
        if not others:
            if len(self._pending) >= self.readings_per_batch:
                self.flush()
            return
        self.check_there()
        connection = self._connection
        row_id = self._next_row_id
        try:
            connection.execute("BEGIN IMMEDIATE")
            if self._pending:
                connection.executemany(_INSERTS[m.ReadingRecord], self._pending)
            for record in others:
                connection.execute(_INSERTS[type(record)], self._row(record, row_id))
                row_id += 1
            connection.execute("COMMIT")
        except sqlite3.Error as error:
            _roll_back(connection)
            if isinstance(error, sqlite3.IntegrityError):  # somebody took our number: go on behind it
                with suppress(sqlite3.Error):
                    self._next_row_id = max(self._next_row_id, self._following_row_id())
            raise JournalError(f"{self.path.name}: {cause_of(error)}") from error
        self._pending.clear()
        self._next_row_id = row_id

    def _following_row_id(self) -> int:
        """The next free number of the count that all tables share."""
        return 1 + max(
            int(self._connection.execute(f"SELECT coalesce(max(row_id), 0) FROM {table}").fetchone()[0])
            for record_class, table in TABLES.items()
            if record_class not in _SELF_NUMBERED
        )

    def _row(self, record: m.Record | m.Request, row_id: int) -> tuple[object, ...]:
        number = None if type(record) in _SELF_NUMBERED else row_id
        return (number, *record.at, *[getattr(record, name) for name in _FIELD_NAMES[type(record)]])

    def flush(self) -> None:
        """Write the readings that still wait. On failure they stay, up to a bound, for the next try."""
        if not self._pending:
            return
        connection = self._connection
        try:
            self.check_there()
            connection.execute("BEGIN IMMEDIATE")
            connection.executemany(_INSERTS[m.ReadingRecord], self._pending)
            connection.execute("COMMIT")
        except (sqlite3.Error, JournalError) as error:
            _roll_back(connection)
            del self._pending[:-READINGS_KEPT_ON_FAILURE]
            if isinstance(error, JournalError):
                raise
            raise JournalError(f"{self.path.name}: {cause_of(error)}") from error
        self._pending.clear()

    def check_there(self) -> None:
        """JournalError when a file of the journal was moved, deleted or replaced while it is held open."""
        lost = self._files.lost()
        if lost:
            raise JournalError(
                f"{lost} was moved, deleted or replaced while the run goes on, so nothing more is recorded; "
                "put it back where it was"
            )

    def close(self) -> None:
        try:
            self.flush()
        finally:
            self._connection.close()

    # -- reading ----

    @property
    def connection(self) -> sqlite3.Connection:
        """For the readers in this folder."""
        return self._connection

    @property
    def number(self) -> int:
        """The number by which a board remembers this journal."""
        return journal_number(str(self.run_row()["run_id"]))

    def run_row(self) -> dict[str, str | int]:
        """What the run is: run_id, plan_sha256, plan_text, chamber_text, software_version, simulated."""
        cursor = self._connection.execute("SELECT * FROM run")
        names = [column[0] for column in cursor.description]
        return dict(zip(names, cursor.fetchone(), strict=True))

    def records(self, record_class: type[R], where: str = "", parameters: tuple[object, ...] = ()) -> Iterator[R]:
        """Records of one class in the order they were written."""
        for _, record in self.numbered(record_class, where, parameters):
            yield record

    def outcomes(self) -> dict[int, m.DoseClosed]:
        """The outcome that holds of each dose that was closed: of several rows the last, which corrects the others."""
        return {each.dose_id: each for each in self.records(m.DoseClosed)}

    def events(self, event: str) -> Iterator[m.EventRecord]:
        """The events of one name in the order they were written."""
        return self.records(m.EventRecord, "event = ?", (event,))

    def numbered(
        self, record_class: type[R], where: str = "", parameters: tuple[object, ...] = ()
    ) -> Iterator[tuple[int, R]]:
        """(row number, record) of one class in the order they were written."""
        columns = COLUMNS[record_class]
        names = ", ".join([*HEAD, *(c[0] for c in columns)])
        sql = f"SELECT {names} FROM {TABLES[record_class]} {where and 'WHERE ' + where} ORDER BY row_id"
        is_bool = [plain is bool for _, plain, _ in columns]
        for row in self._rows(sql, parameters):
            at = m.Moment(row[1], row[2], row[3], bool(row[4]))
            values = [
                bool(value) if flag and value is not None else value
                for value, flag in zip(row[5:], is_bool, strict=True)
            ]
            yield row[0], record_class(at, *values)  # type: ignore[call-arg]

    def _rows(self, sql: str, parameters: tuple[object, ...] = ()) -> Iterator[tuple[Any, ...]]:
        """Rows as they come; JournalError when the file cannot be read."""
        try:
            if self._lacking:
                self._lacking = formats.let_go(self._connection, self._lacking)
            yield from self._connection.execute(sql, parameters)
        except sqlite3.Error as error:
            raise JournalError(f"{self.path.name}: {cause_of(error)}") from error

    def check_whole(self) -> None:
        """JournalError unless every page, row and type in the file is as SQLite wrote it."""
        found = [str(row[0]) for row in self._rows("PRAGMA quick_check(1)")]
        if found != ["ok"]:
            raise JournalError(
                f"{self.path}: the journal is damaged ({found[0].splitlines()[-1]}); "
                "no water is given on damaged records. "
                "Keep a copy of the file as it is, and go on in another folder with --out."
            )

    def history(self) -> list[m.Record]:
        """Everything but readings, in the order it happened: what recovery folds into a state."""
        return [record for _, record in self.history_after(0)]

    def history_after(self, row: int) -> list[tuple[int, m.Record]]:
        """(row number, record) of the history behind a row; the tables share one count, so later is higher."""
        found: list[tuple[int, m.Record]] = []
        for record_class in TABLES:
            if record_class not in (*_SELF_NUMBERED, m.LampRecord, m.ObservationRecord):
                found.extend(self.numbered(record_class, "row_id > ?", (row,)))
        return sorted(found, key=lambda numbered: numbered[0])

    def last_reading(self) -> m.ReadingRecord | None:
        """The newest reading on disk."""
        newest = "row_id = (SELECT max(row_id) FROM readings)"
        return next(self.records(m.ReadingRecord, newest), None)

    def last_reading_row(self) -> int:
        """Number of the newest reading's row, 0 before the first."""
        return int(self._connection.execute("SELECT coalesce(max(row_id), 0) FROM readings").fetchone()[0])

    def reading_utc_ms(self, row: int) -> int:
        """When a reading was taken, as written."""
        return int(self._connection.execute("SELECT at_utc_ms FROM readings WHERE row_id = ?", (row,)).fetchone()[0])

    def copy_to(self, path: Path) -> None:
        """A copy of the whole journal at one moment, while others go on writing."""
        copy = sqlite3.connect(path)
        try:
            self._connection.backup(copy)
        except sqlite3.Error as error:
            raise JournalError(f"{path}: the journal cannot be copied: {error}") from error
        finally:
            copy.close()

    def next_boot_id(self) -> int:
        """Number for a new life of the program, which no record carries yet."""
        last = (
            f"SELECT boot_id FROM {table} WHERE row_id = (SELECT max(row_id) FROM {table})"
            for record_class, table in TABLES.items()
            if record_class is not m.Request
        )
        return 1 + max((int(row[0]) for row in self._rows(" UNION ".join(last))), default=0)

    def open_requests(self) -> list[m.Request]:
        """Requests without an answer, oldest first."""
        unanswered = "request_id NOT IN (SELECT request_id FROM request_answers)"
        return list(self.records(m.Request, unanswered))

    def wait_for_disk(self, wait: bool) -> None:
        """Whether each transaction waits until it is on the disk; only a rehearsal may do without."""
        self._connection.execute(f"PRAGMA synchronous={'FULL' if wait else 'NORMAL'}")

    def hold_file_size(self, hold: bool) -> None:
        """Let the file grow no further, as on a full disk, or let it grow again."""
        pages = self._connection.execute("PRAGMA page_count").fetchone()[0]
        self._connection.execute(f"PRAGMA max_page_count = {pages if hold else 2**30}")

    def ask(self, wish: m.Request) -> int:
        """Write a person's request under the next free number; answers that number. Any process may ask."""
        self.check_there()
        connection = self._connection
        names = _FIELD_NAMES[m.Request]
        try:
            connection.execute(f"PRAGMA busy_timeout = {round(ASKING_S_MAX * 1000)}")
            connection.execute("BEGIN IMMEDIATE")
            number = 1 + connection.execute("SELECT coalesce(max(request_id), 0) FROM requests").fetchone()[0]
            values = [number if name == "request_id" else getattr(wish, name) for name in names]
            connection.execute(_INSERTS[m.Request], (None, *wish.at, *values))
            connection.execute("COMMIT")
        except sqlite3.Error as error:
            _roll_back(connection)
            raise JournalError(f"{self.path}: {cause_of(error)}") from error
        except (OverflowError, UnicodeError) as error:
            _roll_back(connection)
            raise JournalError(f"The request holds a number or a sign that cannot be kept: {error}.") from error
        finally:
            connection.execute(f"PRAGMA busy_timeout = {round(LOCKED_S_MAX * 1000)}")
        return int(number)

    def answer_to(self, request_id: int) -> m.RequestAnswered | None:
        """What the controller answered to a request, or None while it has not."""
        return next(self.records(m.RequestAnswered, "request_id = ?", (request_id,)), None)


def journal_number(run_id: str) -> int:
    """1 to 999 999 999 999, from the SHA-256 of a run's id: the identity of a journal that a board can keep."""
    return 1 + int.from_bytes(hashlib.sha256(run_id.encode()).digest()) % NUMBER_MAX


def _connect(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path, isolation_level=None, timeout=LOCKED_S_MAX, check_same_thread=False)
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute("PRAGMA synchronous=FULL")
    return connection


def _keep_folder(folder: Path) -> None:
    """Make the names in a folder as durable as the files."""
    held = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(held)
    finally:
        os.close(held)


def _roll_back(connection: sqlite3.Connection) -> None:
    """Give a failed transaction up; SQLite may have done so already, and a failing disk fails here as well."""
    if connection.in_transaction:
        with suppress(sqlite3.Error):
            connection.execute("ROLLBACK")
