"""A session at the bench as a process of its own: begun from the page, watched by its files, ended from the page.

The process is the terminal's ``calibrate portions``. It outlives the page, ends by itself when nobody asks for
anything, and the lock on the chamber's sessions keeps it the only one. Everything it does stands in the session's own
records, so a page that was started anew finds it again. No water is given from here: the session's law gets requests.
"""

import contextlib
import fcntl
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from controller.bench.session_file import END_ASKED, ENDED, OPENED, READY, add_row, rows_of
from controller.control import model as m
from controller.errors import WardianError
from controller.records.journal import Journal

SESSION_NAME = re.compile(r"session-\d{8}T\d{6,18}Z")
SAID = "page-session.txt"  # what the process that was begun last said on its way out
NO_SESSION, STARTING, OPEN, ENDING, REFUSED, OVER = "none", "starting", "ready", "ending", "refused", "ended"
IN_TERMINAL = "terminal"  # somebody weighs there
UNDER_WAY = (STARTING, OPEN, ENDING, IN_TERMINAL)
BEGINS_WITHIN_S, ENDS_WITHIN_S, LOOK_EVERY_S = 8.0, 8.0, 0.1
SAID_MAX = 2_000

Ask = Callable[[Journal, dict[str, Any]], m.RequestAnswered | None]


@dataclass(frozen=True)
class Standing:
    """How the bench stands: ``state`` is one of the words above; how an ended session ended, and its own reason."""

    state: str
    name: str = ""
    words: str = ""
    how: str = ""


class SessionProcess:
    """The session of one chamber file; there is one at a time."""

    def __init__(
        self, chamber_path: Path, folder: Path, runs: Path,
        clock: Callable[[], float] = time.monotonic, pause: Callable[[float], None] = time.sleep,
    ) -> None:  # fmt: skip
        self._chamber_path = chamber_path
        self._folder = folder
        self._runs = runs
        self._clock = clock
        self._pause = pause
        self._lock = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None

    def names(self) -> list[str]:
        """The names of all sessions, the newest first."""
        return sorted((path.name for path in self._folder.glob("session-*Z") if _is_session(path)), reverse=True)

    def standing(self) -> Standing:
        """How it stands now, by the process and by what the newest session wrote."""
        process = self._process
        is_alive = process is not None and process.poll() is None
        newest = next(iter(self.names()), "")
        life = self._life_of(newest)
        is_of_process = process is not None and life.get(OPENED, {}).get("pid") == process.pid
        if is_alive and not is_of_process:
            return Standing(STARTING)
        if is_alive or self._is_held():
            if OPENED not in life:
                return Standing(IN_TERMINAL)
            if ENDED in life:
                return Standing(ENDING, newest)
            return Standing(OPEN if READY in life else STARTING, newest)
        if process is not None and not is_of_process:
            return Standing(REFUSED, words=self._said())
        if OPENED not in life:
            return Standing(NO_SESSION)
        words, how = (str(life.get(ENDED, {}).get(key, "")) for key in ("words", "how"))
        if process is not None and process.returncode and READY not in life:
            return Standing(REFUSED, newest, words or self._said())
        return Standing(OVER, newest, words, how)

    def is_open(self, name: str) -> bool:
        """Whether this session takes requests."""
        standing = self.standing()
        return standing.state == OPEN and standing.name == name

    def begin(self, by: str, *, simulated: bool) -> Standing:
        """Begin one and wait a moment for it; where one is under way already nothing is begun."""
        with self._lock:
            if (now := self.standing()).state in UNDER_WAY:
                return now
            self._folder.mkdir(parents=True, exist_ok=True)
            command = [
                sys.executable, "-m", "controller", "calibrate", "portions", f"--chamber={self._chamber_path}",
                f"--by={by}", f"--runs={self._runs}", *(["--simulated"] if simulated else []),
            ]  # fmt: skip
            with (self._folder / SAID).open("wb") as said:
                self._process = subprocess.Popen(
                    command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=said, start_new_session=True
                )
            return self._settled(lambda standing: standing.state not in (STARTING, ENDING), BEGINS_WITHIN_S)

    def ask(self, name: str, ask_with: Ask, **wish: Any) -> m.RequestAnswered | None:
        """Put a request into the journal of an open session; its law answers."""
        journal = Journal.open(self._folder / name / "journal.sqlite")
        try:
            return ask_with(journal, wish)
        finally:
            journal.close()

    def end(self, name: str, by: str, at_utc_ms: int, ask_with: Ask) -> Standing:
        """End a session that was begun from a page; who wished it is written down first.

        It is asked like everybody; only one that does not answer is told by a signal, on which it stops its pump.
        """
        with self._lock:
            standing = self.standing()
            if standing.name != name or standing.state not in (STARTING, OPEN):
                return standing
            add_row(self._folder / name, at_utc_ms, by, END_ASKED)
            answer = None
            if standing.state == OPEN:
                answer = self.ask(name, ask_with, request=m.END_RUN, asked_by=by)
            if answer is None or not answer.granted:
                self._tell_to_end(name)
            return self._settled(lambda standing: standing.state not in UNDER_WAY, ENDS_WITHIN_S)

    def _tell_to_end(self, name: str) -> None:
        pid = self._life_of(name).get(OPENED, {}).get("pid")
        if not isinstance(pid, int) or pid <= 1:
            return
        with contextlib.suppress(OSError):  # it is gone by itself
            if b"portions" in Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0"):
                os.kill(pid, signal.SIGTERM)

    def _settled(self, is_settled: Callable[[Standing], bool], within_s: float) -> Standing:
        until_s = self._clock() + within_s
        while not is_settled(standing := self.standing()) and self._clock() < until_s:
            self._pause(LOOK_EVERY_S)
        return standing

    def _life_of(self, name: str) -> dict[str, dict[str, Any]]:
        """What opened, readied and ended a session; nothing where it cannot be read, as while it is being written."""
        if not name:
            return {}
        try:
            return {row["what"]: row for row in rows_of(self._folder / name, OPENED, READY, ENDED)}
        except WardianError:
            return {}

    def _is_held(self) -> bool:
        """Whether any session holds the chamber's sessions, begun here or in a terminal."""
        try:
            held = os.open(self._folder / "lock", os.O_RDWR)
        except OSError:
            return False
        try:
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return True
        finally:
            os.close(held)
        return False

    def _said(self) -> str:
        try:
            text = (self._folder / SAID).read_text(encoding="utf-8", errors="replace")
        except OSError:
            return ""
        return " ".join(text[-SAID_MAX:].split())


def _is_session(path: Path) -> bool:
    return SESSION_NAME.fullmatch(path.name) is not None and (path / "journal.sqlite").is_file()
