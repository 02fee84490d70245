"""What a collector does with what it is brought, without a word of HTTP: pieces, digests, chain, store.

Files of a parcel are gathered beside the store. The manifest comes last and is the moment of decision: every file
must be there with the size and digest it names, its tables must hold the rows it counts and unpack to no more than
a bound, and it must follow the parcel that stands last in its run. Only then do the files go into the store, the
manifest last; from then on the parcel is there, exactly once, and the same manifest again is answered as before.
"""

import errno
import hashlib
import os
import shutil
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import pyarrow as pa
import pyarrow.parquet as pq

from controller.errors import ParcelError
from controller.parcels.chain import link_faults
from controller.parcels.manifest import MANIFEST, TABLES, Manifest, read_manifest
from controller.parcels.stores import Store, add_parcel, manifests_in

PIECE_MAX_BYTES = 33_554_432  # also of a whole file
WAITING_MAX_BYTES = 134_217_728  # of one chamber, gathered and not yet a parcel
UNPACKED_MAX_BYTES = 536_870_912  # of one table: a day at one reading a second is under 20 million
ROWS_MAX = 1_000_000
RUNS_IN_MIND = 500  # a run of a year takes 0.1 MB


class Refusal(ParcelError):
    """A clear no, with the status that HTTP has for it."""

    def __init__(self, status: int, words: str) -> None:
        super().__init__(words)
        self.status = status


class Name(NamedTuple):
    """The four words that name a file on its way; each was judged before it became a part of a path."""

    chamber: str
    run_id: str
    day_utc: str
    file: str


@dataclass(slots=True)
class _Run:
    """The digests of a run's parcels by day, and the last of them, which the next one must follow."""

    digests: dict[str, str]
    last: Manifest | None


