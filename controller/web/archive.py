"""ZIP files written while they are sent, so that they take no room on the disk and no memory."""

import zipfile
from collections.abc import Iterable, Iterator
from pathlib import Path

PIECE_BYTES = 256 * 1024


class _Outlet:
    """A file that cannot go back: what was written waits here until it is taken."""

    def __init__(self) -> None:
        self._waiting: list[bytes] = []

    def write(self, data: bytes) -> int:
        self._waiting.append(bytes(data))
        return len(data)

    def flush(self) -> None:
        """Nothing waits anywhere else."""

    def taken(self) -> bytes:
        data = b"".join(self._waiting)
        self._waiting.clear()
        return data


def zip_chunks(members: Iterable[tuple[str, Path | Iterable[bytes]]]) -> Iterator[bytes]:
    """A ZIP of (name, file or pieces), piece by piece. Pictures are stored as they are, the rest is packed."""
    outlet = _Outlet()
    with zipfile.ZipFile(outlet, "w", zipfile.ZIP_DEFLATED) as archive:  # type: ignore[call-overload]
        for name, content in members:
            info = zipfile.ZipInfo(name)
            info.external_attr = 0o644 << 16
            info.compress_type = zipfile.ZIP_STORED if name.endswith(".jpg") else zipfile.ZIP_DEFLATED
            with archive.open(info, "w", force_zip64=True) as member:
                for piece in _pieces(content) if isinstance(content, Path) else content:
                    member.write(piece)
                    if data := outlet.taken():
                        yield data
    yield outlet.taken()


def _pieces(path: Path) -> Iterator[bytes]:
    with path.open("rb") as file:
        while piece := file.read(PIECE_BYTES):
            yield piece
