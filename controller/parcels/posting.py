"""Sending to a collector over HTTP(S): pieces that go on where they broke off, and the manifest last.

A file that is partly there is asked for its length first (HEAD, ``Upload-Offset``) and goes on from there (PATCH).
"""

from collections.abc import Iterator
from pathlib import Path

import httpx

from controller.parcels.manifest import MANIFEST, Manifest
from controller.parcels.pace import NotDelivered, Pace

PIECE_BYTES = 65_536
TIMEOUT_S = 30.0


class AtCollector:
    """A collector and the token of this chamber."""

    def __init__(self, address: str, token: str, transport: httpx.BaseTransport | None = None) -> None:
        self._address = address.rstrip("/")
        self._headers = {"Authorization": f"Bearer {token}"}
        self._transport = transport

    def deliver(self, manifest: Manifest, folder: Path, pace: Pace) -> None:
        try:
            with httpx.Client(headers=self._headers, timeout=TIMEOUT_S, transport=self._transport) as client:
                self._deliver(client, manifest, folder, pace)
        except (httpx.HTTPError, httpx.InvalidURL, UnicodeError) as error:
            said = str(error) or type(error).__name__
            raise NotDelivered(f"{self._address}: the line broke: {said}.") from error

    def _deliver(self, client: httpx.Client, manifest: Manifest, folder: Path, pace: Pace) -> None:
        root = f"{self._address}/parcels/{manifest.chamber}/{manifest.run_id}/{manifest.day_utc}"
        held = client.head(f"{root}/{MANIFEST}")
        if held.status_code == 200 and held.headers.get("etag") == f'"{manifest.sha256}"':
            return
        for file in manifest.files:
            self._send_file(client, f"{root}/{file.name}", folder / file.name, file.size_bytes, pace)
        pace.spend(len(manifest.to_bytes()))
        answer = self._judged(client.put(f"{root}/{MANIFEST}", content=manifest.to_bytes()))
        if answer.headers.get("etag") != f'"{manifest.sha256}"':
            raise NotDelivered(f"{self._address}: answered for {manifest.day_utc}, but not with its digest.")

    def _send_file(self, client: httpx.Client, url: str, path: Path, size_bytes: int, pace: Pace) -> None:
        held = self._judged(client.head(url), well=(200, 404))
        offset_bytes = _number(held.headers.get("upload-offset", "0")) if held.status_code == 200 else 0
        if held.status_code == 200 and offset_bytes == size_bytes:
            return
        for offset, piece in _pieces(path, offset_bytes if offset_bytes < size_bytes else 0):
            pace.spend(len(piece))
            self._judged(client.patch(url, content=piece, headers={"Upload-Offset": str(offset)}))

    def _judged(self, answer: httpx.Response, well: tuple[int, ...] = (200, 201, 204)) -> httpx.Response:
        if answer.status_code in well:
            return answer
        words = answer.text.strip().splitlines()[0][:300] if answer.text.strip() else answer.reason_phrase
        retry_after_s = float(_number(answer.headers.get("retry-after", "0")))
        raise NotDelivered(f"{self._address}: {answer.status_code}: {words}", retry_after_s)


def _number(text: str) -> int:
    return int(text) if text.isascii() and text.isdigit() else 0


def _pieces(path: Path, offset_bytes: int) -> Iterator[tuple[int, bytes]]:
    with path.open("rb") as file:
        file.seek(offset_bytes)
        while piece := file.read(PIECE_BYTES):
            yield offset_bytes, piece
            offset_bytes += len(piece)
