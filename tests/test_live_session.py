"""A live session over a pseudo-terminal: controller and board as processes of their own, either one killed.

The board program runs under the real MicroPython; the pulses that reached its motor are counted by the stand, apart
from anything that controller or board believe.
"""

import os
import signal
import socket
import subprocess
import sys
from contextlib import contextmanager

import pytest

from controller.control import model as m
from tests.stand.live import COMMAND, Session, shortened_plan
from tests.stand.running import RunningStand, wait_until

LEASE_S = 3.0


@pytest.fixture
def plan(tmp_path):
    """The example plan with short waits, so that a session takes seconds."""
    return shortened_plan(tmp_path, total_ml=(210, 6), aliquot_ml=(50, 3), pause_s=(60, 1), sample_every_s=(10, 1))


def resting(stand, looks):
    """A condition that holds once more than so many looks in a row have seen no new pulse."""
    pulses, still = -1, 0

    def rests():
        nonlocal pulses, still
        now = stand.pulses()
        pulses, still = now, still + 1 if now == pulses else 0
        return still > looks

    return rests


def given_in_full(live):
    """A condition: all 1200 steps of the wetting are closed. A person clears what a slow computer trips meanwhile: at
    four times the pace the lease is 0.75 s of ours."""
    wished = set()

    def given():
        tripped = live.records(m.TripRecord)
        assert {each.trip_reason for each in tripped} <= {"lease_lost"}
        if len(tripped) > len(wished):
            wished.add(len(tripped))
            live.wish(request=m.CLEAR_TRIP, subject="lease_lost")
        return live.steps_closed()[1] == 1200

    return given


@contextmanager
def session(tmp_path, plan, chamber_s_per_s=4, command=COMMAND):
    with RunningStand(tmp_path / "stand", chamber_s_per_s) as stand:
        made = Session(tmp_path / "run", plan, stand, command=command)
        try:
            made.start()
            yield made
        finally:
            if made.process is not None and made.process.poll() is None:
                made.process.kill()
                made.process.communicate()


def test_a_first_wetting_runs_through_and_every_pulse_is_in_the_account(tmp_path, plan):
    with session(tmp_path, plan, chamber_s_per_s=2) as live:
        live.get_ready()
        wait_until(lambda: len(live.records(m.DoseClosed)) == 2, "two aliquots given", 40)
        live.end(signal.SIGTERM)

        assert live.steps_closed() == (1200, 1200)
        assert live.stand.pulses() == 1200
        assert [c.end_reason for c in live.records(m.DoseClosed)] == ["complete", "complete"]


def test_the_controller_killed_in_mid_dose_gives_nothing_twice_and_the_account_holds(tmp_path, plan):
    with session(tmp_path, plan) as live:
        live.get_ready()
        wait_until(lambda: live.stand.pulses() > 100, "a pump that turns", 20)
        live.end(signal.SIGKILL)
        at_kill = live.stand.pulses()
        assert at_kill < 600

        # the board stops by itself within the lease: at 83 steps a second that is 250 steps and a margin
        wait_until(resting(live.stand, looks=150), "a pump that rests", LEASE_S + 4)
        at_rest = live.stand.pulses()
        assert at_rest - at_kill <= 83 * (LEASE_S + 0.2)
        assert live.records(m.DoseClosed) == []

        live.start()
        wait_until(lambda: len(live.records(m.DoseClosed)) == 1, "the dose closed with the board's count")
        closed = live.records(m.DoseClosed)[0]
        assert (closed.steps_min, closed.steps_max) == (at_rest, at_rest)
        assert closed.end_reason == "lease_lost"
        assert live.stand.pulses() == at_rest
        wait_until(lambda: live.records(m.TripRecord), "the trip that the board reports after it")
        assert [t.trip_reason for t in live.records(m.TripRecord)] == ["lease_lost"]

        # a person looks and clears; the rest of the plan's water is given, and no more
        wait_until(lambda: live.ask(request=m.CLEAR_TRIP, subject="lease_lost").granted, "a trip cleared", 15)
        wait_until(lambda: live.steps_closed()[0] == 1200, "the rest of the first wetting", 40)
        live.end(signal.SIGTERM)
        assert live.stand.pulses() == 1200
        ids = [d.dose_id for d in live.records(m.DoseIntended)]
        assert len(ids) == len(set(ids))


