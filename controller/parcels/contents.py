"""What the files of a parcel hold: column by column, with type, unit and meaning, straight from the records' classes.

Nothing is lost: ``readings``, ``doses`` and ``observations`` have a column for each field; every other record stands
in ``events`` with its fields as JSON. Each row keeps the moment as it was written, on both clocks, and the UTC on
which the timeline of its journal places it.
"""

import hashlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa

from controller.control import model as m
from controller.records.days import Ranges, place, raw_rows
from controller.records.formats import COLUMNS, TABLES
from controller.records.journal import Journal
from controller.records.timeline import Timeline

_TYPES = {int: pa.int64(), float: pa.float64(), str: pa.string(), bool: pa.bool_()}
_UNITS = (
    ("_c", "degC"), ("_pct", "%"), ("_fraction", "1"), ("_ml", "ml"), ("_ml_per_step", "ml"), ("_mm", "mm"),
    ("_g", "g"), ("_ms", "ms"), ("_steps", "steps"), ("_steps_per_s", "steps/s"), ("_counts", "counts"),
    ("_bbch", "BBCH"), ("_bytes", "bytes"),
)  # fmt: skip
WHEN = (
    ("row_id", pa.int64(), "number of the row in the journal"),
    ("utc_ms", pa.int64(), "milliseconds since 1970-01-01 UTC, as the timeline of the journal places the row"),
    ("utc_known", pa.bool_(), "whether network time stood behind utc_ms, or placed it by the monotonic clock"),
    ("at_utc_ms", pa.int64(), "milliseconds since 1970-01-01 UTC on the clock as it stood when the row was written"),
    ("monotonic_ms", pa.int64(), "milliseconds on the computer's monotonic clock"),
    ("boot_id", pa.int64(), "which life of the program wrote the row"),
    ("utc_trusted", pa.bool_(), "whether network time stood behind the clock when the row was written"),
)
_OTHER = [
    table for table in TABLES.values() if table not in ("readings", "dose_intents", "dose_outcomes", "observations")
]
_NONE = (1, 0)  # a day sealed before the journal had this table
_RECORD_CLASS = {table: record_class for record_class, table in TABLES.items()}


class Contents(NamedTuple):
    """One table of a parcel, and the journal's tables whose rows it holds."""

    name: str
    tables: tuple[str, ...]
    schema: pa.Schema


def unit_of(name: str) -> str:
    """The unit that ends a column's name; empty where it has none."""
    plain = name.removesuffix("_standard_uncertainty").removesuffix("_max").removesuffix("_min")
    return next((unit for end, unit in _UNITS if f"_{plain}".endswith(end)), "")


def _field(name: str, kind: pa.DataType, words: str = "") -> pa.Field:
    about = {key: value for key, value in (("unit", unit_of(name)), ("words", words)) if value}
    return pa.field(name, kind, metadata=about or None)


def _schema(*record_classes: type, first: tuple[tuple[str, pa.DataType, str], ...] = ()) -> pa.Schema:
    fields = {name: _field(name, kind, words) for name, kind, words in (*first, *WHEN)}
    for record_class in record_classes:
        for name, plain, _ in COLUMNS[record_class]:
            fields[name] = _field(name, _TYPES[plain])
    return pa.schema(list(fields.values()))


_ENTRY = ("entry", pa.string(), "the journal's table that the row comes from")
_FIELDS = pa.field("fields_json", pa.string(), metadata={"words": "the other fields of the record, as JSON"})
PICTURES = pa.schema(
    [
        _field("picture", pa.string(), "name of the file, as the observation gives it"),
        _field("observation", pa.int64(), "row_id of the observation"),
        _field("picture_bytes", pa.int64(), "empty when the file was not there on sealing"),
        _field("sha256", pa.string(), "SHA-256 of the file; empty when it was not there on sealing"),
    ]
)
CONTENTS = (
    Contents("readings", ("readings",), _schema(m.ReadingRecord)),
    Contents("doses", ("dose_intents", "dose_outcomes"), _schema(m.DoseIntended, m.DoseClosed, first=(_ENTRY,))),
    Contents("observations", ("observations",), _schema(m.ObservationRecord)),
    Contents("events", tuple(sorted(_OTHER)), _schema(first=(_ENTRY,)).append(_FIELDS)),
)


def table_of(contents: Contents, journal: Journal, timeline: Timeline, rows: Ranges) -> pa.Table:
    """The rows of one table of a parcel."""
    parts = []
    for table in contents.tables:
        names = ["row_id", "at_utc_ms", "monotonic_ms", "boot_id", "utc_trusted", *_fields_of(table)]
        for taken in raw_rows(journal, table, *rows.get(table, _NONE)):
            columns: dict[str, Any] = dict(zip(names, zip(*taken, strict=True), strict=True))
            columns |= _placed(columns, timeline)
            parts.append(_as_table(contents, table, columns, len(taken)))
    found: pa.Table = pa.concat_tables(parts) if parts else contents.schema.empty_table()
    return found.combine_chunks()


def _fields_of(table: str) -> list[str]:
    return [name for name, _, _ in COLUMNS[_RECORD_CLASS[table]]]


def _placed(columns: dict[str, Any], timeline: Timeline) -> dict[str, Any]:
    written = [columns[name] for name in ("row_id", "row_id", "at_utc_ms", "utc_trusted", "boot_id", "monotonic_ms")]
    placed_ms, known = place(np.array(written, dtype=np.int64).T, timeline)
    trusted = np.array(columns["utc_trusted"], dtype=np.bool_)
    return {"utc_ms": placed_ms, "utc_known": known, "utc_trusted": trusted}


def _as_table(contents: Contents, table: str, columns: dict[str, Any], count: int) -> pa.Table:
    if contents.name == "events":
        names = _fields_of(table)
        fields = zip(*(columns[name] for name in names), strict=True)
        columns["fields_json"] = [json.dumps(dict(zip(names, v, strict=True)), ensure_ascii=False) for v in fields]
    if "entry" in contents.schema.names:
        columns["entry"] = [table] * count
    booleans = {name for name, plain, _ in COLUMNS[_RECORD_CLASS[table]] if plain is bool}
    arrays = []
    for field in contents.schema:
        values = columns.get(field.name, [None] * count)
        if field.name in booleans:
            values = [None if value is None else bool(value) for value in values]
        arrays.append(pa.array(values, field.type))
    return pa.Table.from_arrays(arrays, schema=contents.schema)


def picture_table(observations: pa.Table, folder: Path) -> pa.Table:
    """The pictures that the observations of a day name, with the digests of their files in the run's folder."""
    named = zip(observations["picture"].to_pylist(), observations["row_id"].to_pylist(), strict=True)
    rows = [
        {"picture": picture, "observation": row, **_digest_of(folder, picture)} for picture, row in named if picture
    ]
    return pa.Table.from_pylist(rows, schema=PICTURES)


def _digest_of(folder: Path, picture: str) -> dict[str, Any]:
    path = folder / picture
    if not path.resolve().is_relative_to(folder.resolve()) or not path.is_file():
        return {"picture_bytes": None, "sha256": None}
    with path.open("rb") as file:
        return {"picture_bytes": path.stat().st_size, "sha256": hashlib.file_digest(file, "sha256").hexdigest()}


def columns_of(schema: pa.Schema) -> Iterator[dict[str, str]]:
    """The columns as a manifest tells them."""
    for field in schema:
        about = {key.decode(): value.decode() for key, value in (field.metadata or {}).items()}
        yield {"name": field.name, "type": str(field.type), **about}
