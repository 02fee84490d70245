"""A clean Debian gets wardian by the install script, and the services' own command lines start there."""

import os
import re
import shutil
import signal
import socket
import subprocess
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
STARTS_WITHIN_S = 60.0
pytestmark = pytest.mark.campaign


def exec_start(root, service):
    """The command line of an installed unit, its variables put in from the environment file."""
    unit = (root / "etc/systemd/system" / service).read_text()
    command = re.search(r"^ExecStart=(.*)$", unit, re.MULTILINE).group(1)
    known = dict(line.split("=", 1) for line in (root / "etc/wardian/environment").read_text().splitlines())
    return re.sub(r"\$(\w+)", lambda found: known.get(found.group(1), ""), command)


@pytest.fixture(scope="module")
def root(tmp_path_factory):
    if os.getuid() or not shutil.which("debootstrap"):
        pytest.skip("making a Debian root needs root and debootstrap")
    given = os.environ.get("WARDIAN_DEBIAN_ROOT")
    made = Path(given) if given else tmp_path_factory.mktemp("debian") / "root"
    if not (made / "etc/debian_version").exists():
        subprocess.run(["debootstrap", "--variant=minbase", "bookworm", str(made)], check=True)
    for name in ("resolv.conf", "hosts", "pip.conf", "apt/apt.conf.d", "ssl/certs/ca-certificates.crt"):
        ours, theirs = Path("/etc") / name, made / "etc" / name
        for path in [ours] if ours.is_file() else ours.glob("*"):
            target = theirs if path == ours else theirs / path.name
            target.parent.mkdir(parents=True, exist_ok=True)
            target.unlink(missing_ok=True)
            shutil.copy(path, target)
    for kind in ("proc", "dev"):
        subprocess.run(["mount", "--rbind", f"/{kind}", str(made / kind)], check=True)
        subprocess.run(["mount", "--make-rslave", str(made / kind)], check=True)
    yield made
    for kind in ("proc", "dev"):
        subprocess.run(["umount", "-R", "-l", str(made / kind)], check=False)


def inside(root, command, **options):
    return subprocess.run(["chroot", str(root), "/bin/sh", "-c", command], text=True, capture_output=True, **options)


def as_wardian(root, command, **variables):
    return subprocess.Popen(
        ["chroot", "--userspec=wardian:wardian", str(root), "/bin/sh", "-c", f"cd /var/lib/wardian && exec {command}"],
        env={"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "PYTHONUNBUFFERED": "1", **variables},
    )


@pytest.fixture(scope="module")
def installed(root):
    archive = subprocess.run(["git", "archive", "HEAD"], cwd=ROOT, capture_output=True, check=True).stdout
    for left in (
        "usr/src/wardian",
        "opt/wardian",
        "etc/wardian",
        "var/lib/wardian",
    ):  # by an earlier test in a kept root
        shutil.rmtree(root / left, ignore_errors=True)
    (root / "usr/src/wardian").mkdir()
    subprocess.run(["tar", "-x", "-C", str(root / "usr/src/wardian")], input=archive, check=True)
    assert inside(root, "apt-get update -q").returncode == 0
    done = inside(root, "/usr/src/wardian/hardware/install/install.sh --release trial --simulated")
    assert done.returncode == 0, done.stdout + done.stderr
    return root


def test_the_run_starts_in_a_clean_debian_as_its_own_user_and_says_that_it_lives(installed):
    socket_path = installed / "run/wardian-notify"
    socket_path.unlink(missing_ok=True)
    manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    manager.bind(str(socket_path))
    socket_path.chmod(0o777)
    manager.settimeout(STARTS_WITHIN_S)
    command = exec_start(installed, "wardian-run.service")
    assert command.endswith("--simulated")
    process = as_wardian(installed, command, NOTIFY_SOCKET="/run/wardian-notify")
    try:
        assert manager.recv(1000) == b"READY=1"
        assert manager.recv(1000).startswith(b"WATCHDOG=1")
        status = inside(installed, "/opt/wardian/current/bin/wardian status /var/lib/wardian/run")
        assert "Skerry Light" in status.stdout, status.stderr
    finally:
        process.send_signal(signal.SIGTERM)
        assert process.wait(30) == 0
        manager.close()
    journal = installed / "var/lib/wardian/run/journal.sqlite"
    assert journal.stat().st_uid != 0
    copied = inside(installed, "/usr/src/wardian/hardware/install/backup.sh /var/lib/wardian/run /var/backups/wardian")
    assert copied.returncode == 0, copied.stderr


def test_the_page_starts_and_answers(installed):
    known = inside(installed, "/opt/wardian/current/bin/wardian --help").stdout
    if not re.search(r"^  serve\b", known, re.MULTILINE):
        pytest.skip("this release has no page yet")
    command = exec_start(installed, "wardian-serve.service")
    process = as_wardian(installed, command)
    try:
        until_s = time.monotonic() + STARTS_WITHIN_S
        answer = b""
        while not answer and time.monotonic() < until_s:
            try:
                with socket.create_connection(("127.0.0.1", 8321), timeout=2) as line:
                    line.sendall(b"GET / HTTP/1.0\r\nHost: localhost\r\n\r\n")
                    answer = line.recv(100)
            except OSError:
                time.sleep(0.5)
        assert answer.startswith((b"HTTP/1.1 200", b"HTTP/1.0 200", b"HTTP/1.1 303", b"HTTP/1.1 302"))
    finally:
        process.terminate()
        process.wait(30)


def test_the_services_are_switched_on_and_the_program_is_not_writable_for_them(installed):
    for service in ("wardian-run.service", "wardian-serve.service"):
        assert (installed / "etc/systemd/system/multi-user.target.wants" / service).is_symlink()
    probe = inside(installed, "runuser -u wardian -- sh -c 'touch /opt/wardian/current/x /etc/wardian/x'")
    assert probe.returncode != 0
    assert not (installed / "opt/wardian/releases/trial/x").exists()


def test_going_back_to_a_release_that_is_not_there_is_told(installed):
    done = inside(installed, "/usr/src/wardian/hardware/install/install.sh --roll-back 9.9")

    assert done.returncode == 3
    assert "there are: trial" in done.stderr
