"""How a journal's file is laid out: its tables, their columns and triggers, and what came with which format.

Columns are the fields of the records in control/model/records.py under their own names; ``at`` becomes the four
columns of a moment. Triggers in the file refuse every update and deletion.
"""

import sqlite3
from typing import get_args, get_type_hints

from controller.control import model as m

FORMAT = 3
OLDEST_FORMAT = 2  # older journals are not read
# 2: a request may carry a picture and the number of the observation it corrects
ADDED: dict[int, tuple[type, ...]] = {3: (m.BoardRecord, m.EffectRecord)}  # format -> the records that came with it

TABLES: dict[type, str] = {
    m.BootRecord: "boots",
    m.ReadingRecord: "readings",
    m.DoseIntended: "dose_intents",
    m.DoseClosed: "dose_outcomes",
    m.BoardRecord: "boards",
    m.EffectRecord: "effects",
    m.WateringAnswer: "watering_answers",
    m.TripRecord: "trips",
    m.TripCleared: "trip_clears",
    m.AlarmRecord: "alarms",
    m.LampRecord: "lamp",
    m.StepRecord: "steps",
    m.ObservationRecord: "observations",
    m.PhaseRecord: "phases",
    m.ClockRecord: "clock",
    m.EventRecord: "events",
    m.Request: "requests",
    m.RequestAnswered: "request_answers",
}
_MOMENT = ("at_utc_ms INTEGER NOT NULL, monotonic_ms INTEGER NOT NULL, boot_id INTEGER NOT NULL, "
           "utc_trusted INTEGER NOT NULL")  # fmt: skip
HEAD = ("row_id", "at_utc_ms", "monotonic_ms", "boot_id", "utc_trusted")
_AFFINITY = {int: "INTEGER", float: "REAL", str: "TEXT", bool: "INTEGER"}


def _columns(record_class: type) -> list[tuple[str, type, bool]]:
    """(name, plain type, may be absent) of the fields after ``at``."""
    hints = get_type_hints(record_class)
    found = []
    for name, hint in hints.items():
        if name == "at":
            continue
        options = get_args(hint) or (hint,)
        plain = next(option for option in options if option is not type(None))
        found.append((name, plain, type(None) in options))
    return found


COLUMNS = {record_class: _columns(record_class) for record_class in TABLES}


def _create_table(record_class: type) -> str:
    columns = ", ".join(
        f"{name} {_AFFINITY[plain]}{'' if optional else ' NOT NULL'}" for name, plain, optional in COLUMNS[record_class]
    )
    return f"CREATE TABLE {TABLES[record_class]} (row_id INTEGER PRIMARY KEY, {_MOMENT}, {columns}) STRICT"


def _refuse(verb: str, table: str) -> str:
    return (
        f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
        "BEGIN SELECT RAISE(ABORT, 'records are only ever added'); END"
    )


def create_all() -> list[str]:
    """The statements that lay out a new journal."""
    return [
        "CREATE TABLE run (run_id TEXT NOT NULL, format INTEGER NOT NULL, plan_sha256 TEXT NOT NULL, "
        "plan_text TEXT NOT NULL, chamber_text TEXT NOT NULL, software_version TEXT NOT NULL, "
        "simulated INTEGER NOT NULL) STRICT",
        *(_create_table(record_class) for record_class in TABLES),
        # asked for by their number, each second
        *(f"CREATE INDEX {table}_by_number ON {table} (request_id)" for table in ("requests", "request_answers")),
        *(_refuse(verb, table) for table in ("run", *TABLES.values()) for verb in ("UPDATE", "DELETE")),
    ]


def format_of(connection: sqlite3.Connection) -> int | None:
    """The format of the journal, None where it holds no run."""
    found = connection.execute("SELECT format FROM run").fetchone()
    return None if found is None else int(found[0])


def _added_since(found: int) -> list[type]:
    return [record_class for later in range(found + 1, FORMAT + 1) for record_class in ADDED[later]]


def bring_up(connection: sqlite3.Connection, standing_in: list[str]) -> None:
    """Lay an older journal out as the newest format does, in one transaction; no record that it holds is touched.

    The format of the run is the one value of a journal that ever changes, and only here.
    """
    for table in standing_in:
        connection.execute(f"DROP VIEW IF EXISTS temp.{table}")
    connection.execute("BEGIN IMMEDIATE")
    found = format_of(connection)
    if found is not None and OLDEST_FORMAT <= found < FORMAT:
        for record_class in _added_since(found):
            connection.execute(_create_table(record_class))
            for verb in ("UPDATE", "DELETE"):
                connection.execute(_refuse(verb, TABLES[record_class]))
        connection.execute("DROP TRIGGER run_no_update")
        connection.execute(f"UPDATE run SET format = {FORMAT}")
        connection.execute(_refuse("UPDATE", "run"))
    connection.execute("COMMIT")


def stand_in(connection: sqlite3.Connection, found: int) -> list[str]:
    """Let a reader see every table in a journal of an older format; answers those that the file lacks.

    They are empty views of this connection alone, so the file stays as it is and nothing can be written to them.
    """
    tables = []
    for record_class in _added_since(found):
        names = (*HEAD, *(name for name, _, _ in COLUMNS[record_class]))
        columns = ", ".join(f"NULL AS {name}" for name in names)
        tables.append(TABLES[record_class])
        connection.execute(f"CREATE TEMP VIEW {tables[-1]} AS SELECT {columns} WHERE 0")
    return tables


def let_go(connection: sqlite3.Connection, tables: list[str]) -> list[str]:
    """Take views back whose tables have come into the file meanwhile; answers those that still stand in."""
    if connection.in_transaction:
        return tables
    held = {row[0] for row in connection.execute("SELECT name FROM main.sqlite_master WHERE type = 'table'")}
    for table in tables:
        if table in held:
            connection.execute(f"DROP VIEW temp.{table}")
    return [table for table in tables if table not in held]
