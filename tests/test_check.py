"""The check before water: every part is looked at, and what is wrong is said in a technician's words."""

import os
import threading
import tty
from dataclasses import replace

import pytest
from gpiozero.pins.mock import MockFactory, MockPWMPin

from controller import check
from controller.chamber.physics import Physics
from controller.chamber.sensor_bus import SimulatedBus
from firmware_bridge import limits, messages
from firmware_bridge.board import Board, fresh_saved_line
from tests import examples
from tests.boards import IDENTITY, NEXT_IDENTITY


class WiredPin(MockPWMPin):
    """A pin whose contact to ground, when closed, is stronger than its pull-up."""

    grounded = frozenset()

    def _set_pull(self, value):
        super()._set_pull(value)
        if self.info.name in self.grounded:
            self._change_state(False)


class Bench:
    """A chamber on a desk: fake bus, mock pins, a board that answers on a pseudo-terminal."""

    def __init__(self):
        self.bus = SimulatedBus(Physics(examples.SETTINGS, 1))
        WiredPin.grounded = frozenset({"GPIO5", "GPIO6"})
        self.factory = MockFactory(pin_class=WiredPin)
        self.counts = [2000, 2000, 1000, 1740]
        self.saved = fresh_saved_line(IDENTITY)
        self.answers = True
        self.rewrite = lambda data: data
        self._ours, self._theirs = os.openpty()
        tty.setraw(self._ours)
        self.port = os.ttyname(self._theirs)

    def board(self):
        program = Board(self.saved, NEXT_IDENTITY)
        program.take_to_save()
        program.tick(10, *self.counts, 0)
        while True:
            try:
                data = os.read(self._ours, 4096)
            except OSError:
                return
            if not self.answers or data == b"":
                return
            program.receive(data)
            os.write(self._ours, self.rewrite(program.take_output()))

    def look(self, tmp_path, mocker, **changes):
        mocker.patch.object(check, "is_disciplined", return_value=changes.pop("clock", True))
        threading.Thread(target=self.board, daemon=True).start()
        limits = replace(examples.CHAMBER.limits, dose_max_ml=55, daily_max_ml=275)
        chamber = replace(examples.CHAMBER, limits=limits)
        findings = check.check_chamber(
            replace(chamber, **changes), tmp_path, bus=self.bus, factory=self.factory, port=self.port
        )
        return {finding.part: finding for finding in findings}

    def close(self):
        os.close(self._theirs)
        os.close(self._ours)


@pytest.fixture
def bench(mocker):
    mocker.patch.object(check, "BOARD_ANSWERS_S", 2.0)
    made = Bench()
    yield made
    made.close()


def test_a_whole_chamber_has_nothing_to_look_at(bench, tmp_path, mocker):
    found = bench.look(tmp_path, mocker)

    assert {part for part, finding in found.items() if not finding.well} == set()
    assert set(found) == {
        "clock", "disk", "limits", "air sensor", "pins", "own leak probe", "own overfill float", "board",
        "board's probes", "moisture probe",
    }  # fmt: skip


def wanting(found):
    return {part: finding.words for part, finding in found.items() if not finding.well}


def test_a_clock_without_network_time_is_told(bench, tmp_path, mocker):
    assert "no network time" in wanting(bench.look(tmp_path, mocker, clock=False))["clock"]


def test_an_unplugged_sensor_is_told_with_its_address_and_hides_nothing_else(bench, tmp_path, mocker):
    bench.bus.unplugged = True

    found = bench.look(tmp_path, mocker)

    assert list(wanting(found)) == ["air sensor"]
    assert "0x44" in found["air sensor"].words
    assert len(found) == 10


@pytest.mark.parametrize(("pin", "part"), [(5, "own leak probe"), (6, "own overfill float")])
def test_a_wet_or_cut_probe_of_the_computer_is_told_with_its_pin(bench, tmp_path, mocker, pin, part):
    WiredPin.grounded = frozenset({"GPIO5", "GPIO6"} - {f"GPIO{pin}"})

    words = wanting(bench.look(tmp_path, mocker))

    assert list(words) == [part]
    assert f"pin {pin}" in words[part]


def test_a_port_that_does_not_exist_is_told_by_its_name(bench, tmp_path, mocker):
    bench.port = "/dev/no-such-board"

    assert "/dev/no-such-board" in wanting(bench.look(tmp_path, mocker))["board"]


def test_a_board_that_does_not_answer_is_told(bench, tmp_path, mocker):
    bench.answers = False

    assert "no board answers" in wanting(bench.look(tmp_path, mocker))["board"]


@pytest.mark.guards("H11", "host", "462b298a")
def test_a_board_with_other_limits_is_told_to_be_flashed_again(bench, tmp_path, mocker):
    def other_limits(data):
        lines = [messages.decode(line) for line in data.split(b"\n") if line]
        return b"".join(
            messages.encode(*((*line[:4], limits.PROTOCOL, 1, *line[6:]) if line[0] == "board" else line))
            for line in lines
        )

    bench.rewrite = other_limits

    assert "flash it again" in wanting(bench.look(tmp_path, mocker))["board"]


@pytest.mark.parametrize(
    ("counts", "word"),
    [
        ([600, 2000, 1000, 1740], "wet"),
        ([4095, 2000, 1000, 1740], "cut"),
        ([2000, 600, 1000, 1740], "float is up"),
        ([2000, 2000, 4095, 1740], "reservoir"),
    ],
)
def test_what_the_boards_probes_see_is_told(bench, tmp_path, mocker, counts, word):
    bench.counts = counts

    found = wanting(bench.look(tmp_path, mocker))

    assert word in found["board's probes"]
    assert "tripped" in found["board's latch"]


@pytest.mark.parametrize(
    ("counts", "well"), [(1159, False), (1160, True), (1200, True), (3000, True), (3040, True), (3041, False)]
)
def test_a_moisture_probe_outside_its_calibration_is_told(bench, tmp_path, mocker, counts, well):
    bench.counts[3] = counts

    assert bench.look(tmp_path, mocker)["moisture probe"].well == well


def test_a_board_that_lost_its_memory_is_told(bench, tmp_path, mocker):
    bench.saved = None

    assert "lost its memory" in wanting(bench.look(tmp_path, mocker))["board's latch"]


def test_a_folder_that_cannot_be_written_is_told(bench, tmp_path, mocker):
    mocker.patch.object(check.os, "access", return_value=False)

    assert "cannot be written" in wanting(bench.look(tmp_path, mocker))["disk"]


@pytest.mark.parametrize(("free", "well"), [(499_999_999, False), (500_000_000, True)])
def test_a_disk_that_is_nearly_full_is_told(bench, tmp_path, mocker, free, well):
    usage = mocker.Mock(free=free)
    mocker.patch.object(check.shutil, "disk_usage", return_value=usage)

    assert bench.look(tmp_path, mocker)["disk"].well == well


def test_the_check_turns_no_pump(bench, tmp_path, mocker):
    heard = []
    spied = Board.receive

    def receive(self, data):
        heard.extend(data.split(b"\n"))
        spied(self, data)

    mocker.patch.object(Board, "receive", receive)
    bench.look(tmp_path, mocker)

    kinds = {line.split(b" ")[0] for line in heard if line}
    assert kinds == {b"hello"}
