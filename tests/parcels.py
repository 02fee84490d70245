"""Small sealed runs, and a collector on the loopback, for tests of what travels."""

import socket
import threading
from contextlib import contextmanager

import uvicorn

from controller.control import model as m
from controller.parcels.collector import application
from controller.parcels.sealing import seal
from controller.parcels.stores import FolderStore
from controller.parcels.tokens import Tokens
from tests.journals import DAY_MS, HOUR_MS, SETTINGS, at, dose, fill, hydrate, new_journal

CHAMBER = "skerry-light"
RUN = "20260302T0000Z-skerry"


def short_run(folder, days=3, every_ms=HOUR_MS):
    """A journal of so many closed days and an hour of the next, with doses and an observation each day."""
    journal = new_journal(folder)
    journal.append(m.BootRecord(at(0), "0.1.0"))
    hydrate(journal)
    for day in range(days):
        start_ms = day * DAY_MS
        fill(journal, start_ms, start_ms + DAY_MS, every_ms)
        dose(journal, day + 1, at(start_ms + HOUR_MS))
        journal.append(m.ObservationRecord(at(start_ms + 2 * HOUR_MS), 1, "LK", height_mm=3.0 * day))
    fill(journal, days * DAY_MS, days * DAY_MS + HOUR_MS, every_ms)
    return journal


def sealed_run(folder, days=3):
    """(folder of the sealed days, their manifests) of a short run."""
    journal = short_run(folder, days)
    manifests = list(seal(journal, SETTINGS))
    journal.close()
    return folder / "parcels", manifests


def service(folder, store=None):
    """(application, tokens) of a collector that keeps everything in ``folder``."""
    tokens = Tokens(folder / "tokens.json")
    folder.mkdir(parents=True, exist_ok=True)
    return application(store or FolderStore(folder / "store"), folder / "waiting", tokens), tokens


@contextmanager
def served(app):
    """The address of a service on the loopback."""
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        server = uvicorn.Server(uvicorn.Config(app, log_level="error", lifespan="off"))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()
        while not server.started:
            thread.join(0.005)
        try:
            yield f"http://127.0.0.1:{listening.getsockname()[1]}"
        finally:
            server.should_exit = True
            thread.join(10)


def files_of(folder):
    """path below a folder -> content, of every file that is not hidden."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not path.name.startswith(".")
    }
