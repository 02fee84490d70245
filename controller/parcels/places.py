"""Where parcels can be sent: a folder, an S3-compatible store, a collector."""

from pathlib import Path
from typing import Protocol

from controller.parcels.manifest import Manifest
from controller.parcels.pace import NotDelivered, Pace
from controller.parcels.posting import AtCollector
from controller.parcels.stores import Store, add_parcel, store_at
from controller.records.outbox import Address


class Place(Protocol):
    """Something that takes parcels."""

    def deliver(self, manifest: Manifest, folder: Path, pace: Pace) -> None:
        """Have the whole parcel there; ParcelError when it is not."""


class InStore:
    """A folder or an S3-compatible store."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def deliver(self, manifest: Manifest, folder: Path, pace: Pace) -> None:
        add_parcel(self._store, manifest, lambda name: (folder / name).read_bytes(), pace.spend)


def place_at(address: Address) -> Place:
    """What stands behind an address: a collector for http and https, else a store."""
    if address.address.startswith(("http://", "https://")):
        return AtCollector(address.address, _token(address))
    if not address.address.startswith("s3://") and not Path(address.address).is_dir():
        raise NotDelivered(f"{address.address}: there is no such folder; is the stick or disk in its place?")
    return InStore(store_at(address.address))


def _token(address: Address) -> str:
    try:
        return Path(address.token_file).read_text(encoding="utf-8").strip()
    except (OSError, ValueError) as error:
        raise NotDelivered(
            f"{address.token_file}: the token for {address.address} cannot be read ({error})."
        ) from error
