"""The services, the scripts and the pages of hardware/: judged by systemd's own tools, and every command is typed."""

import os
import re
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from click import Context

from controller.commands.terminal import Exit
from controller.settings import example_path, read_settings
from firmware_bridge import limits, messages
from tests import journals
from tests.test_both_computers import ON_BOTH, ON_THE_BOARD_ONLY

ROOT = Path(__file__).parent.parent
HARDWARE = ROOT / "hardware"
INSTALL = HARDWARE / "install"
PAGE = (HARDWARE / "INSTALL.md").read_text()
SERVICES = {  # with their exposure, systemd 252
    "wardian-run.service": 1.3,
    "wardian-serve.service": 1.8,
    "wardian-alerts.service": 1.9,
}
UNITS = {
    **{INSTALL / name: (PAGE, exposure) for name, exposure in SERVICES.items()},
    HARDWARE / "wardian-collector.service": ((HARDWARE / "COLLECTOR.md").read_text(), 1.7),
}


def shell(command, tmp_path=None, folder=ROOT, **variables):
    beside = str(Path(sys.executable).parent)
    environment = {
        "PATH": f"{beside}:/usr/sbin:/usr/bin:/sbin:/bin", "PYTHON": sys.executable, "HOME": str(tmp_path), **variables
    }  # fmt: skip
    return subprocess.run(["bash", "-c", command], cwd=folder, env=environment, capture_output=True, text=True)


def analyse(*words):
    if shutil.which("systemd-analyze") is None:
        pytest.skip("systemd-analyze is not installed here")
    return subprocess.run(["systemd-analyze", *words], capture_output=True, text=True)


# -- the units


def test_every_unit_is_judged():
    assert set(HARDWARE.rglob("*.service")) == set(UNITS)


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.name)
def test_systemd_finds_no_fault_in_a_unit(unit, tmp_path):
    program = tmp_path / "wardian"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    text = re.sub(r"/opt/wardian[\w/-]*/bin/wardian", str(program), unit.read_text())
    (tmp_path / unit.name).write_text(re.sub(r"^Documentation=.*\n", "", text, flags=re.MULTILINE))

    done = analyse("verify", str(tmp_path / unit.name))

    assert done.returncode == 0, done.stderr
    assert unit.name not in done.stderr, "systemd warns of a key or value"


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.name)
def test_a_unit_is_as_shut_as_its_page_says(unit):
    page, exposure = UNITS[unit]

    done = analyse("security", "--offline=true", f"--threshold={round(exposure * 10)}", str(unit))

    assert done.returncode == 0, done.stdout[-300:]
    assert f"**{exposure}** for `{unit.stem}`" in page
    if "systemd 252 " in shell("systemctl --version").stdout:
        assert f"exposure level for {unit.name}: {exposure} " in done.stdout


def values(service, key):
    return re.findall(rf"^{key}=(.*)$", (INSTALL / service).read_text(), re.MULTILINE)


@pytest.mark.parametrize("service", SERVICES)
def test_a_service_may_still_ask_whether_the_clock_is_steered(service):
    # adjtimex(2) without modes sets nothing; systemd puts it among @clock, which @privileged takes away
    assert "adjtimex" in values(service, "SystemCallFilter")[-1]
    assert "clock_adjtime" in values(service, "SystemCallFilter")[-1]
    assert values(service, "ProtectClock") == []
    assert values(service, "CapabilityBoundingSet") == [""]


def test_the_watchdog_is_longer_than_the_loop_and_the_end_than_the_last_dose():
    from controller import run

    (watchdog_s,) = values("wardian-run.service", "WatchdogSec")
    (stop_s,) = values("wardian-run.service", "TimeoutStopSec")
    assert float(watchdog_s) >= 10 * run.TICK_MS / 1000
    assert float(stop_s) >= 3 * run.STOP_WAIT_MS / 1000


def test_only_faults_that_a_person_must_mend_end_the_run_for_good():
    assert values("wardian-run.service", "Restart") == ["on-failure"]
    (codes,) = values("wardian-run.service", "RestartPreventExitStatus")
    assert {int(code) for code in codes.split()} == {Exit.USAGE, Exit.SETTINGS}


@pytest.mark.parametrize(("service", "name"), [("run", "run"), ("serve", "serve"), ("alerts", "alert")])
def test_the_services_name_commands_and_options_that_exist(service, name):
    from controller.cli import main

    (command,) = values(f"wardian-{service}.service", "ExecStart")
    assert command.split()[1] == name
    known = {option for each in main.get_command(Context(main), name).params for option in each.opts}
    assert set(re.findall(r"--[a-z]+", command)) <= known


