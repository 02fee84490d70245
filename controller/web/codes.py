"""Codes of the roles: kept as Argon2id digests in a file of their own, checked one at a time, slowed when wrong.

Argon2id is the function of RFC 9106; the library's defaults are that document's second recommended choice.
"""

import json
import threading
import time
from collections.abc import Callable
from functools import cached_property
from pathlib import Path
from typing import TypeVar

import argon2

from controller.errors import SettingsError
from controller.whole_file import write_whole

PUPIL, OPERATOR, TECHNICIAN = "pupil", "operator", "technician"
ROLES = (PUPIL, OPERATOR, TECHNICIAN)  # each may do what those before it may
CODE_CHARACTERS_MIN, CODE_CHARACTERS_MAX = 8, 200
FREE_TRIES = 5  # of one address at one role's code; then it waits, twice as long with each further wrong code
FIRST_WAIT_S, LONGEST_WAIT_S = 30.0, 900.0
# Wrong codes of all addresses together within FORGET_S; then whoever gave no right code yet waits.
WRONG_BY_ALL_MAX = 100
FORGET_S = 3_600.0
ADDRESSES_KEPT = 1_000

Key = TypeVar("Key")
Value = TypeVar("Value")


def may(role: str | None, needed: str) -> bool:
    """Whether a role may do what ``needed`` may."""
    return role in ROLES and ROLES.index(role) >= ROLES.index(needed)


def judge_role(role: str) -> None:
    """SettingsError when there is no such role."""
    if role not in ROLES:
        raise SettingsError((f"{role} is not a role; there are {', '.join(ROLES)}.",))


class Codes:
    """The file of digests. Read at every check, so that a new code counts at once."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._hasher = argon2.PasswordHasher()

    @cached_property
    def _nobody(self) -> str:
        """A digest that stands in for a missing one: a role without a code takes as long to refuse."""
        return self._hasher.hash("nobody's code")

    def set(self, role: str, code: str) -> None:
        """Keep a new code for a role; SettingsError when it is too short or the role unknown."""
        judge_role(role)
        if not CODE_CHARACTERS_MIN <= len(code) <= CODE_CHARACTERS_MAX:
            bounds = f"from {CODE_CHARACTERS_MIN} to {CODE_CHARACTERS_MAX}"
            raise SettingsError((f"The code for {role} has {len(code)} characters; it must have {bounds}.",))
        kept = self._read() | {role: self._hasher.hash(code)}
        write_whole(self.path, json.dumps(kept, indent=1).encode(), lasting=True, private=True)

    def roles_set(self) -> list[str]:
        """Roles that have a code."""
        kept = self._read()
        return [role for role in ROLES if role in kept]

    def fits(self, role: str, code: str) -> bool:
        """Whether this is the role's code."""
        kept = self._read().get(role)
        try:
            matches = self._hasher.verify(kept or self._nobody, code[: CODE_CHARACTERS_MAX + 1])
        except (argon2.exceptions.VerificationError, argon2.exceptions.InvalidHashError):
            return False
        return matches and kept is not None

    def _read(self) -> dict[str, str]:
        if not self.path.exists():
            return {}
        try:
            found = json.loads(self.path.read_text(encoding="utf-8"))
        except (OSError, ValueError, RecursionError) as error:
            raise SettingsError((f"{self.path}: the file of codes cannot be read ({error}).",)) from error
        if not isinstance(found, dict):
            raise SettingsError((f"{self.path}: the file of codes holds no table of roles.",))
        return {str(role): str(digest) for role, digest in found.items()}


class Gatekeeper:
    """Checks codes, one at a time, and makes an address wait after wrong ones.

    Each role is counted apart, so that whoever knows one role's code wins no more tries at another's. Where a role's
    code was right before, wrong codes of other addresses lock nobody out: a class cannot keep its teacher from a trip.
    """

    def __init__(self, codes: Codes, clock: Callable[[], float] = time.monotonic) -> None:
        self.codes = codes
        self._clock = clock
        self._lock = threading.Lock()
        self._wrong: dict[tuple[str, str], tuple[int, float]] = {}  # address and role -> (how many, when last)
        self._right: dict[tuple[str, str], None] = {}  # address and role from which a right code came, the newest last
        self._wrong_by_all_s: list[float] = []

    def wait_s(self, address: str, role: str) -> float:
        """How long this address still has to wait before another try at this role's code; 0 when it need not."""
        now_s = self._clock()
        wrong, last_s = self._wrong.get((address, role), (0, 0.0))
        wait_s = 0.0
        if wrong >= FREE_TRIES:
            wait_s = last_s + min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(wrong - FREE_TRIES, 20)) - now_s
        self._wrong_by_all_s = [at_s for at_s in self._wrong_by_all_s if now_s - at_s < FORGET_S]
        if len(self._wrong_by_all_s) >= WRONG_BY_ALL_MAX and (address, role) not in self._right:
            wait_s = max(wait_s, self._wrong_by_all_s[0] + FORGET_S - now_s)
        return max(0.0, wait_s)

    def admits(self, address: str, role: str, code: str) -> bool:
        """Whether the code is right; a try during a wait is refused unseen and counts for nothing."""
        tried = (address, role)
        with self._lock:
            if self.wait_s(address, role) > 0.0:
                return False
            wrong, last_s = self._wrong.pop(tried, (0, 0.0))
            if self.codes.fits(role, code):
                _remember(self._right, tried, None)
                return True
            now_s = self._clock()
            _remember(self._wrong, tried, (1 if now_s - last_s > FORGET_S else wrong + 1, now_s))
            self._wrong_by_all_s.append(now_s)
            return False


def _remember(kept: dict[Key, Value], key: Key, value: Value) -> None:
    """Keep it as the newest of so many."""
    kept.pop(key, None)
    kept[key] = value
    while len(kept) > ADDRESSES_KEPT:
        del kept[next(iter(kept))]
