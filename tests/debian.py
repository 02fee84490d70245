"""A Debian in a folder: made by debootstrap, entered by commands, booted by its own service manager.

Nothing is ever mounted in the system of the caller: each command has a mount namespace of its own, whose mounts end
with it. So a folder that is removed afterwards holds no way into /dev or /proc.
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
import time
from contextlib import closing
from pathlib import Path

STARTS_WITHIN_S = 60.0
CALLERS = "usr/src/of-the-caller"  # in the root: files that settings of the calling environment name
BUNDLES = ("SSL_CERT_FILE", "REQUESTS_CA_BUNDLE", "CURL_CA_BUNDLE")
PROXIES = ("http_proxy", "https_proxy", "no_proxy", "HTTP_PROXY", "HTTPS_PROXY", "NO_PROXY")


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


def wait_until(condition, what, within_s=STARTS_WITHIN_S):
    until_s = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < until_s, f"in {within_s:.0f} s: never {what}"
        time.sleep(0.5)


class Booted:
    """The root under its own systemd, in a container (systemd-nspawn) without a network."""

    def __init__(self, root):
        self.root = root

    def __enter__(self):
        command = ["systemd-nspawn", "-q", "-D", str(self.root.path), "--boot", "--register=no", "--console=read-only"]
        command.append("--private-network")  # its services take no port of the caller
        if not Path("/run/systemd/system").exists():  # the caller itself runs without systemd
            command.append("--keep-unit")
        self._container = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
        wait_until(lambda: self._leader() is not None, "a container")
        wait_until(lambda: self.run("systemctl is-system-running").stdout.strip() in ("running", "degraded"), "booted")
        return self

    def _leader(self):
        """Process number of the container's first process; None while there is none."""
        own = self._container.pid
        children = Path(f"/proc/{own}/task/{own}/children").read_text().split()
        return int(children[0]) if children else None

    def run(self, command):
        """A command inside the container, as its root."""
        inside = f"export PATH={self.root.variables['PATH']}; cd /; {command}"
        entered = [
            "nsenter",
            "-t",
            str(self._leader()),
            "-m",
            "-u",
            "-i",
            "-n",
            "-p",
            "-r",
            "-w",
            "/bin/sh",
            "-c",
            inside,
        ]
        return subprocess.run(entered, env=self.root.variables, capture_output=True, text=True)

    def is_active(self, service="wardian-run"):
        return self.run(f"systemctl is-active {service}").stdout.strip() == "active"

    def main_pid(self, service="wardian-run"):
        """Process number of a service, as the container counts."""
        return int(self.run(f"systemctl show --property MainPID --value {service}").stdout)

    def in_service(self, command, service="wardian-run"):
        """A command that sees the file system and the network as a service does; it is root, without other bounds."""
        return self.run(f"nsenter -t {self.main_pid(service)} -m -n sh -c '{command}'")

    def cut_power(self):
        """All processes end at once; nothing is told to anyone."""
        os.kill(self._leader(), signal.SIGKILL)
        self._container.wait(30)

    def __exit__(self, *raised):
        if self._container.poll() is None and self._leader() is not None:
            os.kill(self._leader(), signal.SIGRTMIN + 4)  # poweroff.target of systemd(1)
        try:
            self._container.wait(60)
        finally:
            self._container.kill()
