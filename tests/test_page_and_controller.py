"""The page against a controller that really runs: ``wardian run --simulated``, a process of its own, whose leak rope
gets wet while a file named ``leak`` lies in its folder. The one clock that passes is that of the two processes."""

import signal
import subprocess
import sys
import time
from contextlib import contextmanager

import httpx
import pytest

from controller.control import model as m
from controller.settings import example_path
from controller.web.codes import Codes, Gatekeeper
from controller.web.site import Site
from controller.web.watching import Run
from tests.page_server import CODES, digests, served

CONTROLLER = """
import sys
from pathlib import Path
from controller.chamber.simulated_live import SimulatedLive
from controller.cli import main
folder, advance = Path(sys.argv[1]), SimulatedLive._advance
def with_the_leak(self):
    self.chamber.box.physics.leaking = (folder / "leak").exists()
    advance(self)
SimulatedLive._advance = with_the_leak
main(["run", sys.argv[2], "--chamber", sys.argv[3], "--out", str(folder), "--simulated", "--speed", "20"])
"""
WITHIN_S = 60.0  # far more than it takes; a busy computer is slow
CHECKS = {f"check_{name}": "yes" for name in ("eyes", "dry", "mended", "hands")}


def until(true, what):
    """Wait for something that another process does."""
    end_s = time.monotonic() + WITHIN_S
    while not true():
        assert time.monotonic() < end_s, f"not within {WITHIN_S:g} s: {what}"
        time.sleep(0.05)


@contextmanager
def running_controller(folder):
    command = [
        sys.executable, "-c", CONTROLLER, str(folder),
        str(example_path("skerry-light.plan.toml")), str(example_path("skerry-light.chamber.toml")),
    ]  # fmt: skip
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    try:
        until(lambda: (folder / "journal.sqlite").exists() or process.poll() is not None, "a journal")
        yield process
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGTERM)
        _, told = process.communicate(timeout=WITHIN_S)
        assert process.returncode == 0, told.decode()


@pytest.mark.guards("H12", "host", "90938667")
def test_a_board_trip_is_cleared_from_the_page_once_the_running_controller_finds_the_tray_dry(tmp_path):
    folder = tmp_path / "run"
    with running_controller(folder) as process:
        (folder / "codes.json").write_text(digests())
        site = Site(Run(folder), Gatekeeper(Codes(folder / "codes.json")))
        with (
            served(site) as base,
            httpx.Client(base_url=base, headers={"origin": base}, follow_redirects=True) as client,
        ):
            until(lambda: not client.get("/now/alive").json()["controller_silent"], "a controller that speaks")
            (folder / "leak").touch()
            until(lambda: "Stopped: The leak probe is wet" in client.get("/").text, "the trip on the page")
            wish = {"trip": "leak_wet", "initials": "MK", "code": CODES["operator"], "note": "joint tightened"}

            stranger = client.post("/clear", data={**wish, **CHECKS, "code": "lamp-room-stair"})
            assert stranger.status_code == 403
            wet = client.post("/clear", data={**wish, **CHECKS})
            assert wet.status_code == 409
            assert "The controller said no" in wet.text
            (folder / "leak").unlink()
            until(lambda: site.run.look(fresh=True).status.reading is not None, "a reading")
            cleared = {}

            def clear():
                answer = client.post("/clear", data={**wish, **CHECKS})
                cleared["text"], cleared["status"] = answer.text, answer.status_code
                return answer.status_code == 200

            until(clear, "a cleared trip")
            assert "The trip is cleared." in cleared["text"]
            until(lambda: "Stopped:" not in client.get("/").text, "a page without a trip")
            assert process.poll() is None
            with site.run.journal() as journal:
                trips = {(each.trip_reason, each.side) for each in journal.records(m.TripRecord)}
                by = {each.cleared_by for each in journal.records(m.TripCleared)}
                asked = [each.request for each in journal.records(m.Request)]
            assert {reason for reason, _ in trips} == {"leak_wet"}
            assert m.ON_BOARD in {side for _, side in trips}
            assert by == {"MK"}
            assert set(asked) == {m.CLEAR_TRIP}
