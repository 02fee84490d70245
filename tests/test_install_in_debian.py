"""A clean Debian gets wardian by the install script; the services' own command lines start there; releases come and go.

WARDIAN_DEBIAN_ROOT names a root that is kept for the next time (made there when it is missing). The root is entered in
a mount namespace of each command's own: nothing is ever mounted in the system of the caller.
"""

import ast
import os
import re
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
STARTS_WITHIN_S = 60.0
INSTALL = "/usr/src/wardian/hardware/install/install.sh"
CALLERS = "usr/src/of-the-caller"  # in the root: files that settings of the calling environment name
BUNDLES = ("SSL_CERT_FILE", "REQUESTS_CA_BUNDLE", "CURL_CA_BUNDLE")
PROXIES = ("http_proxy", "https_proxy", "no_proxy", "HTTP_PROXY", "HTTPS_PROXY", "NO_PROXY")
pytestmark = pytest.mark.campaign


def pip_settings():
    """What pip of the caller is told by files and variables, as variables."""
    listed = subprocess.run([sys.executable, "-m", "pip", "config", "list"], capture_output=True, text=True, check=True)
    found = {section: {} for section in ("global", "install", ":env:")}  # a later one has the last word
    for line in listed.stdout.splitlines():
        key, value = line.split("=", 1)
        section, _, name = key.rpartition(".")
        if section in found and name != "config-file":
            found[section][f"PIP_{name.upper().replace('-', '_')}"] = " ".join(ast.literal_eval(value).split())
    return found["global"] | found["install"] | found[":env:"]


class DebianRoot:
    """A folder that holds a Debian, entered by commands."""

    def __init__(self, path):
        self.path = path
        self.folders = []  # of the caller, seen at the same place inside
        self.variables = {
            "PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
            "HOME": "/root",
            "DEBIAN_FRONTEND": "noninteractive",
        }

    def carry_over(self):
        """Names of servers, settings of apt and of pip, and every file and folder that pip's settings name."""
        for name in ("resolv.conf", "hosts", "apt/apt.conf.d"):
            ours = Path("/etc") / name
            for path in [ours] if ours.is_file() else ours.glob("*"):
                self._copy(path, self.path / path.relative_to("/"))
        self.variables |= {name: os.environ[name] for name in PROXIES if name in os.environ}
        bundles = {name: os.environ[name] for name in BUNDLES if name in os.environ}
        for name, value in (pip_settings() | bundles).items():
            self.variables[name] = " ".join(self._inside(word, name) for word in value.split())

    def _inside(self, word, name):
        path = Path(word.removeprefix("file://"))
        if not path.is_absolute() or not path.exists():
            return word
        if path.is_file():
            copied = f"/{CALLERS}/{name.lower()}-{path.name}"
            self._copy(path, self.path / copied[1:])
            return copied
        self.folders.append(path.parent if "INDEX" in name else path)  # an index keeps its files beside itself
        return word

    def _copy(self, source, target):
        target.parent.mkdir(parents=True, exist_ok=True)
        target.unlink(missing_ok=True)
        shutil.copy(source, target)

    def start(self, command, user="root", **options):
        """A process inside; what it needs mounted is mounted for it alone and is gone when it ends."""
        mounts = [f"mount --rbind /{kind} {self.path}/{kind}" for kind in ("proc", "dev")]
        mounts += [
            f"mkdir -p {self.path}{folder} && mount -o bind,ro {folder} {self.path}{folder}" for folder in self.folders
        ]
        enter = f'exec chroot --userspec={user} {self.path} /bin/sh -c "$1"'
        script = " && ".join(["set -e", *mounts, enter])
        variables = self.variables | options.pop("variables", {})
        return subprocess.Popen(
            ["unshare", "--mount", "--propagation", "private", "/bin/sh", "-c", script, "sh", command],
            env=variables, text=True, **options,
        )  # fmt: skip

    def run(self, command, user="root"):
        process = self.start(command, user, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
        out, err = process.communicate()
        return subprocess.CompletedProcess(command, process.returncode, out, err)

    def as_service(self, command, **variables):
        """The process that a service manager would start."""
        variables = {"PYTHONUNBUFFERED": "1", "HOME": "/var/lib/wardian", **variables}
        return self.start(f"cd /var/lib/wardian && exec {command}", "wardian:wardian", variables=variables)

    def exec_start(self, service):
        """The command line of an installed unit, its variables put in from the environment file."""
        unit = (self.path / "etc/systemd/system" / service).read_text()
        command = re.search(r"^ExecStart=(.*)$", unit, re.MULTILINE).group(1)
        known = dict(line.split("=", 1) for line in (self.path / "etc/wardian/environment").read_text().splitlines())
        return re.sub(r"\$(\w+)", lambda found: known.get(found.group(1), "").strip('"'), command)

    def rows(self, sql):
        with closing(sqlite3.connect(self.path / "var/lib/wardian/run/journal.sqlite")) as journal:
            return journal.execute(sql).fetchall()


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


class ServiceManager:
    """The socket that a service tells that it is ready and lives (sd_notify(3))."""

    def __init__(self, root):
        self._path = root.path / "run/wardian-notify"
        self._path.unlink(missing_ok=True)
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(self._path))
        self._path.chmod(0o777)
        self._socket.settimeout(STARTS_WITHIN_S)
        self._root = root

    def __enter__(self):
        self._process = self._root.as_service(
            self._root.exec_start("wardian-run.service"), NOTIFY_SOCKET="/run/wardian-notify"
        )
        return self

    def told(self):
        return self._socket.recv(1000)

    def __exit__(self, *raised):
        try:
            self._process.send_signal(signal.SIGTERM)
            code = self._process.wait(30)
        finally:
            self._process.kill()
            self._socket.close()
        assert raised[0] or code == 0


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


def test_the_page_starts_and_answers(installed):
    port = free_port()  # 8321 may be taken by another page on the computer of the caller
    with (installed.path / "etc/wardian/environment").open("a") as file:
        file.write(f'WARDIAN_SERVE_OPTIONS="--port {port}"\n')
    process = installed.as_service(installed.exec_start("wardian-serve.service"))
    try:
        until_s = time.monotonic() + STARTS_WITHIN_S
        answer = b""
        while not answer and time.monotonic() < until_s:
            try:
                with socket.create_connection(("127.0.0.1", port), timeout=5) as line:
                    line.sendall(b"GET / HTTP/1.0\r\nHost: localhost\r\n\r\n")
                    answer = line.recv(100)
            except OSError:
                time.sleep(0.5)
        assert answer.startswith((b"HTTP/1.1 200", b"HTTP/1.0 200", b"HTTP/1.1 303", b"HTTP/1.1 302")), answer
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
            '"""',
            'raise ImportError("a piece is missing")\n"""',
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
