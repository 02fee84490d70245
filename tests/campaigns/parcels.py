"""Parcels through bad lines, full disks, kills and clock steps: every one arrives once, byte for byte.

``python -m tests.campaigns.parcels [SCALE]`` prints a line for each kind of trouble, and the seed of any failure.
"""

import asyncio
import errno
import os
import random
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from unittest import mock

import httpx

from controller.errors import ParcelError
from controller.parcels import sealing, stores
from controller.parcels.chain import verify
from controller.parcels.pace import Pace
from controller.parcels.posting import AtCollector
from controller.parcels.sealing import seal
from controller.parcels.sending import send
from controller.parcels.tokens import Tokens
from controller.records.outbox import Outbox
from tests.campaigns.rows import Row
from tests.journals import SETTINGS
from tests.parcels import CHAMBER, files_of, sealed_run, service, short_run

ROUNDS_MAX = 400
TRIALS = 40  # of each kind, at scale 1
PROCESS_TRIALS = 3


class Killed(BaseException):
    """The process is gone: nothing below may catch this."""


class Line(httpx.BaseTransport):
    """The way to a collector in this process, with trouble on it."""

    def __init__(self, trial):
        self.trial = trial

    def handle_request(self, request):
        trial, chance = self.trial, self.trial.chance
        content = request.read()
        trouble = trial.kind if chance.random() < 0.2 else ""
        if trouble in ("disconnect before the request", "clock steps"):
            raise httpx.ConnectError("gone")
        if trouble == "truncated piece" and content:
            content = content[: chance.randrange(len(content))]
        if trouble == "server error":
            return httpx.Response(chance.choice((500, 502, 503, 504, 429)), headers={"Retry-After": "1"})
        if trouble == "sender killed before the request":
            raise Killed
        if trouble == "collector killed between requests":
            trial.start_collector()
        if trouble in ("duplicate request", "late duplicate"):
            trial.copies.append((request, content))
        answer = self.carry(request, content)
        if trouble == "duplicate request":
            answer = self.carry(request, content)
        if trial.kind == "late duplicate" and trial.copies and chance.random() < 0.3:
            self.carry(*chance.choice(trial.copies))  # comes again long after its time, out of order
        if trouble == "disconnect before the answer":
            raise httpx.ReadError("gone")
        if trouble == "line too slow":
            raise httpx.ReadTimeout("nothing for 30 s")
        if trouble == "sender killed before the answer":
            raise Killed
        return answer

    def carry(self, request, content):
        async def through():
            inner = httpx.ASGITransport(self.trial.app, raise_app_exceptions=False)
            headers = [(k, v) for k, v in request.headers.raw if k.lower() != b"content-length"]
            again = httpx.Request(request.method, request.url, headers=headers, content=content)
            answer = await inner.handle_async_request(again)
            return httpx.Response(answer.status_code, headers=answer.headers, content=await answer.aread())

        return asyncio.run(through())


class Trial:
    """One run's sealed days on their way to a collector through one kind of trouble."""

    def __init__(self, kind, seed, sealed, folder):
        self.kind, self.chance = kind, random.Random(f"{kind} {seed}")
        self.parcels, self.manifests = sealed
        self.folder = folder
        self.copies = []
        self.now = datetime(2026, 3, 8, tzinfo=UTC)
        self.start_collector()
        self.token = Tokens(folder / "tokens.json").issue(CHAMBER)
        self.start_sender()

    def start_collector(self):
        self.app, _ = service(self.folder)

    def start_sender(self):
        self.outbox = Outbox(self.folder / "outbox.sqlite")
        for manifest in self.manifests:
            self.outbox.note_sealed(manifest.day_utc, manifest.sha256)
        if not self.outbox.addresses():
            self.outbox.add_place("http://there", "", None, "")

    def place(self, _):
        return AtCollector("http://there", self.token, transport=Line(self))

    def disk(self, handle):
        if self.chance.random() < 0.1:
            if self.kind == "collector killed while storing":
                raise Killed
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def round(self):
        if self.kind == "clock steps":
            self.now += timedelta(days=self.chance.choice((-400, -1, 0, 1, 400)))
        else:
            self.now += timedelta(hours=6)
        if self.kind == "parcels out of order":
            manifest = self.chance.choice(self.manifests)
            with suppress(ParcelError):
                self.place("").deliver(manifest, self.parcels / manifest.day_utc, Pace(None))
        try:
            if self.kind in ("collector's disk full", "collector killed while storing"):
                with mock.patch.object(stores.os, "fsync", self.disk):
                    self.send()
            else:
                self.send()
        except Killed:
            self.start_collector()
            self.start_sender()

    def send(self):
        (address,) = self.outbox.addresses()
        send(self.outbox, self.parcels, address, now=lambda: self.now, chance=self.chance.random, place=self.place)

    def is_done(self):
        return not self.outbox.days_waiting(1)

    def what_is_wrong(self):
        stored = {path.split("day=")[1]: content for path, content in files_of(self.folder / "store").items()}
        if stored != files_of(self.parcels):
            return "the store holds something else than was sealed"
        faults = [chain.fault for chain in verify(self.folder / "store") if chain.fault]
        return faults[0] if faults else ""


