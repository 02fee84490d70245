"""Sealed days turned back into journals, for readers that know only journals. Nothing is read before it is verified."""

import json
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pyarrow as pa
import pyarrow.parquet as pq

from controller.errors import ParcelError
from controller.parcels.chain import verify
from controller.parcels.contents import CONTENTS
from controller.parcels.manifest import MANIFEST, Manifest, read_manifest
from controller.plan import Settings
from controller.records.journal import Journal
from controller.records.rebuilding import Cells, columns_of, put_rows, rebuilt_journal
from controller.run_settings import settings_of
from controller.settings import settings_from_text


class Unsealed(NamedTuple):
    """One run out of its parcels. The journal stands in the folder that was given, and its reader closes it."""

    journal: Journal
    settings: Settings
    days: int
    last_day_utc: str


def unseal(folder: Path, into: Path) -> Iterator[Unsealed]:
    """Every run whose parcels lie under ``folder``, in the order of chamber and run, each into a folder in ``into``.

    ``folder`` is a run's own, a stick, the store of a collector, or a part of one. ParcelError with the first fault
    when a chain, a digest or a plan does not verify; then nothing at all is given.
    """
    chains = verify(folder)
    for chain in chains:
        if chain.fault:
            raise ParcelError(f"{folder}: the parcels do not verify, so nothing of them is used: {chain.fault}")
    runs: defaultdict[tuple[str, str], list[tuple[Manifest, Path]]] = defaultdict(list)
    for path in folder.rglob(MANIFEST):
        if not any(part.startswith(".") for part in path.relative_to(folder).parts):
            manifest = read_manifest(path.read_bytes(), str(path))
            runs[manifest.chamber, manifest.run_id].append((manifest, path.parent))
    for number, (_, parcels) in enumerate(sorted(runs.items())):
        yield _unsealed(sorted(parcels, key=lambda each: each[0].day_utc), into / str(number))


def _unsealed(parcels: list[tuple[Manifest, Path]], into: Path) -> Unsealed:
    last, place = parcels[-1]
    plan, chamber = place / "plan.toml", place / "chamber.toml"
    try:  # as bytes: line ends are part of the plan's digest
        texts = plan.read_bytes().decode("utf-8"), chamber.read_bytes().decode("utf-8")
    except (OSError, UnicodeError) as error:
        raise ParcelError(f"{place}: the plan and the chamber file of this parcel cannot be read: {error}") from error
    settings = settings_from_text(texts[0], texts[1], str(plan), str(chamber))
    if settings.plan_sha256 != last.plan_sha256:
        raise ParcelError(f"{plan}: this is not the plan whose digest the manifest names.")
    first = parcels[0][0]
    journal = rebuilt_journal(into, last.run_id, settings, first.software_version, last.simulated)
    for _, folder in parcels:
        for contents in CONTENTS:
            path = folder / f"{contents.name}.parquet"
            try:
                taken = pq.read_table(path).to_pydict()
            except (OSError, pa.ArrowException) as error:
                raise ParcelError(f"{path}: this table cannot be read: {error}") from error
            for table, rows in _rows_of(taken, contents.tables, str(path)):
                put_rows(journal, table, rows)
    return Unsealed(journal, settings_of(journal), len(parcels), last.day_utc)


def _rows_of(
    taken: dict[str, list[Any]], tables: tuple[str, ...], name: str
) -> Iterator[tuple[str, list[tuple[Cells, ...]]]]:
    """(table of the journal, its rows) of one table of a parcel."""
    if "fields_json" in taken:
        fields = [json.loads(text) for text in taken["fields_json"]]
    entries = taken.get("entry")
    for table in tables:
        columns = columns_of(table)
        if entries is None:
            count = len(taken["row_id"])
            yield table, list(zip(*(taken.get(column, [None] * count) for column in columns), strict=True))
            continue
        wanted = [place for place, entry in enumerate(entries) if entry == table]
        if "fields_json" in taken:
            head = columns[:5]
            rows = [(*(taken[c][i] for c in head), *(fields[i].get(c) for c in columns[5:])) for i in wanted]
        else:
            rows = [tuple(taken[column][i] for column in columns) for i in wanted]
        yield table, rows
    if entries is not None and (strange := set(entries) - set(tables)):
        raise ParcelError(f"{name}: holds entries of {', '.join(sorted(strange))}, which this program does not know.")
