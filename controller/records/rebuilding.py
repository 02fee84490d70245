"""A journal put together again from rows that came another way: from sealed days, or from an archive's tables.

It stands in a folder of its own, is read once and thrown away, so it waits for no disk.
"""

import sqlite3
from collections.abc import Iterable
from pathlib import Path

from controller.errors import JournalError
from controller.plan import Settings
from controller.records.disk_words import cause_of
from controller.records.formats import COLUMNS, HEAD, TABLES
from controller.records.journal import Journal

_CLASSES = {table: record_class for record_class, table in TABLES.items()}
Cells = str | int | float | None


def columns_of(table: str) -> list[str]:
    """The columns of a table of the journal, in its order."""
    return [*HEAD, *(name for name, _, _ in COLUMNS[_CLASSES[table]])]


def rebuilt_journal(folder: Path, run_id: str, settings: Settings, software_version: str, simulated: bool) -> Journal:
    """An empty journal of this run in ``folder``, for rows to be put in. JournalError when it cannot be made."""
    journal = Journal.create(folder / "journal.sqlite", run_id, settings, software_version, simulated)
    journal.wait_for_disk(False)
    return journal


def put_rows(journal: Journal, table: str, rows: Iterable[tuple[Cells, ...]]) -> None:
    """Rows as ``columns_of`` orders them, under the numbers they bring. JournalError when they do not fit."""
    names = columns_of(table)
    insert = f"INSERT INTO {table} ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})"
    connection = journal.connection
    try:
        connection.execute("BEGIN")
        connection.executemany(insert, rows)
        connection.execute("COMMIT")
    except sqlite3.Error as error:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise JournalError(f"rows of {table} do not fit a journal: {cause_of(error)}") from error