KINDS = (
    "disconnect before the request", "disconnect before the answer", "line too slow", "server error",
    "truncated piece", "duplicate request", "late duplicate", "parcels out of order", "clock steps",
    "sender killed before the request", "sender killed before the answer", "collector killed between requests",
    "collector killed while storing", "collector's disk full",
)  # fmt: skip


def _row(kind, tried, run_one):
    survived, most_rounds, failures = 0, 0, []
    for seed in range(tried):
        rounds, wrong = run_one(seed)
        most_rounds = max(most_rounds, rounds)
        survived += not wrong
        if wrong:
            failures.append(f"seed {seed}: {wrong}")
    return Row(kind, tried, survived, failures[0] if failures else f"{most_rounds} rounds until all had arrived")


def _one_trial(kind, seed, sealed):
    with tempfile.TemporaryDirectory() as name:
        trial = Trial(kind, seed, sealed, Path(name))
        rounds = 0
        while not trial.is_done() and rounds < ROUNDS_MAX:
            trial.round()
            rounds += 1
        return rounds, trial.what_is_wrong() if trial.is_done() else "not all arrived"


def _sender_disk_trial(seed, reference):
    """The sender's own disk is full now and then while it seals: the parcels come out the same."""
    chance = random.Random(seed)
    with tempfile.TemporaryDirectory() as name:
        journal = short_run(Path(name))

        def fsync(handle):
            if chance.random() < 0.15:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

        rounds = 0
        with mock.patch.object(sealing.os, "fsync", fsync):
            for rounds in range(1, ROUNDS_MAX):  # noqa: B007
                try:
                    list(seal(journal, SETTINGS))
                    break
                except ParcelError:
                    continue
        well = files_of(Path(name) / "parcels") == reference
        return rounds, "" if well else "the parcels differ"


def _process_trial(seed, run):
    """Real processes over the loopback, each killed (SIGKILL) at random until everything has arrived."""
    chance = random.Random(seed)
    with tempfile.TemporaryDirectory() as name:
        folder, program = Path(name), [sys.executable, "-m", "controller"]
        shutil.copytree(run, folder / "run")
        with socket.socket() as found:
            found.bind(("127.0.0.1", 0))
            port = found.getsockname()[1]
        issued = [*program, "collect", str(folder / "store"), "--new-token", CHAMBER]
        (folder / "token").write_text(subprocess.run(issued, capture_output=True, text=True, check=True).stdout)
        served = [*program, "collect", str(folder / "store"), "--port", str(port)]
        sent = [*program, "send", str(folder / "run"), "--to", f"http://127.0.0.1:{port}",
                "--token-file", str(folder / "token"), "--limit-kb-per-s", "40"]  # fmt: skip
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        for rounds in range(1, 30):
            collector = subprocess.Popen(served, **quiet)
            sender = None
            until_s = time.monotonic() + 20
            while time.monotonic() < until_s:
                try:
                    httpx.get(f"http://127.0.0.1:{port}/health")
                    break
                except httpx.TransportError:
                    time.sleep(0.05)
            sender = subprocess.Popen(sent, **quiet)
            killed = chance.choice((sender, collector))
            try:
                sender.wait(chance.uniform(1.0, 4.0 + rounds))
            except subprocess.TimeoutExpired:
                killed.send_signal(signal.SIGKILL)
            for each in (sender, collector):
                each.kill()
                each.wait()
            outbox = Outbox(folder / "run/outbox.sqlite")
            waiting = [w for w in outbox.waiting() if w.days_waiting]
            sealed = files_of(folder / "run/parcels")
            outbox.close()
            if not waiting and len(sealed) and sender.returncode == 0:
                stored = {p.split("day=")[1]: c for p, c in files_of(folder / "store").items()}
                return rounds, "" if stored == sealed else "the store holds something else than was sealed"
        return rounds, "not all arrived"


def campaign(scale: float = 1.0) -> list[Row]:
    """Try every kind of trouble; ``scale`` multiplies how often."""
    trials = max(1, round(TRIALS * scale))
    with tempfile.TemporaryDirectory() as name:
        sealed = sealed_run(Path(name))
        reference = files_of(sealed[0])
        rows = [_row(kind, trials, lambda seed, kind=kind: _one_trial(kind, seed, sealed)) for kind in KINDS]
        rows.append(_row("sender's disk full while sealing", trials, lambda seed: _sender_disk_trial(seed, reference)))
    if scale >= 0.5:
        run = rehearsed_run()
        try:
            tried = max(1, round(PROCESS_TRIALS * scale))
            rows.append(_row("processes killed at random", tried, lambda seed: _process_trial(seed, run)))
        finally:
            shutil.rmtree(run.parent)
    return rows


def rehearsed_run():
    """A folder with four days of the shipped example, rehearsed."""
    folder = Path(tempfile.mkdtemp()) / "run"
    command = [sys.executable, "-m", "controller", "rehearse", "--days", "4", "--out", str(folder)]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    for path in folder.iterdir():
        if not path.name.startswith("journal"):
            path.unlink()
    return folder


if __name__ == "__main__":
    for row in campaign(float(sys.argv[1]) if len(sys.argv) > 1 else 1.0):
        print(f"{row.kind:36} {row.survived:4} of {row.tried:4}   {row.worst_case}")
