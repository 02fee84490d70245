"""A clean Debian gets wardian by the install script; the services' own command lines start there; releases come and go.

WARDIAN_DEBIAN_ROOT names a root that is kept for the next time (made there when it is missing).
"""

import os
import re
import shutil
import socket
import subprocess
import tempfile
from pathlib import Path

import pytest

from tests.debian import Booted, DebianRoot, ServiceManager, wait_until

ROOT = Path(__file__).parent.parent
pytestmark = pytest.mark.campaign
INSTALL = "/usr/src/wardian/hardware/install/install.sh"


@pytest.fixture(scope="module")
def debian():
    if os.getuid() or not shutil.which("debootstrap"):
        pytest.skip("making a Debian root needs root and debootstrap")
    kept = os.environ.get("WARDIAN_DEBIAN_ROOT")
    with tempfile.TemporaryDirectory(prefix="wardian-debian-") as own:
        made = Path(kept) if kept else Path(own) / "root"
        if not (made / "etc/debian_version").exists():
            subprocess.run(["debootstrap", "--variant=minbase", "bookworm", str(made)], check=True)
        root = DebianRoot(made.resolve())
        root.carry_over()
        starts_nothing = (
            root.path / "usr/sbin/policy-rc.d"
        )  # a package that is installed starts no service (invoke-rc.d(8))
        starts_nothing.write_text("#!/bin/sh\nexit 101\n")
        starts_nothing.chmod(0o755)
        yield root


def source_tree(root, name, change=lambda tree: None):
    """The last commit, unpacked in /usr/src of the root and changed a little."""
    archive = subprocess.run(["git", "archive", "HEAD"], cwd=ROOT, capture_output=True, check=True).stdout
    tree = root.path / "usr/src" / name
    shutil.rmtree(tree, ignore_errors=True)
    tree.mkdir(parents=True)
    subprocess.run(["tar", "-x", "-C", str(tree)], input=archive, check=True)
    change(tree)


def replace(path, old, new):
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))


@pytest.fixture(scope="module")
def installed(debian):
    for left in ("opt/wardian", "etc/wardian", "var/lib/wardian", "var/backups/wardian"):  # of a kept root
        shutil.rmtree(debian.path / left, ignore_errors=True)
    source_tree(debian, "wardian")
    assert debian.run("apt-get update -q").returncode == 0
    done = debian.run(f"{INSTALL} --release trial --simulated")
    assert done.returncode == 0, done.stdout + done.stderr
    return debian


def test_the_run_starts_in_a_clean_debian_as_its_own_user_and_says_that_it_lives(installed):
    assert installed.exec_start("wardian-run.service").endswith("--simulated")
    with ServiceManager(installed) as manager:
        assert manager.told() == b"READY=1"
        assert manager.told().startswith(b"WATCHDOG=1")
        status = installed.run("runuser -u wardian -- wardian status /var/lib/wardian/run")
        assert "Skerry Light" in status.stdout, status.stderr
    assert (installed.path / "var/lib/wardian/run/journal.sqlite").stat().st_uid != 0
    copied = installed.run("/usr/src/wardian/hardware/install/backup.sh /var/lib/wardian/run /var/backups/wardian")
    assert copied.returncode == 0, copied.stderr


def free_port():
    with socket.create_server(("127.0.0.1", 0)) as held:
        return held.getsockname()[1]


def page_answers(port):
    try:
        with socket.create_connection(("127.0.0.1", port), timeout=5) as line:
            line.sendall(b"GET / HTTP/1.0\r\nHost: localhost\r\n\r\n")
            return line.recv(100).startswith((b"HTTP/1.1 200", b"HTTP/1.1 303", b"HTTP/1.1 307"))
    except OSError:
        return False


def test_the_page_starts_and_answers(installed):
    live_a_while(installed)  # so that there are records, whichever test ran before
    port = free_port()  # 8321 may be taken by another page on the computer of the caller
    with (installed.path / "etc/wardian/environment").open("a") as file:
        file.write(f'WARDIAN_SERVE_OPTIONS="--port {port}"\n')
    process = installed.as_service(installed.exec_start("wardian-serve.service"))
    try:
        wait_until(lambda: page_answers(port), "a page")
    finally:
        process.terminate()
        process.wait(30)


def test_the_services_are_switched_on_and_the_program_is_not_writable_for_them(installed):
    for service in ("wardian-run.service", "wardian-serve.service"):
        assert (installed.path / "etc/systemd/system/multi-user.target.wants" / service).is_symlink()
    for place in ("/opt/wardian/current/x", "/etc/wardian/x"):
        assert installed.run(f"touch {place}", "wardian:wardian").returncode != 0
        assert not (installed.path / place[1:]).exists()


