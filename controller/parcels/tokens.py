"""Who may bring parcels of which chamber: tokens, of which only the digests are kept.

A token is 32 bytes of the system's chance, so it cannot be guessed, and a plain SHA-256 is enough to keep it by; a
slow password hash is for words that people choose. The file is read anew whenever it changes: revoking needs no
restart.
"""

import hashlib
import json
import os
import secrets
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from controller.errors import SettingsError
from controller.parcels.manifest import is_chamber

_ADAPTER = TypeAdapter(dict[str, list[str]])  # chamber -> digests of its tokens


class Tokens:
    """The file of tokens of a collector: JSON, chamber -> digests."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._stamp: tuple[int, int] | None = None
        self._chambers: dict[str, str] = {}

    def chamber_of(self, token: str) -> str | None:
        """The chamber that a token stands for; None for a token that is unknown or was revoked."""
        self._look()
        return self._chambers.get(_digest(token))

    def issue(self, chamber: str) -> str:
        """A new token for a chamber, beside those it has. It is told once and kept nowhere."""
        if not is_chamber(chamber):
            raise SettingsError((f"--new-token {chamber}: a chamber is small letters, digits and hyphens.",))
        token = f"{chamber}.{secrets.token_urlsafe(32)}"
        held = self._read()
        held.setdefault(chamber, []).append(_digest(token))
        self._write(held)
        return token

    def revoke(self, chamber: str) -> int:
        """Take back all tokens of a chamber; answers how many there were."""
        held = self._read()
        gone = held.pop(chamber, [])
        self._write(held)
        return len(gone)

    def _look(self) -> None:
        try:
            found = self._path.stat()
        except FileNotFoundError:
            self._stamp, self._chambers = None, {}
            return
        stamp = (found.st_mtime_ns, found.st_ino)
        if stamp != self._stamp:
            self._chambers = {digest: chamber for chamber, digests in self._read().items() for digest in digests}
            self._stamp = stamp

    def _read(self) -> dict[str, list[str]]:
        try:
            return _ADAPTER.validate_json(self._path.read_bytes())
        except FileNotFoundError:
            return {}
        except (OSError, ValidationError) as error:
            said = error.errors()[0]["msg"] if isinstance(error, ValidationError) else str(error)
            raise SettingsError((f"{self._path}: this is not a file of tokens: {said}.",)) from error

    def _write(self, held: dict[str, list[str]]) -> None:
        begun = self._path.with_name(f".{self._path.name}.{os.getpid()}")
        try:
            begun.touch(mode=0o600)
            begun.write_text(json.dumps(held, indent=2, sort_keys=True) + "\n", encoding="utf-8")
            begun.rename(self._path)
        except OSError as error:
            raise SettingsError((f"{self._path}: cannot be written: {error.strerror}.",)) from error


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()
