"""The board's program goes over a line to a MicroPython by the flashing script, and what arrived there runs.

The flashing tool is the real one (mpremote), the interpreter is the real one (its Unix port); the prompt at the far end
of the pseudo-terminal is a stand-in (``stand/prompt.py``). No microcontroller was flashed.
"""

import os
import signal
import subprocess
import sys
import time
import tty
from contextlib import contextmanager

import pytest

from firmware_bridge import limits, messages
from firmware_bridge.link import Link, Received
from tests.stand.interpreter import ROOT, STAND, micropython
from tests.stand.stand import lay_out
from tests.test_both_computers import ON_BOTH, ON_THE_BOARD_ONLY

pytest.importorskip("mpremote", reason="mpremote is not installed here")
DEADLINE_S = 20.0


@contextmanager
def on_a_line(folder, *program):
    """The port of a MicroPython in ``folder`` that executes this program, again and again when it ends well."""
    master, slave = os.openpty()
    tty.setraw(slave)
    again = 'mode=""; while "$0" "$@" $mode; do mode=raw; done'
    process = subprocess.Popen(
        ["sh", "-c", again, micropython(), *map(str, program)],
        cwd=folder, env={**os.environ, "MICROPYPATH": f"{folder}:{STAND}"}, stdin=master, stdout=master,
        start_new_session=True,
    )  # fmt: skip
    try:
        yield os.ttyname(slave)
    finally:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        os.close(master)
        os.close(slave)


def flash(port, *words, program=None):
    environment = {**os.environ, "PYTHON": sys.executable}
    if program is not None:
        environment["PYTHONPATH"] = str(program)
    script = str(ROOT / "hardware/install/flash.sh")
    return subprocess.run([script, port, *words], env=environment, capture_output=True, text=True, timeout=120)


@pytest.fixture
def board(tmp_path):
    lay_out(tmp_path)
    (tmp_path / "commission").unlink()
    (tmp_path / "fed").write_bytes(bytes(8))
    return tmp_path


def greeting_of(port):
    """What the board that runs on this port answers to a greeting."""
    link = Link(port, 115200)
    until_s = time.monotonic() + DEADLINE_S
    try:
        while time.monotonic() < until_s:
            for event in link.poll(time.monotonic()):
                if isinstance(event, Received) and event.message[0] == "board":
                    return event.message
            link.send("hello", limits.PROTOCOL, messages.LIMITS_CHECKSUM, 1, 1)
            time.sleep(0.1)
    finally:
        link.close()
    raise AssertionError("the board that was flashed does not greet")


def test_a_new_board_is_flashed_shows_its_limits_checksum_and_runs(board):
    with on_a_line(board, STAND / "prompt.py") as port:
        done = flash(port, "--commission")

    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count(f"{limits.PROTOCOL} {messages.LIMITS_CHECKSUM}\n") == 2
    for name in {*ON_BOTH, *ON_THE_BOARD_ONLY, "__init__"} - {"main"}:
        copied = board / "firmware_bridge" / f"{name}.py"
        assert copied.read_bytes() == (ROOT / "firmware_bridge" / f"{name}.py").read_bytes()
    assert (board / "main.py").read_bytes() == (ROOT / "firmware_bridge/main.py").read_bytes()
    with on_a_line(board, board / "main.py") as port:
        greeting = greeting_of(port)
    assert list(greeting[4:6]) == [limits.PROTOCOL, messages.LIMITS_CHECKSUM]
    assert not (board / "commission").exists()


def test_a_board_that_keeps_other_limits_is_told(board):
    # as after an update of which the host's half is missing: the old program was imported at power-on, with X1 on
    for name in ("__init__", "limits", "interlocks", "messages", "board", "wire"):
        (board / "firmware_bridge").mkdir(exist_ok=True)
        text = (ROOT / "firmware_bridge" / f"{name}.py").read_text()
        (board / "firmware_bridge" / f"{name}.py").write_text(
            text.replace("WET_BELOW_COUNTS = 1400", "WET_BELOW_COUNTS = 1300")
        )
    (board / "main.py").write_text((ROOT / "firmware_bridge/main.py").read_text())
    with on_a_line(board, STAND / "prompt.py") as port:
        shown = flash(port, "--compare")
        mended = flash(port)

    assert shown.returncode == 1, shown.stdout + shown.stderr
    assert "other limits" in shown.stderr
    assert mended.returncode == 0, mended.stdout + mended.stderr


def test_a_port_at_which_nobody_answers_is_told(tmp_path):
    done = flash(str(tmp_path / "nowhere"))

    assert done.returncode != 0
    assert "nowhere" in done.stdout + done.stderr
