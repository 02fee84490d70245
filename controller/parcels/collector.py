"""The collector as a small ASGI service: who asks, what is named, how much and how often; then receiving.py decides.

    HEAD  /parcels/CHAMBER/RUN/DAY/FILE   how much of a file is here (Upload-Offset); of manifest.json the ETag
    PATCH /parcels/CHAMBER/RUN/DAY/FILE   a piece of a file, at Upload-Offset
    PUT   /parcels/CHAMBER/RUN/DAY/FILE   a whole file; manifest.json last: 201 is here now, 200 was already
    GET   /parcels                        what is here of the token's chamber
    GET   /health                         whether the service is up

Every answer that is not a success is one sentence of plain text.
"""

import asyncio
import time
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from controller.errors import ParcelError
from controller.parcels.manifest import BYTES_MAX, FILES, MANIFEST, is_chamber, is_day, is_run
from controller.parcels.receiving import PIECE_MAX_BYTES, Name, Receiving, Refusal
from controller.parcels.stores import Store
from controller.parcels.tokens import Tokens

REQUESTS_AT_ONCE = 240.0  # a token's allowance, which fills up again at the rate below
REQUESTS_PER_S = 20.0
PIECE_WITHIN_S = 120.0  # a piece that takes longer is let go


class Allowance:
    """How many requests each chamber may still make: refills steadily up to its bound."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._left: defaultdict[str, tuple[float, float]] = defaultdict(lambda: (REQUESTS_AT_ONCE, clock()))

    def spend(self, chamber: str) -> bool:
        """Take one; false when there is none left."""
        left, since_s = self._left[chamber]
        now_s = self._clock()
        left = min(REQUESTS_AT_ONCE, left + (now_s - since_s) * REQUESTS_PER_S)
        self._left[chamber] = (left - 1 if left >= 1 else left, now_s)
        return left >= 1


class Collector:
    """The handlers of the service."""

    def __init__(self, receiving: Receiving, tokens: Tokens, clock: Callable[[], float] = time.monotonic) -> None:
        self._receiving = receiving
        self._tokens = tokens
        self._allowance = Allowance(clock)
        self._busy: defaultdict[str, asyncio.Lock] = defaultdict(asyncio.Lock)

    def _chamber(self, request: Request) -> str:
        kind, _, token = request.headers.get("authorization", "").partition(" ")
        chamber = self._tokens.chamber_of(token.strip()) if kind.lower() == "bearer" and token else None
        if chamber is None:
            raise Refusal(401, "This token is not known here; ask whoever keeps the collector for a new one.")
        if not self._allowance.spend(chamber):
            raise Refusal(429, "Too many requests; wait a moment.")
        return chamber

    def _name(self, request: Request) -> Name:
        chamber = self._chamber(request)
        name = Name(*(request.path_params[part] for part in ("chamber", "run", "day", "file")))
        if not (is_chamber(name.chamber) and is_run(name.run_id) and is_day(name.day_utc)):
            raise Refusal(400, "The address is not that of a parcel: /parcels/CHAMBER/RUN/DAY/FILE.")
        if name.file not in (*FILES, MANIFEST):
            raise Refusal(400, f"A parcel has no file of this name; it has {', '.join(FILES)} and {MANIFEST}.")
        if name.chamber != chamber:
            raise Refusal(403, f"This token is of {chamber}, not of {name.chamber}.")
        return name

    async def health(self, request: Request) -> Response:
        return PlainTextResponse("well\n")

    async def list(self, request: Request) -> Response:
        chamber = self._chamber(request)
        found = await run_in_threadpool(self._receiving.parcels_of, chamber)
        rows = [
            {"run_id": each.run_id, "day_utc": each.day_utc, "sha256": each.sha256, "rows": each.rows_by_file}
            for each in found
        ]
        return JSONResponse({"chamber": chamber, "parcels": rows})

    async def file(self, request: Request) -> Response:
        name = self._name(request)
        async with self._busy[name.chamber]:
            if request.method == "HEAD":
                return await run_in_threadpool(self._held, name)
            content = await _body(request, BYTES_MAX if name.file == MANIFEST else PIECE_MAX_BYTES)
            if name.file == MANIFEST:
                if request.method != "PUT":
                    raise Refusal(405, f"{MANIFEST} comes whole, with PUT.")
                manifest, is_new = await run_in_threadpool(self._receiving.take_manifest, name, content)
                words = "here now" if is_new else "already here"
                headers = {"ETag": f'"{manifest.sha256}"'}
                return PlainTextResponse(f"{manifest.day_utc} is {words}.\n", 201 if is_new else 200, headers)
            offset = request.headers.get("upload-offset", "0") if request.method == "PATCH" else "0"
            if not (offset.isascii() and offset.isdigit() and len(offset) < 12):
                raise Refusal(400, "Upload-Offset is a whole number of bytes.")
            held = await run_in_threadpool(self._receiving.take_piece, name, int(offset), content)
            return Response(status_code=204, headers={"Upload-Offset": str(held)})

    def _held(self, name: Name) -> Response:
        if name.file == MANIFEST:
            digest = self._receiving.digest_of(name)
            return Response(status_code=404) if digest is None else Response(headers={"ETag": f'"{digest}"'})
        held_bytes = self._receiving.held_bytes(name)
        if held_bytes is None:
            return Response(status_code=404)
        return Response(headers={"Upload-Offset": str(held_bytes)})


async def _body(request: Request, max_bytes: int) -> bytes:
    """The whole body, never more than the bound, never packed, never slower than allowed."""
    if request.headers.get("content-encoding", "identity") != "identity":
        raise Refusal(415, "Bring the bytes as they are, without Content-Encoding.")
    announced = request.headers.get("content-length", "0")
    if announced.isascii() and announced.isdigit() and int(announced[:20]) > max_bytes:
        raise Refusal(413, f"At most {max_bytes} bytes at once; {announced} were announced.")
    content = bytearray()
    try:
        async with asyncio.timeout(PIECE_WITHIN_S):
            async for piece in request.stream():
                content += piece
                if len(content) > max_bytes:
                    raise Refusal(413, f"At most {max_bytes} bytes at once.")
    except TimeoutError as error:
        raise Refusal(408, f"The piece took longer than {PIECE_WITHIN_S:.0f} s.") from error
    except ClientDisconnect as error:
        raise Refusal(400, "The line broke.") from error
    return bytes(content)


async def _refused(request: Request, error: Exception) -> Response:
    status = error.status if isinstance(error, Refusal) else 503
    headers = {429: {"Retry-After": "5"}, 401: {"WWW-Authenticate": "Bearer"}}.get(status, {})
    return PlainTextResponse(f"{error}\n", status, headers)


def application(store: Store, waiting: Path, tokens: Tokens, clock: Callable[[], float] = time.monotonic) -> Starlette:
    """The ASGI application."""
    collector = Collector(Receiving(store, waiting), tokens, clock)
    return Starlette(
        routes=[
            Route("/health", collector.health),
            Route("/parcels", collector.list),
            Route("/parcels/{chamber}/{run}/{day}/{file}", collector.file, methods=["HEAD", "PUT", "PATCH"]),
        ],
        exception_handlers={ParcelError: _refused},
    )
