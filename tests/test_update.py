"""Releases come and go under a run: the install script's switch, tried in a folder of its own without root.

A release here is a start-up file over the program under test, which may say another version or hold a fault; a release
made by pip is tried in ``test_install_in_debian.py``.
"""

import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from tests.test_install import INSTALL, ROOT

READY_WITHIN_S = 30.0
UNITS = ("wardian-run.service", "wardian-serve.service")
STARTS = "from controller.cli import main; main()"
SYSTEMCTL = """#!/bin/sh
# a service manager in which the run of release "hangs" never becomes ready
echo "$@" >> "$WARDIAN_PREFIX/asked"
case "$1 $(readlink "$WARDIAN_PREFIX/opt/wardian/current")" in try-restart*hangs) exit 1 ;; esac
"""


class Installed:
    """A folder laid out as the install script leaves a system."""

    def __init__(self, folder):
        self.folder = folder
        self.records = folder / "var/lib/wardian/run"
        self.current = folder / "opt/wardian/current"
        settings = folder / "etc/wardian"
        settings.mkdir(parents=True)
        for name in ("plan", "chamber"):
            shutil.copy(ROOT / f"config/skerry-light.{name}.toml", settings / f"{name}.toml")
        self.records.parent.mkdir(parents=True)
        self.release("old")
        self.current.symlink_to(folder / "opt/wardian/releases/old")

    def release(self, name, program=STARTS):
        made = self.folder / "opt/wardian/releases" / name
        (made / "share/wardian/units").mkdir(parents=True)
        for unit in UNITS:
            (made / "share/wardian/units" / unit).write_text(f"# of release {name}\n")
        (made / "bin").mkdir()
        command = made / "bin/wardian"
        command.write_text(f"#!{sys.executable}\n{program}\n")
        command.chmod(0o755)

    def roll_back(self, name, search_path=""):
        environment = {**os.environ, "WARDIAN_PREFIX": str(self.folder), "PYTHONPATH": str(ROOT)}
        environment["PATH"] = search_path + environment["PATH"]
        command = [str(INSTALL / "install.sh"), "--roll-back", name]
        return subprocess.run(command, env=environment, capture_output=True, text=True)

    def in_use(self):
        return Path(os.readlink(self.current)).name

    def live_a_moment(self):
        """The run is started by the release in use, becomes ready, and ends as a service manager ends it."""
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
            address = self.folder / "notify"
            address.unlink(missing_ok=True)
            manager.bind(str(address))
            manager.settimeout(READY_WITHIN_S)
            settings = self.folder / "etc/wardian"
            process = subprocess.Popen(
                [self.current / "bin/wardian", "run", settings / "plan.toml", "--chamber", settings / "chamber.toml",
                 "--out", self.records, "--simulated"],
                env={**os.environ, "NOTIFY_SOCKET": str(address), "PYTHONPATH": str(ROOT)}, stdout=subprocess.DEVNULL,
            )  # fmt: skip
            try:
                assert manager.recv(100) == b"READY=1"
            finally:
                process.send_signal(signal.SIGTERM)
                assert process.wait(READY_WITHIN_S) == 0

    def rows(self, sql):
        with closing(sqlite3.connect(self.records / "journal.sqlite")) as journal:
            return journal.execute(sql).fetchall()


@pytest.fixture
def system(tmp_path):
    return Installed(tmp_path)


def test_a_run_goes_on_over_an_update_and_back_again(system):
    system.release("new", f"import controller; controller.__version__ = '9.9'; {STARTS}")
    system.live_a_moment()
    readings = system.rows("SELECT count(*) FROM readings")
    assert system.roll_back("new").returncode == 0
    system.live_a_moment()
    done = system.roll_back("old")
    system.live_a_moment()

    assert done.returncode == 0, done.stderr
    assert "new old" in done.stdout, "the releases that are kept are told"
    versions = [version for (version,) in system.rows("SELECT software_version FROM boots ORDER BY row_id")]
    assert versions[1] == "9.9"
    assert versions[0] == versions[2] != "9.9"
    assert len(system.rows("SELECT run_id FROM run")) == 1
    assert system.rows("SELECT count(*) FROM readings") > readings


@pytest.mark.parametrize(
    ("program", "words"),
    [
        ("raise SystemExit('a library is missing')", "a library is missing"),
        (f"import controller.records.journal as j; j.OLDEST_FORMAT = j.FORMAT = 99; {STARTS}", "knows 99 to 99"),
    ],
)
def test_a_release_that_does_not_start_with_this_run_is_refused(system, program, words):
    system.release("broken", program)
    system.live_a_moment()
    before = (system.records / "journal.sqlite").read_bytes()

    done = system.roll_back("broken")

    assert done.returncode == 4
    assert "Release broken does not start with your files and records" in done.stderr
    assert words in done.stderr
    assert "release old stays in use" in done.stderr
    assert system.in_use() == "old"
    assert (system.records / "journal.sqlite").read_bytes() == before


def test_half_a_release_is_refused(system):
    system.release("half")
    (system.folder / "opt/wardian/releases/half/bin/wardian").unlink()

    done = system.roll_back("half")

    assert done.returncode == 4
    assert "bin/wardian is not there" in done.stderr
    assert system.in_use() == "old"


def test_a_release_that_is_not_there_is_told(system):
    done = system.roll_back("9.9")

    assert done.returncode == 3
    assert "there are: old" in done.stderr


@pytest.fixture
def managed(system):
    (system.folder / "run/systemd/system").mkdir(parents=True)
    command = system.folder / "commands/systemctl"
    command.parent.mkdir()
    command.write_text(SYSTEMCTL)
    command.chmod(0o755)
    return system


def test_a_service_that_does_not_come_up_brings_the_old_release_back(managed):
    managed.release("hangs")

    done = managed.roll_back("hangs", f"{managed.folder}/commands:")

    assert done.returncode == 4
    assert "Release hangs did not come up" in done.stderr
    assert "Back to old" in done.stderr
    assert managed.in_use() == "old"
    for unit in UNITS:
        assert (managed.folder / "etc/systemd/system" / unit).read_text() == "# of release old\n"
    asked = (managed.folder / "asked").read_text().splitlines()
    assert asked[-2:] == ["daemon-reload", "restart wardian-run.service wardian-serve.service wardian-alerts.service"]


def test_services_that_stand_are_not_started_by_an_update(managed):
    managed.release("new")

    done = managed.roll_back("new", f"{managed.folder}/commands:")

    assert done.returncode == 0, done.stderr
    assert managed.in_use() == "new"
    asked = (managed.folder / "asked").read_text().splitlines()
    assert not [each for each in asked if each.startswith(("start", "restart"))]


def test_a_prefix_installs_nothing(system):
    environment = {**os.environ, "WARDIAN_PREFIX": str(system.folder)}
    command = [str(INSTALL / "install.sh"), "--release", "x"]
    done = subprocess.run(command, env=environment, capture_output=True, text=True)

    assert done.returncode == 2
    assert "for --roll-back alone" in done.stderr
