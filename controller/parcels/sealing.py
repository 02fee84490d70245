"""Sealing: each closed UTC day of a run becomes one folder of files that never changes again.

The same journal gives the same bytes, whenever and however often it is sealed: the writer's settings are pinned and
nothing of the moment of sealing goes in. A parcel is written beside its place, synced, and takes its place in one
step, so a power cut leaves a whole parcel or none.
"""

import fcntl
import hashlib
import io
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from controller.control.photoperiod import moment_of
from controller.errors import ParcelError
from controller.parcels.contents import CONTENTS, PICTURES, columns_of, picture_table, table_of
from controller.parcels.manifest import FORMAT, MANIFEST, Clock, File, Manifest, chamber_slug, read_manifest
from controller.plan import Settings
from controller.records.cells import Clock as Cells
from controller.records.days import ClosedDay, Ranges, closed_days, has_ended, software_version, unchanging
from controller.records.journal import Journal
from controller.records.timeline import Timeline

FOLDER = "parcels"
_BEGUN = ".begun-"


def seal(journal: Journal, settings: Settings, *, folder: Path | None = None) -> Iterator[Manifest]:
    """Seal every closed day that is not sealed yet, oldest first, into ``folder`` (by default beside the journal)."""
    run_folder = journal.path.parent
    folder = folder or run_folder / FOLDER
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with _alone(folder):
            for leftover in folder.glob(_BEGUN + "*"):
                shutil.rmtree(leftover)
            sealed = sealed_parcels(folder)
            before = sealed[-1] if sealed else None
            ended = has_ended(journal) and not _is_written(run_folder)
            with unchanging(journal):
                timeline = Timeline(journal)
                last_day = -1 if before is None else day_number(before)
                for day in closed_days(journal, timeline, ranges_of(before), last_day, ended):
                    files, before = make(journal, settings, timeline, day, before)
                    _write(folder, before, files)
                    yield before
    except ParcelError:
        raise
    except OSError as error:
        raise ParcelError(f"{folder}: the day cannot be sealed: {error}") from error


def sealed_parcels(folder: Path) -> list[Manifest]:
    """The manifests in a folder of sealed days, oldest first."""
    return [read_manifest(path.read_bytes(), str(path)) for path in sorted(folder.glob(f"[0-9]*/{MANIFEST}"))]


def day_number(manifest: Manifest) -> int:
    """Days since 1970 of a parcel's day."""
    return date.fromisoformat(manifest.day_utc).toordinal() - date(1970, 1, 1).toordinal()


def ranges_of(manifest: Manifest | None) -> Ranges:
    """The rows of the journal that a parcel holds."""
    return {} if manifest is None else {table: (pair[0], pair[1]) for table, pair in manifest.rows.items()}


def make(
    journal: Journal, settings: Settings, timeline: Timeline, day: ClosedDay, before: Manifest | None
) -> tuple[dict[str, bytes], Manifest]:
    """The files of one parcel, and its manifest."""
    run = journal.run_row()
    tables = {f"{each.name}.parquet": table_of(each, journal, timeline, day.rows) for each in CONTENTS}
    tables["pictures.parquet"] = picture_table(tables["observations.parquet"], journal.path.parent)
    contents = {name: to_parquet(table) for name, table in tables.items()}
    texts = {"plan.toml": str(run["plan_text"]).encode(), "chamber.toml": str(run["chamber_text"]).encode()}
    contents |= {name: text for name, text in texts.items() if text}
    placed = [table.select(["utc_ms", "utc_known", "utc_trusted"]) for name, table in tables.items() if
              table.schema is not PICTURES and "utc_ms" in table.schema.names]  # fmt: skip
    moments = pa.concat_tables(placed)
    edges = pc.min_max(moments["utc_ms"].filter(moments["utc_known"])).as_py()
    trusted, known = (pc.sum(moments[name]).as_py() or 0 for name in ("utc_trusted", "utc_known"))
    site = settings.chamber.site.name
    manifest = Manifest(
        format=FORMAT,
        run_id=str(run["run_id"]),
        chamber=chamber_slug(site),
        site=site,
        plan=settings.plan.name,
        plan_sha256=str(run["plan_sha256"]),
        software_version=software_version(journal, day.rows["boots"][1]),
        simulated=bool(run["simulated"]),
        day_utc=Cells.day(day.day),
        first_utc=_text(edges["min"]),
        last_utc=_text(edges["max"]),
        clock=Clock(trusted=trusted, placed=known - trusted, unknown=moments.num_rows - known),
        before_sha256=None if before is None else before.sha256,
        rows={table: list(pair) for table, pair in day.rows.items()},
        files=[
            File(
                name=name,
                sha256=hashlib.sha256(content).hexdigest(),
                size_bytes=len(content),
                rows=tables[name].num_rows if name in tables else None,
                columns=list(columns_of(tables[name].schema)) if name in tables else None,
            )
            for name, content in contents.items()
        ],
        written_with=f"pyarrow {pa.__version__}",
    )
    return contents, manifest


def to_parquet(table: pa.Table) -> bytes:
    """A table as a Parquet file; the same table gives the same bytes with the same version of the writer."""
    sink = io.BytesIO()
    pq.write_table(
        table,
        sink,
        version="2.6",
        data_page_version="1.0",
        compression="zstd",
        compression_level=9,
        use_dictionary=[field.name for field in table.schema if field.name not in _STEADY],
        column_encoding={name: "DELTA_BINARY_PACKED" for name in table.schema.names if name in _STEADY},
        write_statistics=True,
        row_group_size=131_072,
        data_page_size=1_048_576,
        store_schema=True,
    )
    return sink.getvalue()


_STEADY = {"row_id", "utc_ms", "at_utc_ms", "monotonic_ms", "run_ms"}  # rise by nearly the same step each row


def _text(utc_ms: int | None) -> str | None:
    return None if utc_ms is None else f"{moment_of(utc_ms):%Y-%m-%dT%H:%M:%S}.{utc_ms % 1000:03d}Z"


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """One sealer at a time."""
    with (folder / ".lock").open("a") as held:
        try:
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise ParcelError(f"{folder}: another wardian is sealing this run; try again in a moment.") from error
        yield


def _is_written(run_folder: Path) -> bool:
    """Whether a controller holds the run at this moment."""
    lock = run_folder / "lock"
    if not lock.exists():
        return False
    with lock.open("rb") as held:
        try:
            fcntl.flock(held, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except OSError:
            return True
    return False


def _write(folder: Path, manifest: Manifest, files: dict[str, bytes]) -> None:
    begun, final = folder / f"{_BEGUN}{manifest.day_utc}", folder / manifest.day_utc
    begun.mkdir()
    for name, content in {**files, MANIFEST: manifest.to_bytes()}.items():
        with (begun / name).open("xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
    sync_folder(begun)
    begun.rename(final)
    sync_folder(folder)


def sync_folder(folder: Path) -> None:
    """Have the names in a folder on the disk."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
