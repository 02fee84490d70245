"""What a test does with a stand: start it, turn its probes, read its pulses, kill its board."""

import os
import signal
import struct
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType

from tests.stand.interpreter import ROOT, micropython
from tests.stand.stand import DRY

DEADLINE_S = 30.0  # long, since a computer may be busy: nothing waits for it where all is well


def wait_until(condition: Callable[[], bool], what: str, deadline_s: float = DEADLINE_S) -> None:
    """Look until it holds; fail with ``what`` when it has not by then."""
    give_up_monotonic_s = time.monotonic() + deadline_s
    while not condition():
        assert time.monotonic() < give_up_monotonic_s, f"in {deadline_s} s: never {what}"
        time.sleep(0.002)


class RunningStand:
    """The stand in ``folder`` as a process of its own."""

    def __init__(self, folder: Path, chamber_s_per_s: int = 1) -> None:
        self.folder = folder
        self.chamber_s_per_s = chamber_s_per_s
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> "RunningStand":
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def start(self) -> None:
        micropython()
        command = [sys.executable, "-m", "tests.stand.stand", str(self.folder), str(self.chamber_s_per_s)]
        self._process = subprocess.Popen(command, cwd=ROOT)
        wait_until(lambda: self.port.exists() and self.is_fed(), "a board that feeds its watchdog")

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(DEADLINE_S)
            self._process = None

    @property
    def port(self) -> Path:
        return self.folder / "port"

    def is_fed(self) -> bool:
        """Whether the board that was started last feeds its watchdog."""
        data = (self.folder / "fed").read_bytes()
        return len(data) == 8 and struct.unpack("<II", data)[1] > 0

    def set_probes(self, **counts: int) -> None:
        """Counts of leak, float, reservoir and moisture; those not named are dry."""
        with open(self.folder / "probes", "r+b") as file:
            file.write(struct.pack("<4H", *{**DRY, **counts}.values()))

    def pulses(self) -> int:
        """STEP pulses that reached the enabled driver, ever."""
        return int(struct.unpack("<Q", (self.folder / "pulses").read_bytes())[0])

    def board_pid(self) -> int:
        return int((self.folder / "board.pid").read_text())

    def kill_board(self, meanwhile: Callable[[], object] = lambda: None) -> None:
        """Kill the board as a power cut does, do something ``meanwhile``, and wait for the next one."""
        pid = self.board_pid()
        hold = self.folder / "hold"
        hold.touch()  # no next board before what happens meanwhile has happened
        os.kill(pid, signal.SIGKILL)
        meanwhile()
        hold.unlink()
        wait_until(lambda: self.board_pid() != pid and self.is_fed(), "a board after the killed one")

    def pause_board(self) -> None:
        """Make the board hang."""
        os.kill(self.board_pid(), signal.SIGSTOP)
