"""Sealing and sending beside a live run: a process of its own, which only reads the journal.

The control thread does no more than start it, so a slow line, a full stick or a crash there costs no dose and no
reading. It is started only where a place was named once with ``wardian send RUN --to PLACE``.
"""

import subprocess
import sys
from pathlib import Path

from controller.records.outbox import FILE


class Sender:
    """At most one ``wardian send`` at a time for the run in ``folder``."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> bool:
        """Begin a round; false when one is under way, no place was named, or no process can be had now."""
        if self._process is not None and self._process.poll() is None:
            return False
        if not (self._folder / FILE).exists():
            return False
        command = ["nice", "-n", "10", sys.executable, "-m", "controller", "send", str(self._folder)]
        try:
            with (self._folder / "sending.log").open("wb") as log:
                self._process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=log, stderr=log)
        except OSError:
            return False  # the next round will try again
        return True

    def stop(self) -> None:
        """End a round under way; whatever it had not delivered waits for the next one."""
        if self._process is not None and self._process.poll() is None:
            self._process.terminate()
