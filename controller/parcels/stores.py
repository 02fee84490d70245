"""Where parcels can lie: a folder (a disk, a USB stick, a network share) or an S3-compatible store.

Both only ever add: a key that is taken keeps its content, and offering the same content again does nothing.
"""

import os
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from obstore.exceptions import AlreadyExistsError, BaseError
from obstore.store import S3Store

from controller.errors import ParcelError
from controller.parcels.manifest import MANIFEST, Manifest, read_manifest
from controller.parcels.sealing import sync_folder

S3_TIMEOUT = "30s"


class Store(Protocol):
    """Keys are paths with slashes, made by Manifest.place and the fixed names of the files."""

    def read(self, key: str) -> bytes | None:
        """The content, or None where there is none."""

    def add(self, key: str, content: bytes) -> None:
        """Have this content under the key for good; ParcelError when it holds another."""

    def keys(self, under: str) -> list[str]:
        """All keys that begin with a folder's name; ``""`` means all."""


class FolderStore:
    """A folder. A file takes its place in one step, after it is on the disk."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def __str__(self) -> str:
        return str(self._folder)

    def read(self, key: str) -> bytes | None:
        try:
            return (self._folder / key).read_bytes()
        except FileNotFoundError:
            return None
        except OSError as error:
            raise ParcelError(f"{self._folder / key}: cannot be read: {error.strerror}.") from error

    def add(self, key: str, content: bytes) -> None:
        final = self._folder / key
        held = self.read(key)
        if held is not None:
            _refuse_another(str(final), held, content)
            return
        begun = final.with_name(f".{final.name}.{os.getpid()}")
        try:
            final.parent.mkdir(parents=True, exist_ok=True)
            try:
                with begun.open("wb") as file:
                    file.write(content)
                    file.flush()
                    os.fsync(file.fileno())
                begun.rename(final)
            finally:
                begun.unlink(missing_ok=True)
            folder = final.parent
            while folder != self._folder.parent:  # new folders are names too
                sync_folder(folder)
                folder = folder.parent
        except OSError as error:
            raise ParcelError(f"{final}: cannot be written: {error.strerror}.") from error

    def keys(self, under: str) -> list[str]:
        root = self._folder / under
        found = (path for path in root.rglob("*") if path.is_file() and not path.name.startswith("."))
        return sorted(str(path.relative_to(self._folder)) for path in found)


class ObjectStore:
    """A bucket of an S3-compatible store: ``s3://bucket/prefix``.

    Keys, region and endpoint come from the usual variables of the environment (AWS_ACCESS_KEY_ID,
    AWS_SECRET_ACCESS_KEY, AWS_REGION, AWS_ENDPOINT).
    """

    def __init__(self, address: str) -> None:
        bucket, _, self._prefix = address.removeprefix("s3://").partition("/")
        self._prefix = self._prefix.strip("/")
        self._address = address
        allow_http = os.environ.get("AWS_ENDPOINT", "").startswith("http://")
        try:
            self._store = S3Store(
                bucket,
                client_options={"timeout": S3_TIMEOUT, "allow_http": allow_http},
                retry_config={"max_retries": 2},
            )
        except (BaseError, ValueError) as error:
            raise ParcelError(f"{address}: {_plain(error)}") from error

    def __str__(self) -> str:
        return self._address

    def _key(self, key: str) -> str:
        return f"{self._prefix}/{key}" if self._prefix else key

    def read(self, key: str) -> bytes | None:
        try:
            return bytes(self._store.get(self._key(key)).bytes())
        except FileNotFoundError:
            return None
        except (BaseError, OSError) as error:
            raise ParcelError(f"{self._address}/{key}: cannot be read: {_plain(error)}") from error

    def add(self, key: str, content: bytes) -> None:
        held = self.read(key)
        if held is None:
            try:
                self._store.put(self._key(key), content, mode="create")
                return
            except AlreadyExistsError:
                held = self.read(key) or b""
            except (BaseError, OSError) as error:
                raise ParcelError(f"{self._address}/{key}: cannot be written: {_plain(error)}") from error
        _refuse_another(f"{self._address}/{key}", held, content)

    def keys(self, under: str) -> list[str]:
        try:
            parts = list(self._store.list(self._key(under) or None))
        except (BaseError, OSError) as error:
            raise ParcelError(f"{self._address}: cannot be listed: {_plain(error)}") from error
        start = len(self._prefix) + 1 if self._prefix else 0
        return sorted(each["path"][start:] for part in parts for each in part)


def _plain(error: Exception) -> str:
    return str(error).splitlines()[0][:300]


def _refuse_another(name: str, held: bytes, content: bytes) -> None:
    if held != content:
        raise ParcelError(f"{name}: another content lies there already; nothing was changed.")


def store_at(address: str) -> Store:
    """The store of an address: ``s3://bucket/prefix``, else a folder."""
    return ObjectStore(address) if address.startswith("s3://") else FolderStore(Path(address))


def add_parcel(
    store: Store, manifest: Manifest, read: Callable[[str], bytes], before_each: Callable[[int], None] = lambda _: None
) -> None:
    """Put a parcel into a store: its files, and last the manifest, which makes it be there.

    ``read`` gives a file by its name; ``before_each`` hears how many bytes come next.
    """
    for name in (*(file.name for file in manifest.files), MANIFEST):
        content = read(name)
        before_each(len(content))
        store.add(str(manifest.place / name), content)


def manifests_in(store: Store, under: str = "") -> list[Manifest]:
    """The manifests of all parcels in a store, in the order of their places."""
    keys = [key for key in store.keys(under) if key.endswith("/" + MANIFEST)]
    return [read_manifest(store.read(key) or b"", key) for key in keys]
