"""The manifest of a parcel: what it holds, for whom, and the digest of the parcel before it. One way to write it."""

import hashlib
import json
import re
from dataclasses import dataclass
from datetime import date
from pathlib import PurePosixPath
from typing import Any

from pydantic import TypeAdapter, ValidationError

from controller.errors import ParcelError

FORMAT = "wardian parcel 1"
MANIFEST = "manifest.json"
TABLES = ("readings.parquet", "doses.parquet", "observations.parquet", "events.parquet", "pictures.parquet")
TEXTS = ("plan.toml", "chamber.toml")
FILES = (*TABLES, *TEXTS)
BYTES_MAX = 1_000_000  # of a manifest
_STRICT = {"extra": "forbid", "strict": True}
_SLUG = re.compile(r"[a-z0-9][a-z0-9-]{0,79}")
_RUN = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]{0,119}")
_DIGEST = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True, kw_only=True)
class File:
    """One file of a parcel. ``rows`` and ``columns`` are of tables only."""

    __pydantic_config__ = _STRICT
    name: str
    sha256: str
    size_bytes: int
    rows: int | None = None
    columns: list[dict[str, str]] | None = None


@dataclass(frozen=True, kw_only=True)
class Clock:
    """How many rows carry network time, were placed by it, or could not be placed."""

    __pydantic_config__ = _STRICT
    trusted: int
    placed: int
    unknown: int


@dataclass(frozen=True, kw_only=True)
class Manifest:
    """``rows`` holds for each table of the journal the numbers of its first and last row; first > last means none."""

    __pydantic_config__ = _STRICT
    format: str
    run_id: str
    chamber: str
    site: str
    plan: str
    plan_sha256: str
    software_version: str
    simulated: bool
    day_utc: str
    first_utc: str | None
    last_utc: str | None
    clock: Clock
    before_sha256: str | None
    rows: dict[str, list[int]]
    files: list[File]
    written_with: str

    def to_bytes(self) -> bytes:
        """The one way of writing it: keys in order, one line, UTF-8."""
        plain = _ADAPTER.dump_python(self, exclude_none=False)
        return (json.dumps(plain, ensure_ascii=False, sort_keys=True, separators=(",", ":")) + "\n").encode()

    @property
    def sha256(self) -> str:
        """The digest of the parcel: that of its manifest, which holds those of its files."""
        return hashlib.sha256(self.to_bytes()).hexdigest()

    @property
    def place(self) -> PurePosixPath:
        """Where the parcel lies in a store: partitions that other programs read as columns."""
        return PurePosixPath(
            f"plan={self.plan_sha256[:16]}", f"chamber={self.chamber}", f"run={self.run_id}", f"day={self.day_utc}"
        )

    @property
    def rows_by_file(self) -> dict[str, int]:
        return {file.name: file.rows for file in self.files if file.rows is not None}


_ADAPTER = TypeAdapter(Manifest)


def chamber_slug(site: str) -> str:
    """A site's name as a part of a path: small letters, digits and hyphens."""
    return re.sub(r"[^a-z0-9]+", "-", site.lower()).strip("-")[:80] or "chamber"


def is_chamber(name: str) -> bool:
    return _SLUG.fullmatch(name) is not None


def is_run(name: str) -> bool:
    return _RUN.fullmatch(name) is not None


def is_day(name: str) -> bool:
    try:
        return date.fromisoformat(name).isoformat() == name
    except ValueError:
        return False


def read_manifest(content: bytes, name: str) -> Manifest:
    """A manifest that is well formed and says nothing impossible; ParcelError with one sentence otherwise."""
    if len(content) > BYTES_MAX:
        raise ParcelError(f"{name}: a manifest has at most {BYTES_MAX} bytes, this one has {len(content)}.")
    try:
        found = _ADAPTER.validate_json(content)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        key = ".".join(str(part) for part in first["loc"]) or "the whole"
        raise ParcelError(f"{name}: this is not a manifest of a parcel: {key}: {first['msg']}.") from error
    except (ValueError, RecursionError) as error:
        raise ParcelError(f"{name}: this is not a manifest of a parcel: {error}.") from error
    for key, well in _judged(found):
        if not well:
            raise ParcelError(f"{name}: {key} is not as a manifest must have it.")
    if found.to_bytes() != content:
        raise ParcelError(f"{name}: the manifest is not written the way a sealed one is.")
    return found


def _judged(found: Manifest) -> list[tuple[str, bool]]:
    names = [file.name for file in found.files]
    return [
        ("format", found.format == FORMAT),
        ("run_id", is_run(found.run_id)),
        ("chamber", is_chamber(found.chamber)),
        ("day_utc", is_day(found.day_utc)),
        ("plan_sha256", _DIGEST.fullmatch(found.plan_sha256) is not None),
        ("before_sha256", found.before_sha256 is None or _DIGEST.fullmatch(found.before_sha256) is not None),
        ("files (their names)", set(TABLES) <= set(names) <= set(FILES) and len(names) == len(set(names))),
        ("files (their digests)", all(_DIGEST.fullmatch(file.sha256) for file in found.files)),
        ("files (their sizes)", all(file.size_bytes >= 0 for file in found.files)),
        ("files (their rows)", all((file.rows or 0) >= 0 for file in found.files)),
        ("rows", all(len(pair) == 2 and pair[0] >= 1 and pair[1] >= pair[0] - 1 for pair in found.rows.values())),
    ]


def as_json(manifest: Manifest) -> dict[str, Any]:
    """For printing."""
    plain: dict[str, Any] = json.loads(manifest.to_bytes())
    return plain