class Receiving:
    """Gathers parcels in ``waiting`` and puts whole ones into ``store``."""

    def __init__(self, store: Store, waiting: Path) -> None:
        self._store = store
        self._waiting = waiting
        self._places: dict[tuple[str, str], str] | None = None
        self._known: dict[tuple[str, str], _Run] = {}
        self._lock = threading.Lock()

    # -- pieces ----

    def held_bytes(self, name: Name) -> int | None:
        """How much of a file has arrived; None when nothing has."""
        path = self._path(name)
        return path.stat().st_size if path.is_file() else None

    def take_piece(self, name: Name, offset_bytes: int, content: bytes) -> int:
        """Add a piece at its offset; answers how much there is now. Offset 0 begins anew."""
        path = self._path(name)
        held_bytes = self.held_bytes(name) or 0
        if offset_bytes not in (0, held_bytes):
            raise Refusal(409, f"{name.file}: {held_bytes} bytes are here, the piece begins at {offset_bytes}.")
        if offset_bytes + len(content) > PIECE_MAX_BYTES:
            raise Refusal(413, f"{name.file}: a file has at most {PIECE_MAX_BYTES} bytes.")
        gathered = sum(each.stat().st_size for each in (self._waiting / name.chamber).rglob("*") if each.is_file())
        if gathered + len(content) > WAITING_MAX_BYTES:
            raise Refusal(413, f"{name.chamber}: more than {WAITING_MAX_BYTES} bytes wait here without a manifest.")
        with _disk_words(name.file):
            path.parent.mkdir(parents=True, exist_ok=True)
            with path.open("r+b" if offset_bytes else "wb") as file:
                file.seek(offset_bytes)
                file.write(content)
                file.truncate()
        return offset_bytes + len(content)

    def _path(self, name: Name) -> Path:
        return self._waiting / name.chamber / name.run_id / name.day_utc / name.file

    # -- parcels ----

    def digest_of(self, name: Name) -> str | None:
        """The digest of a parcel that is in the store; None when it is not."""
        return self._run(name).digests.get(name.day_utc)

    def parcels_of(self, chamber: str) -> list[Manifest]:
        """What the store has of a chamber, by run and day."""
        places = [place for (owner, _), place in list(self._places_of_runs().items()) if owner == chamber]
        found = [each for place in places for each in manifests_in(self._store, place)]
        return sorted(found, key=lambda each: (each.run_id, each.day_utc))

    def take_manifest(self, name: Name, content: bytes) -> tuple[Manifest, bool]:
        """Decide about a parcel; answers its manifest, and whether it is new. Refusal when it may not be here."""
        manifest = self._read(name, content)
        run = self._run(name)
        held = run.digests.get(manifest.day_utc)
        if held is not None:
            if held != manifest.sha256:
                raise Refusal(409, f"{name.run_id} {name.day_utc}: another parcel of this day is here already.")
            self._forget(name)
            return manifest, False
        self._judge_chain(manifest, run.last)
        for file in manifest.files:
            self._judge_file(manifest, name._replace(file=file.name))
        folder = self._path(name).parent

        def arrived(each: str) -> bytes:
            return content if each == MANIFEST else (folder / each).read_bytes()

        with _disk_words(name.day_utc):
            add_parcel(self._store, manifest, arrived)
        self._places_of_runs()[name.chamber, name.run_id] = str(manifest.place.parent)
        run.digests[manifest.day_utc], run.last = manifest.sha256, manifest
        self._forget(name)
        return manifest, True

    def _read(self, name: Name, content: bytes) -> Manifest:
        try:
            manifest = read_manifest(content, MANIFEST)
        except ParcelError as error:
            raise Refusal(422, str(error)) from error
        for key, said, meant in (
            ("chamber", manifest.chamber, name.chamber),
            ("run_id", manifest.run_id, name.run_id),
            ("day_utc", manifest.day_utc, name.day_utc),
        ):
            if said != meant:
                raise Refusal(422, f"{MANIFEST}: {key} says {said}, but it was brought as {meant}.")
        return manifest

    def _places_of_runs(self) -> dict[tuple[str, str], str]:
        """Where in the store each (chamber, run) lies. The store is listed once; nobody else adds to it."""
        with self._lock:
            if self._places is None:
                found = {}
                for key in self._store.keys(""):
                    if key.endswith("/" + MANIFEST):
                        place = key.rsplit("/", 2)[0]
                        parts = dict(part.partition("=")[::2] for part in place.split("/"))
                        found[parts.get("chamber", ""), parts.get("run", "")] = place
                self._places = found
            return self._places

    def _run(self, name: Name) -> "_Run":
        """What is known of a run; of many runs only the latest ones asked for are kept in mind."""
        run = (name.chamber, name.run_id)
        known = self._known.get(run)
        if known is None:
            place = self._places_of_runs().get(run)
            found = [] if place is None else manifests_in(self._store, place)
            found.sort(key=lambda each: each.day_utc)
            known = _Run({each.day_utc: each.sha256 for each in found}, found[-1] if found else None)
            with self._lock:
                while len(self._known) >= RUNS_IN_MIND:
                    del self._known[next(iter(self._known))]
                self._known[run] = known
        return known

    def _judge_chain(self, manifest: Manifest, last: Manifest | None) -> None:
        if last is None and manifest.before_sha256 is not None:
            raise Refusal(409, f"{manifest.run_id} {manifest.day_utc}: bring the parcel before it first; none is here.")
        fault = next(link_faults(manifest, last), None)
        if fault is not None:
            raise Refusal(409, fault)

    def _judge_file(self, manifest: Manifest, name: Name) -> None:
        file = next(each for each in manifest.files if each.name == name.file)
        path = self._path(name)
        if not path.is_file():
            raise Refusal(409, f"{file.name}: the manifest names it, but it is not here yet.")
        with path.open("rb") as opened:
            digest = hashlib.file_digest(opened, "sha256").hexdigest()
        if path.stat().st_size != file.size_bytes or digest != file.sha256:
            path.unlink()
            raise Refusal(422, f"{file.name}: what arrived has another digest than the manifest says; bring it again.")
        if file.name in TABLES:
            try:
                _judge_table(path, file.rows)
            except Refusal:
                path.unlink()
                raise

    def _forget(self, name: Name) -> None:
        shutil.rmtree(self._path(name).parent, ignore_errors=True)


def _judge_table(path: Path, rows: int | None) -> None:
    """Look at the footer of a table, without unpacking anything."""
    try:
        about = pq.read_metadata(path)
    except (pa.ArrowException, OSError, ValueError) as error:  # the last: words in it that are not UTF-8
        raise Refusal(422, f"{path.name}: this is not a Parquet file.") from error
    unpacked_bytes = sum(about.row_group(group).total_byte_size for group in range(about.num_row_groups))
    if about.num_rows > ROWS_MAX or not 0 <= unpacked_bytes <= UNPACKED_MAX_BYTES:
        raise Refusal(413, f"{path.name}: {about.num_rows} rows of {unpacked_bytes} bytes unpacked are too much.")
    if about.num_rows != rows:
        raise Refusal(422, f"{path.name}: holds {about.num_rows} rows, the manifest says {rows}.")


@contextmanager
def _disk_words(what: str) -> Iterator[None]:
    """A full disk is told as such, and nothing half-written counts."""
    try:
        yield
    except ParcelError as error:
        cause = error.__cause__
        full = isinstance(cause, OSError) and cause.errno in (errno.ENOSPC, errno.EDQUOT)
        raise Refusal(507 if full else 503, "The collector's disk is full." if full else str(error)) from error
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            raise Refusal(507, "The collector's disk is full; bring it again later.") from error
        raise Refusal(503, f"{what}: cannot be kept now: {os.strerror(error.errno or 0)}.") from error
