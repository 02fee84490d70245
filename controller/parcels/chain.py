"""Verifying: parcels against their manifests, against each other, and against the journal that they come from."""

import hashlib
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pyarrow as pa
import pyarrow.parquet as pq

from controller.errors import ParcelError
from controller.parcels.manifest import MANIFEST, Manifest, read_manifest
from controller.parcels.sealing import day_number, make, ranges_of
from controller.plan import Settings
from controller.records.days import ClosedDay, unchanging
from controller.records.journal import Journal
from controller.records.timeline import Timeline


class Chain(NamedTuple):
    """The parcels of one run under a folder, and the first fault among them; empty when all is well."""

    run_id: str
    chamber: str
    parcels: int
    fault: str


def verify(folder: Path) -> list[Chain]:
    """Judge every chain of parcels under ``folder``, be it a run's own or a store of many chambers."""
    runs: defaultdict[tuple[str, str], list[Path]] = defaultdict(list)
    unread: list[Chain] = []
    for path in sorted(folder.rglob(MANIFEST)):
        if any(part.startswith(".") for part in path.relative_to(folder).parts):
            continue
        try:
            manifest = read_manifest(path.read_bytes(), str(path))
        except (ParcelError, OSError) as error:
            unread.append(Chain("?", "?", 1, str(error)))
            continue
        runs[manifest.chamber, manifest.run_id].append(path)
    chains = [
        Chain(run_id, chamber, len(paths), next(_faults(paths), ""))
        for (chamber, run_id), paths in sorted(runs.items())
    ]
    return unread + chains


def _faults(paths: list[Path]) -> Iterator[str]:
    found = sorted(((read_manifest(path.read_bytes(), str(path)), path) for path in paths), key=lambda e: e[0].day_utc)
    before: Manifest | None = None
    for manifest, path in found:
        yield from link_faults(manifest, before)
        yield from file_faults(manifest, path.parent)
        before = manifest


def link_faults(manifest: Manifest, before: Manifest | None) -> Iterator[str]:
    """What is wrong between a parcel and the one before it in its run."""
    day = f"{manifest.run_id} {manifest.day_utc}"
    if before is None:
        if manifest.before_sha256 is not None:
            yield f"{day}: the parcel before it ({manifest.before_sha256[:12]}...) is not here."
        return
    if manifest.before_sha256 != before.sha256:
        named = "none" if manifest.before_sha256 is None else manifest.before_sha256[:12] + "..."
        yield f"{day}: names {named} as the parcel before it, but that of {before.day_utc} is {before.sha256[:12]}..."
    if manifest.day_utc <= before.day_utc:
        yield f"{day}: is not later than the parcel before it ({before.day_utc})."
    if manifest.plan_sha256 != before.plan_sha256:
        yield f"{day}: is of another plan than the parcel before it."
    earlier = ranges_of(before)
    for table, (first, _) in sorted(ranges_of(manifest).items()):
        if first != earlier.get(table, (1, 0))[1] + 1:
            yield f"{day}: rows of {table} begin at {first}, the parcel before it ends at {earlier.get(table)}."


def file_faults(manifest: Manifest, folder: Path) -> Iterator[str]:
    """What is wrong with the files of a parcel."""
    for file in manifest.files:
        path = folder / file.name
        try:
            with path.open("rb") as opened:
                digest = hashlib.file_digest(opened, "sha256").hexdigest()
        except OSError as error:
            yield f"{path}: cannot be read: {error.strerror}."
            continue
        if digest != file.sha256:
            yield f"{path}: its SHA-256 is {digest[:12]}..., the manifest says {file.sha256[:12]}..."
        elif file.rows is not None and (count := _row_count(path)) != file.rows:
            holds = "is not a Parquet file" if count is None else f"holds {count} rows"
            yield f"{path}: {holds}, the manifest says {file.rows} rows."
    strange = {path.name for path in folder.iterdir()} - {file.name for file in manifest.files} - {MANIFEST}
    if strange:
        yield f"{folder}: holds {', '.join(sorted(strange))}, which the manifest does not name."


def _row_count(path: Path) -> int | None:
    try:
        return int(pq.read_metadata(path).num_rows)
    except (pa.ArrowException, OSError, ValueError):
        return None


def journal_faults(journal: Journal, settings: Settings, folder: Path) -> Iterator[str]:
    """Where sealed days no longer hold what the journal holds.

    Rows are compared, not bytes, where another version of the writer made the files.
    """
    before: Manifest | None = None
    with unchanging(journal):
        timeline = Timeline(journal)
        for path in sorted(folder.glob(f"[0-9]*/{MANIFEST}")):
            sealed = read_manifest(path.read_bytes(), str(path))
            files, again = make(journal, settings, timeline, ClosedDay(day_number(sealed), ranges_of(sealed)), before)
            if sealed.written_with == again.written_with:
                yield from _differences(sealed, again)
            else:
                for name in sealed.rows_by_file:
                    if not pq.read_table(path.parent / name).equals(pq.read_table(pa.BufferReader(files[name]))):
                        yield f"{sealed.run_id} {sealed.day_utc}: {name} no longer holds what the journal holds."
            before = sealed


def _differences(sealed: Manifest, again: Manifest) -> Iterator[str]:
    if sealed == again:
        return
    day = f"{sealed.run_id} {sealed.day_utc}"
    digests = {file.name: file.sha256 for file in again.files}
    changed = [file.name for file in sealed.files if digests.get(file.name) != file.sha256]
    if changed:
        yield f"{day}: {changed[0]} no longer holds what the journal holds."
    else:
        names = [name for name in sealed.__dataclass_fields__ if getattr(sealed, name) != getattr(again, name)]
        yield f"{day}: the manifest says another {names[0]} than the journal."
