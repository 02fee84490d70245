"""A page for tests: a rehearsed run whose clock stands a moment after its last reading, served or called directly."""

import os
import tempfile
import threading
import time
from contextlib import contextmanager
from dataclasses import replace
from functools import cache
from pathlib import Path

import uvicorn
from starlette.applications import Starlette

from controller.control import model as m
from controller.control.hands_on import requested
from controller.control.line import SETTLED
from controller.control.recovery import resume
from controller.records.journal import Journal
from controller.settings import example_path, read_settings
from controller.web.app import build_app, build_runs_app
from controller.web.codes import Codes, Gatekeeper
from controller.web.runs import Runs
from controller.web.sessions import Sessions
from controller.web.site import Site
from controller.web.watching import Run
from tests.journals import HOUR_MS, at, fill, hydrate, new_journal

WRITTEN_S = 1_700_000_000  # before any test ran; what is written meanwhile is newer
CODES = {"pupil": "green-leaf-77", "operator": "lamp-room-stairs", "technician": "brass-gears-12"}


class StandIn:
    """A controller for tests: judges each wish by the shipped law, at the journal's last moment, and writes down
    what the law says. It has no board; what would be sent to one is kept in ``sent``."""

    def __init__(self, run: Run) -> None:
        self.run = run
        self.silent = False
        self.sent: list[m.SendToBoard] = []

    def ask(self, journal: Journal, wish: dict) -> m.RequestAnswered | None:
        reading = journal.last_reading()
        at = reading.at if reading else m.Moment(self.run.clock_ms(), 0, 1, True)
        state = resume(at, journal.history(), reading, self.run.settings)
        request = m.Request(at=at, request_id=0, **wish)
        number = journal.ask(request)
        if self.silent:
            return None
        state = state.but(line=m.Line(SETTLED))
        _, actions = requested(state, replace(request, request_id=number), self.run.settings)
        writer = Journal.open(journal.path)  # as another process would
        for action in actions:
            if isinstance(action, m.Append):
                writer.append(action.record)
            elif isinstance(action, m.SendToBoard):
                self.sent.append(action)
        writer.close()
        return journal.answer_to(number)


@cache
def digests() -> str:
    """The file of codes, made once: a digest is meant to take long."""
    with tempfile.TemporaryDirectory() as folder:
        kept = Codes(Path(folder) / "codes.json")
        for role, code in CODES.items():
            kept.set(role, code)
        return kept.path.read_text()


def make_site(folder: Path, *, after_s: float = 4.0, **more) -> Site:
    """The page of a run; its clock stands ``after_s`` behind the last reading."""
    journal = Journal.open(folder / "journal.sqlite")
    last = journal.last_reading()
    journal.close()
    now_ms = last.at.utc_ms + round(after_s * 1000)
    run = Run(folder, lambda: now_ms)
    (folder / "codes.json").write_text(digests())
    site = Site(run, Gatekeeper(Codes(folder / "codes.json")), **more)
    stand_in = StandIn(run)
    site.ask_with = stand_in.ask
    return site


def make_run(folder, *, age_s=0, phase=None, **more):
    """A run whose drain is due; it was written ``age_s`` before the newest."""
    plan = read_settings(example_path("skerry-light.plan.toml"), example_path("skerry-light.chamber.toml"))
    journal = new_journal(folder, plan, **more)
    journal.append(m.BootRecord(at(0), "0.1.0"))
    hydrate(journal)
    fill(journal, 0, 2 * HOUR_MS)
    journal.append(m.StepRecord(at(HOUR_MS), "open-positions", done=False, signed_by=""))
    if phase:
        journal.append(m.PhaseRecord(at(2 * HOUR_MS), phase, 2 * HOUR_MS))
    journal.close()
    for path in folder.iterdir():
        os.utime(path, (WRITTEN_S - age_s, WRITTEN_S - age_s))


class SeveralRuns:
    """A folder of runs and its page; time for the list passes when it is told to."""

    def __init__(self, folder, after_s=4.0):
        self.folder, self.now_s, self.after_s = folder, 0.0, after_s
        codes = folder / "codes.json"
        codes.write_text(digests())
        self.gatekeeper, self.sessions = Gatekeeper(Codes(codes)), Sessions()
        self.made = []
        self.runs = Runs(folder, self.site_for, self.sessions.end_all, lambda: self.now_s)
        self.app = build_runs_app(self.runs)

    def site_for(self, run, root):
        with run.journal() as journal:
            last_ms = journal.last_reading().at.utc_ms
        run.clock_ms = lambda: last_ms + round(self.after_s * 1000)
        self.made.append(run.folder.name)
        return Site(run, self.gatekeeper, self.sessions, ask_with=StandIn(run).ask, root=root)


@contextmanager
def served(shown: Site | Starlette):
    """The page on a free port of the loopback; gives its address."""
    app = build_app(shown) if isinstance(shown, Site) else shown
    server = uvicorn.Server(uvicorn.Config(app, port=0, log_level="error", access_log=False, lifespan="off"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    until_s = time.monotonic() + 10
    while not server.started and time.monotonic() < until_s:
        time.sleep(0.01)
    port = server.servers[0].sockets[0].getsockname()[1]
    try:
        yield f"http://127.0.0.1:{port}"
    finally:
        server.should_exit = True
        thread.join(10)