def test_going_back_to_a_release_that_is_not_there_is_told(installed):
    done = installed.run(f"{INSTALL} --roll-back 9.9")

    assert done.returncode == 3
    assert "there are: trial" in done.stderr


def started_versions(root):
    return [version for (version,) in root.rows("SELECT software_version FROM boots ORDER BY row_id")]


def live_a_while(root):
    with ServiceManager(root) as manager:
        assert manager.told() == b"READY=1"
        for _ in range(3):
            assert manager.told().startswith(b"WATCHDOG=1")


def test_a_run_goes_on_over_an_update_and_back_again(installed):
    def is_next(tree):
        replace(tree / "controller/__init__.py", '"0.1.0"', '"0.1.1"')
        replace(tree / "pyproject.toml", 'version = "0.1.0"', 'version = "0.1.1"')

    source_tree(installed, "next", is_next)
    built = installed.run("/opt/wardian/current/bin/pip wheel -q --no-deps -w /usr/src/wheels /usr/src/next")
    assert built.returncode == 0, built.stderr
    live_a_while(installed)
    with ServiceManager(installed) as manager:  # it goes on while the next release is laid beside it
        assert manager.told() == b"READY=1"
        wheel = "/usr/src/wheels/wardian-0.1.1-py3-none-any.whl"
        done = installed.run(f"{INSTALL} --release 0.1.1 --source {wheel} --simulated")
        assert done.returncode == 0, done.stdout + done.stderr
        assert "kept" in done.stdout
        assert "0.1.1 trial" in done.stdout
    before = installed.rows("SELECT count(*), max(row_id) FROM readings")[0]

    live_a_while(installed)
    assert installed.run("wardian --version").stdout.split()[-1] == "0.1.1"
    done = installed.run(f"{INSTALL} --roll-back trial")
    assert done.returncode == 0, done.stdout + done.stderr
    live_a_while(installed)

    assert started_versions(installed)[-3:] == ["0.1.0", "0.1.1", "0.1.0"]
    assert len(installed.rows("SELECT run_id FROM run")) == 1
    after = installed.rows("SELECT count(*), max(row_id) FROM readings")[0]
    assert after[0] >= before[0] + 2
    assert after[1] >= before[1] + 2
    assert os.readlink(installed.path / "opt/wardian/current") == "/opt/wardian/releases/trial"


@pytest.mark.parametrize(
    ("fault", "file", "old", "new", "words"),
    [
        (
            "broken",
            "controller/rehearse.py",
            "import heapq",
            "raise ImportError('a piece is missing')",
            "a piece is missing",
        ),
        ("stranger", "controller/records/journal.py", "FORMAT = 2 ", "FORMAT = 3 ", "this program knows 3"),
    ],
)
def test_a_release_that_does_not_start_is_refused_and_the_old_one_stays(installed, fault, file, old, new, words):
    live_a_while(installed)  # so that there are records, whichever test ran before
    source_tree(installed, fault, lambda tree: replace(tree / file, old, new))

    done = installed.run(f"{INSTALL} --release {fault} --source /usr/src/{fault} --simulated")

    assert done.returncode == 4, done.stdout + done.stderr
    assert words in done.stderr
    assert "Nothing was switched" in done.stderr
    assert not (installed.path / "opt/wardian/releases" / fault).exists()
    live_a_while(installed)


def test_a_release_for_a_real_chamber_brings_its_libraries_and_the_flashing_tool_and_starts_nothing(installed):
    installed.run("systemctl disable wardian-run.service wardian-serve.service")
    try:
        done = installed.run(f"{INSTALL} --release real --board-serial E6612483CB")
        assert done.returncode == 0, done.stdout + done.stderr
        python = "LG_WD=/tmp /opt/wardian/current/bin/python"
        found = installed.run(f"{python} -c 'import lgpio, smbus2, gpiozero, mpremote'")
        assert found.returncode == 0, found.stderr
        flashing = installed.run("/usr/src/wardian/hardware/install/flash.sh /dev/wardian-board --dry-run")
        assert "limits on this computer: " in flashing.stdout, flashing.stderr
        rules = (installed.path / "etc/udev/rules.d/60-wardian.rules").read_text()
        assert 'ENV{ID_SERIAL_SHORT}=="E6612483CB"' in rules
        assert not (installed.path / "etc/systemd/system/multi-user.target.wants/wardian-run.service").exists()
    finally:
        installed.run(f"{INSTALL} --roll-back trial")
        installed.run("systemctl enable wardian-run.service wardian-serve.service")


# -- under the root's own systemd, in a container


@pytest.fixture
def computer(installed):
    if not shutil.which("systemd-nspawn"):
        pytest.skip("booting the root needs systemd-nspawn (package systemd-container)")
    return installed


def boots(root):
    return root.rows("SELECT count(*) FROM boots")[0][0]


