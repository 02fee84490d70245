"""Who is signed in: sessions in this process's memory, found by a random name in a cookie."""

import hmac
import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass

COOKIE = "wardian_session"
IDLE_S = 1_800.0
LONGEST_S = 8 * 3_600.0
SESSIONS_KEPT = 500


@dataclass(slots=True)
class Session:
    """One signed-in person; ``form_mark`` must come back with every form."""

    role: str
    initials: str
    form_mark: str
    began_s: float
    used_s: float


class Sessions:
    """Ends a session after half an hour without use, and after eight hours in any case."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._kept: dict[str, Session] = {}

    def begin(self, role: str, initials: str) -> str:
        """A new session; answers the name for the cookie."""
        now_s = self._clock()
        name = secrets.token_urlsafe(32)
        self._kept[name] = Session(role, initials, secrets.token_urlsafe(32), now_s, now_s)
        while len(self._kept) > SESSIONS_KEPT:
            del self._kept[next(iter(self._kept))]
        return name

    def find(self, name: str | None) -> Session | None:
        """The session of a cookie, if it still holds."""
        session = self._kept.get(name or "")
        if session is None or name is None:
            return None
        now_s = self._clock()
        if now_s - session.used_s > IDLE_S or now_s - session.began_s > LONGEST_S:
            del self._kept[name]
            return None
        session.used_s = now_s
        return session

    def end(self, name: str | None) -> None:
        self._kept.pop(name or "", None)

    def end_all(self) -> None:
        """Everybody signs in anew."""
        self._kept.clear()


def is_own_form(session: Session, form_mark: str) -> bool:
    """Whether a form was made for this session by this page."""
    return hmac.compare_digest(session.form_mark.encode(), form_mark.encode("utf-8", "replace"))
