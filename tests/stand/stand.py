"""``python -m tests.stand.stand DIR [N]``: a board on a stand, until SIGTERM, N times as fast. Prints nothing.

In DIR: the files of ``machine.py``, the board's own ``saved``, ``port`` (a link to the slave of a pseudo-terminal,
made last), ``board.pid``. The board is started again whenever it dies or lets its watchdog starve, but not while a
file ``hold`` is there. A new DIR is dry, and its board commissioned.
"""

import contextlib
import ctypes
import os
import signal
import struct
import subprocess
import sys
import time
import tty
from pathlib import Path

from tests.stand.interpreter import ROOT, STAND, environment, tool

DRY = {"leak": 2000, "float": 2000, "reservoir": 1000, "moisture": 2600}
LOOK_S = 0.02  # how often the stand looks whether its board lives
RESTART_S = 0.1  # a board is away for about as long after a reset
_PR_SET_PDEATHSIG = 1


class End:
    """Whether the stand shall end. A mark and no exception: one out of a signal's handler can leave the lock of
    ``subprocess`` held, and then nothing ends any more."""

    is_told = False

    def tell(self, number: int, frame: object) -> None:
        self.is_told = True


def lay_out(folder: Path) -> None:
    """Make the files of a new stand; leave those of an old one as they are."""
    folder.mkdir(parents=True, exist_ok=True)
    if not (folder / "probes").exists():
        (folder / "probes").write_bytes(struct.pack("<4H", *DRY.values()))
        (folder / "pulses").write_bytes(bytes(8))
        (folder / "commission").touch()


def start_board(folder: Path, master: int, chamber_s_per_s: int) -> subprocess.Popen[bytes]:
    """The board's process: stdin and stdout are the line."""
    with contextlib.suppress(BlockingIOError):
        while os.read(master, 4096):  # what was sent to the board that died does not wait for the next one
            pass
    (folder / "fed").write_bytes(bytes(8))
    interpreter = tool("micropython")
    assert interpreter is not None, "micropython is missing: install the test extra"
    surroundings = {**environment(STAND / "clock", STAND), "CHAMBER_S_PER_S": str(chamber_s_per_s)}
    libc = ctypes.CDLL(None)
    own_program = folder / "program.py"  # laid here by a test that changes the pins
    program = own_program if own_program.exists() else ROOT / "firmware_bridge" / "main.py"
    board = subprocess.Popen(
        [interpreter, str(program)],
        cwd=folder,
        env=surroundings,
        stdin=master,
        stdout=master,
        preexec_fn=lambda: libc.prctl(_PR_SET_PDEATHSIG, signal.SIGKILL),
    )
    pid_file = folder / "board.pid.new"
    pid_file.write_text(str(board.pid))
    pid_file.rename(folder / "board.pid")
    return board


def watch(folder: Path, board: subprocess.Popen[bytes], end: End) -> None:
    """Return when the board has died or the stand shall end; kill the board when it lets its watchdog starve."""
    fed_before, fed_monotonic_s = -1, time.monotonic()
    while not end.is_told:
        with contextlib.suppress(subprocess.TimeoutExpired):
            board.wait(LOOK_S)
            return
        limit_ms, fed = struct.unpack("<II", (folder / "fed").read_bytes())
        if fed != fed_before:
            fed_before, fed_monotonic_s = fed, time.monotonic()
        elif limit_ms and (time.monotonic() - fed_monotonic_s) * 1000 > limit_ms:
            board.kill()


def run(folder: Path, end: End, chamber_s_per_s: int = 1) -> None:
    lay_out(folder)
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    link = folder / "port"
    link.unlink(missing_ok=True)
    board = start_board(folder, master, chamber_s_per_s)
    try:
        link.symlink_to(os.ttyname(slave))
        while True:
            watch(folder, board, end)
            time.sleep(RESTART_S)
            while (folder / "hold").exists() and not end.is_told:
                time.sleep(LOOK_S)
            if end.is_told:
                return
            board = start_board(folder, master, chamber_s_per_s)
    finally:
        board.kill()
        board.wait()
        link.unlink(missing_ok=True)
        (folder / "board.pid").unlink(missing_ok=True)


if __name__ == "__main__":
    end = End()
    signal.signal(signal.SIGTERM, end.tell)
    run(Path(sys.argv[1]).absolute(), end, int(sys.argv[2]) if len(sys.argv) > 2 else 1)