def test_a_chamber_comes_back_by_itself_after_a_power_cut(computer):
    with Booted(computer) as booted:
        wait_until(booted.is_active, "an active run")
        wait_until(lambda: booted.is_active("wardian-serve"), "an active page")
        before = boots(computer)
        booted.cut_power()
    with Booted(computer) as booted:
        wait_until(booted.is_active, "an active run after the power cut")
        assert boots(computer) == before + 1
        assert len(computer.rows("SELECT run_id FROM run")) == 1
        assert "wardian" not in booted.run("systemctl --failed").stdout


def test_the_sandbox_of_the_services_holds(computer):
    with Booted(computer) as booted:
        for service in ("wardian-run", "wardian-serve"):
            wait_until(lambda name=service: booted.is_active(name), f"an active {service}")
            told = booted.run(f"cat /proc/{booted.main_pid(service)}/status").stdout
            assert re.search(r"^CapEff:\s+0+$", told, re.MULTILINE)
            assert re.search(r"^NoNewPrivs:\s+1$", told, re.MULTILINE)
            assert re.search(r"^Seccomp:\s+2$", told, re.MULTILINE)
            for place in ("/etc/wardian/x", "/opt/wardian/x", "/usr/x"):
                assert "Read-only" in booted.in_service(f"touch {place}", service).stderr
            assert booted.in_service("touch /var/lib/wardian/x && rm /var/lib/wardian/x", service).returncode == 0
            devices = booted.in_service("ls /dev", "wardian-serve").stdout.split()
            assert not [
                name for name in devices if name.startswith(("ttyA", "ttyS", "ttyU", "i2c", "gpio", "sd", "vd", "mem"))
            ]
        assert booted.in_service("cat /proc/net/dev").stdout.count(":") == 1, "the run sees the loopback alone"


def test_a_loop_that_hangs_is_killed_and_begun_again(computer):
    with Booted(computer) as booted:
        wait_until(booted.is_active, "an active run")
        before, hung = boots(computer), booted.main_pid()
        booted.run(f"kill -STOP {hung}")
        wait_until(lambda: boots(computer) > before, "a new life of the program", 90.0)
        assert booted.main_pid() != hung
        assert "Watchdog timeout" in booted.run("journalctl --unit wardian-run --boot").stdout


def test_an_update_restarts_a_run_and_a_service_that_does_not_come_up_brings_the_old_release_back(computer):
    hangs = computer.path / "opt/wardian/releases/hangs"
    shutil.rmtree(hangs, ignore_errors=True)
    shutil.copytree(computer.path / "opt/wardian/releases/trial/share", hangs / "share")
    (hangs / "bin").mkdir()
    start = '[ "$1" != run ] || exit 1\nexec /opt/wardian/releases/trial/bin/wardian "$@"\n'
    (hangs / "bin/wardian").write_text("#!/bin/sh\n" + start)
    (hangs / "bin/wardian").chmod(0o755)
    with Booted(computer) as booted:
        wait_until(booted.is_active, "an active run")
        went = booted.run(f"{INSTALL} --roll-back 0.1.1")
        assert went.returncode == 0, went.stdout + went.stderr
        assert booted.is_active()
        assert started_versions(computer)[-1] == "0.1.1"
        refused = booted.run(f"{INSTALL} --roll-back hangs")
        assert refused.returncode == 4, refused.stdout + refused.stderr
        assert "Back to 0.1.1" in refused.stderr
        wait_until(booted.is_active, "the run of the old release")
        assert booted.run("wardian --version").stdout.split()[-1] == "0.1.1"
        back = booted.run(f"{INSTALL} --roll-back trial")
        assert back.returncode == 0, back.stdout + back.stderr
        assert started_versions(computer)[-1] == "0.1.0"


def test_the_collectors_page_is_typed_line_by_line(computer):
    page = (ROOT / "hardware/COLLECTOR.md").read_text()
    typed = re.findall(r"^    \$ (.*)$", page.split("## A chamber joins")[0], re.MULTILINE)
    (token_line,) = re.findall(r"^    \$ (runuser .*)$", page, re.MULTILINE)
    shutil.rmtree(computer.path / "opt/wardian-collector", ignore_errors=True)
    computer.run("userdel --remove wardian-collector")
    for line in typed:
        done = computer.run(f"cd /usr/src/wardian && {line.replace('enable --now', 'enable')}")
        assert done.returncode == 0, line + done.stdout + done.stderr
    told = computer.run(token_line)
    assert re.search(r"northhaven\.[\w-]{40,}", told.stdout), told.stderr
    with Booted(computer) as booted:
        wait_until(lambda: booted.is_active("wardian-collector"), "an active collector")
        ask = "import urllib.request as u; print(u.urlopen('http://127.0.0.1:8465/health').status)"
        wait_until(lambda: booted.run(f'python3 -c "{ask}"').stdout == "200\n", "an answer of the collector")