def test_messages_are_sent_where_there_is_a_file_of_them_and_a_faulty_one_ends_them_for_good():
    (command,) = values("wardian-alerts.service", "ExecStart")
    (path,) = values("wardian-alerts.service", "ConditionPathExists")
    assert f"--wishes {path}" in command
    (codes,) = values("wardian-alerts.service", "RestartPreventExitStatus")
    assert {int(code) for code in codes.split()} == {Exit.USAGE, Exit.SETTINGS}
    assert "wardian-alerts.service" in shell("hardware/install/install.sh --release 0.1.0 --dry-run").stdout


def test_the_page_writes_calibrations_and_nothing_else_in_etc():
    from controller.bench.records import folder_of

    (command,) = values("wardian-serve.service", "ExecStart")
    chamber_path = re.search(r"--chamber (\S+)", command)[1]
    assert values("wardian-serve.service", "ReadWritePaths") == [f"-{folder_of(chamber_path)}"]
    assert str(folder_of(chamber_path)) in shell("hardware/install/install.sh --release 0.1.0 --dry-run").stdout


def test_the_page_gets_the_controllers_devices_and_a_balance_only_by_a_file_that_somebody_copies():
    opened = re.findall(r"^DeviceAllow=(.*)$", (INSTALL / "wardian-serve-bench.conf").read_text(), re.MULTILINE)

    assert set(opened) == {*values("wardian-run.service", "DeviceAllow"), "char-ttyUSB rw"}
    assert values("wardian-serve.service", "DevicePolicy") == ["closed"]
    assert values("wardian-serve.service", "DeviceAllow") == []
    assert "wardian-serve-bench.conf" in PAGE
    assert "wardian-serve-bench" not in shell("hardware/install/install.sh --release 0.1.0 --dry-run").stdout


# -- the scripts


def test_a_dry_run_prints_every_step_and_leaves_nothing(tmp_path):
    done = shell("hardware/install/install.sh --release 0.1.0 --board-serial E6612483CB --dry-run")

    assert done.returncode == 0, done.stderr
    for piece in ("useradd --system", "python3 -m venv", "pip", "60-wardian.rules", "journald", "systemctl enable"):
        assert piece in done.stdout
    assert not Path("/opt/wardian/releases/0.1.0").exists()


@pytest.mark.parametrize(
    "words",
    ["", "--release", "--release ../etc --dry-run", "--release a --board-serial 'x\"y' --dry-run", "--frob"],
)
def test_what_the_install_script_does_not_understand_changes_nothing(words):
    done = shell(f"hardware/install/install.sh {words}")

    assert done.returncode == 2
    assert done.stderr


def test_the_udev_name_is_the_one_the_page_puts_into_the_chamber_file():
    assert 'SYMLINK+="wardian-board"' in (INSTALL / "60-wardian.rules").read_text()
    assert '"/dev/wardian-board"' in PAGE


def test_flashing_copies_the_whole_program_and_shows_the_limits_checksum():
    done = shell("hardware/install/flash.sh /dev/wardian-board --dry-run")

    assert done.returncode == 0, done.stderr
    assert f"on this computer: {limits.PROTOCOL} {messages.LIMITS_CHECKSUM}\n" in done.stdout
    copied = set(re.findall(r"/firmware_bridge/(\w+)\.py ", done.stdout))
    assert copied == {*ON_BOTH, *ON_THE_BOARD_ONLY, "__init__"}
    assert "firmware_bridge/main.py :main.py" in done.stdout
    assert "commission" not in done.stdout


def test_a_backup_of_a_run_that_is_being_written_is_whole(tmp_path):
    run = tmp_path / "run"
    run.mkdir()
    settings = read_settings(example_path("skerry-light.plan.toml"), example_path("skerry-light.chamber.toml"))
    journal = journals.Journal.create(run / "journal.sqlite", "r", settings, "0", True)  # open, its rows in the log
    done = shell(f"hardware/install/backup.sh {run} {tmp_path}/stick")

    assert done.returncode == 0, done.stderr
    (copy,) = (tmp_path / "stick").glob("journal-*.sqlite")
    assert sqlite3.connect(copy).execute("SELECT count(*) FROM run").fetchone() == (1,)
    journal.close()
    assert shell(f"hardware/install/backup.sh {tmp_path} {tmp_path}/stick").returncode == 5


def test_scripts_can_be_started():
    for path in INSTALL.glob("*.sh"):
        assert os.access(path, os.X_OK), path.name
        assert subprocess.run(["bash", "-n", str(path)]).returncode == 0
