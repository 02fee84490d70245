"""What every request passes on its way in and out: names, sizes, where a form came from, and headers."""

import ipaddress
import socket
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import cookie_parser
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from controller.web.texts import LANGUAGE_COOKIE, Texts, language_of

FORM_BYTES_MAX = 64 * 1024
PICTURE_FORM_BYTES_MAX = 12 * 1024 * 1024

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}


class TooLarge(Exception):
    """The body went on past its bound."""


class Doors:
    """Refuses what cannot have come from this page, before any of it is looked at.

    A name that is no address and not this computer's own is refused, so that a foreign site cannot reach the page
    through a name that it lets point here.
    """

    def __init__(self, app: ASGIApp, host_names: tuple[str, ...] = ()) -> None:
        self._app = app
        own = socket.gethostname().lower()
        self._names = {"localhost", own, f"{own}.local", *(name.lower() for name in host_names)}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                out = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    out.setdefault(name, value)
                if scope["path"].startswith("/static/"):
                    out["cache-control"] = "max-age=3600"
                else:
                    out.setdefault("cache-control", "no-store")
                if scope["scheme"] == "https":
                    out.setdefault("strict-transport-security", "max-age=31536000")
            await send(message)

        refusal = self._refusal(scope, headers)
        if refusal is not None:
            await refusal(scope, receive, send_with_headers)
            return
        bound = PICTURE_FORM_BYTES_MAX if scope["path"].startswith("/logbook") else FORM_BYTES_MAX
        taken = 0

        async def receive_bounded() -> Message:
            nonlocal taken
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > bound:
                raise TooLarge
            return message

        try:
            await self._app(scope, receive_bounded, send_with_headers)
        except TooLarge:
            await _too_large(headers, bound)(scope, receive, send_with_headers)

    def _refusal(self, scope: Scope, headers: Headers) -> PlainTextResponse | None:
        if not self._is_here(headers.get("host", "")):
            return _plain(headers, 421, "door.name")
        if scope["method"] in ("GET", "HEAD", "OPTIONS"):
            return None
        if not is_own_origin(headers):
            return _plain(headers, 403, "door.form")
        bound = PICTURE_FORM_BYTES_MAX if scope["path"].startswith("/logbook") else FORM_BYTES_MAX
        length = headers.get("content-length", "0")
        if not (length.isascii() and length.isdigit() and len(length) < 12) or int(length) > bound:
            return _too_large(headers, bound)
        return None

    def _is_here(self, host: str) -> bool:
        try:
            name = urlsplit(f"//{host}").hostname or ""
        except ValueError:
            return False
        try:
            ipaddress.ip_address(name)
        except ValueError:
            return name in self._names
        return True


def is_own_origin(headers: Headers) -> bool:
    """Whether a form came from a page of this server, as far as the browser tells (Fetch standard, Origin)."""
    if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
        return False
    origin = headers.get("origin")
    try:
        return origin is not None and urlsplit(origin).netloc.lower() == headers.get("host", "").lower()
    except ValueError:
        return False


def _too_large(headers: Headers, bound: int) -> PlainTextResponse:
    return _plain(headers, 413, "door.large", n=bound // 1024)


def _plain(headers: Headers, status: int, key: str, **values: int) -> PlainTextResponse:
    """An answer before any page: one line in the language that the browser chose or prefers."""
    chosen = cookie_parser(headers.get("cookie", "")).get(LANGUAGE_COOKIE)
    texts = Texts(language_of(chosen, headers.get("accept-language", "")))
    return PlainTextResponse(texts(key, **values) + "\n", status, {"content-language": texts.language})