@pytest.mark.guards("H3", "host", "6504f7a9")
@pytest.mark.guards("H6", "host", "ca1270a6")
def test_a_loop_that_hangs_in_a_read_is_no_sign_of_life_and_its_pump_stops_within_the_lease(
    tmp_path, plan, monkeypatch
):
    """What the unit's WatchdogSec does is done by hand: end it (systemd.service(5): SIGABRT) and begin it anew."""
    fifo = tmp_path / "held"
    monkeypatch.setenv("HELD_BUS", str(fifo))
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.setblocking(False)

        def notices():
            heard = []
            try:
                while True:
                    heard.append(manager.recv(200))
            except BlockingIOError:
                return heard

        with session(tmp_path, plan, chamber_s_per_s=1, command=[sys.executable, "-m", "tests.stand.held_bus"]) as live:
            live.get_ready()
            wait_until(lambda: live.stand.pulses() > 100, "a pump that turns", 20)
            assert any(notice.startswith(b"WATCHDOG=1") for notice in notices())
            os.mkfifo(fifo)
            at_hang = live.stand.pulses()
            wait_until(resting(live.stand, looks=250), "a pump that rests", LEASE_S + 5)
            at_rest = live.stand.pulses()
            assert at_hang < at_rest <= at_hang + 83 * (LEASE_S + 1.2)  # one sample's second until it hangs
            assert live.process.poll() is None
            notices()
            with pytest.raises(AssertionError, match="never a sign of life"):
                wait_until(lambda: bool(notices()), "a sign of life", 2.5)

            live.end(signal.SIGABRT)
            fifo.unlink()
            live.start()
            wait_until(lambda: len(live.records(m.DoseClosed)) == 1, "the dose closed with the board's count")
            closed = live.records(m.DoseClosed)[0]
            assert (closed.steps_min, closed.steps_max, closed.end_reason) == (at_rest, at_rest, "lease_lost")
            wait_until(lambda: any(n.startswith(b"WATCHDOG=1") for n in notices()), "a sign of life again")


def test_the_board_killed_in_mid_dose_leaves_an_interval_that_holds_the_truth(tmp_path, plan):
    with session(tmp_path, plan) as live:
        live.get_ready()
        wait_until(lambda: live.stand.pulses() > 100, "a pump that turns", 20)
        live.stand.kill_board()
        at_kill = live.stand.pulses()

        wait_until(lambda: len(live.records(m.DoseClosed)) >= 1, "the dose closed as an interval", 15)
        closed = live.records(m.DoseClosed)[0]
        assert (closed.steps_min, closed.steps_max) == (0, 600)
        assert closed.steps_min <= at_kill <= closed.steps_max
        wait_until(given_in_full(live), "the rest of the first wetting", 40)
        live.end(signal.SIGTERM)

        low, high = live.steps_closed()
        assert low <= live.stand.pulses() <= high == 1200


def test_told_to_stop_in_mid_dose_the_controller_stops_the_pump_and_closes_the_dose(tmp_path, plan):
    with session(tmp_path, plan) as live:
        live.get_ready()
        wait_until(lambda: live.stand.pulses() > 50, "a pump that turns", 20)
        out = live.end(signal.SIGTERM)

        closed = live.records(m.DoseClosed)
        assert [c.end_reason for c in closed] == ["stopped"]
        assert closed[0].steps_max == live.stand.pulses() < 600
        assert "Stopped in phase wetting." in out
        assert live.process.returncode == 0


def test_a_second_controller_for_the_same_run_is_turned_away(tmp_path, plan):
    with session(tmp_path, plan) as live:
        second = subprocess.run(COMMAND + live._arguments, capture_output=True, text=True, timeout=20)

        assert second.returncode == 5
        assert "another wardian run is already writing this run" in second.stderr
        assert os.path.exists(live.folder / "lock")
