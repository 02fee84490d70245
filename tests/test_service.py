"""What a service manager hears (sd_notify(3)), and whose run it is."""

import socket

import pytest

from controller.errors import JournalError, SettingsError
from controller.run import lock_run, open_run
from controller.service import ServiceNotice
from tests import examples


def test_notices_reach_the_socket_that_was_named(tmp_path, monkeypatch):
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        notice = ServiceNotice()
        notice.ready()
        notice.alive("growing")
        notice.stopping()
        heard = [manager.recv(200) for _ in range(3)]
        notice.close()

    assert heard == [b"READY=1", b"WATCHDOG=1\nSTATUS=growing", b"STOPPING=1"]


def test_without_a_service_manager_nothing_is_said(monkeypatch):
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    ServiceNotice().ready()


def test_a_manager_that_went_away_does_not_stop_the_controller(tmp_path, monkeypatch):
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "gone"))
    notice = ServiceNotice()
    notice.alive("growing")
    notice.close()


def test_a_manager_that_does_not_read_does_not_hold_the_controller(tmp_path, monkeypatch):
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        notice = ServiceNotice()
        notice.ready()
        for _ in range(2000):  # more than a socket queues: net.unix.max_dgram_qlen is 10 or 512 (unix(7), from memory)
            notice.alive("growing")
        notice.close()
        assert manager.recv(200) == b"READY=1"


def test_a_run_has_one_writer(tmp_path):
    held = lock_run(tmp_path)
    with pytest.raises(JournalError, match="already writing"):
        lock_run(tmp_path)
    assert held > 0


@pytest.mark.guards("H10", "host", "ccf086fa")
def test_a_run_goes_on_with_the_same_plan_and_with_no_other(tmp_path):
    open_run(tmp_path, examples.SETTINGS, simulated=True).close()
    journal = open_run(tmp_path, examples.SETTINGS, simulated=True)
    run_id = journal.run_row()["run_id"]
    journal.close()

    other = examples.p.Settings(plan=examples.PLAN, chamber=examples.CHAMBER, plan_sha256="1" * 64)
    with pytest.raises(SettingsError, match="another plan"):
        open_run(tmp_path, other, simulated=True)
    assert str(run_id).endswith("skerry-light")
