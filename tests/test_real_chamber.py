"""The real chamber's code over a fake I2C bus, mock pins and a pseudo-terminal with a board at its other end.

No pin or bus of a kernel is driven in any test of this project: that is said in DEVELOPERS.md as well.
"""

import contextlib
import os
import threading
import time
import tty
from dataclasses import replace

import pytest
from gpiozero.pins.mock import MockFactory, MockPWMPin

from controller.chamber.air_sensor import READ_WITHIN_S, AirSensor, TimelyAirSensor
from controller.chamber.physics import Physics
from controller.chamber.real import LinuxBus, RealChamber
from controller.chamber.seam import ButtonWasPressed, LineFound, LocalProbeWentWet, MessageReceived
from controller.chamber.sensor_bus import SimulatedBus, sht31_checksum, sht31_frame
from controller.control.model import STATUS_FAST, STATUS_STEADY
from controller.plan import BoardLine
from firmware_bridge import limits, messages
from firmware_bridge.board import Board, fresh_saved_line
from tests import examples
from tests.boards import IDENTITY, JOURNAL, NEXT_IDENTITY
from tests.stand.running import wait_until

# CRC-8/NRSC-5 of SHT3x words. BE EF is the data sheet's own example (Sensirion SHT3x-DIS, version 5, Table 20);
# the others were computed from the published polynomial.
CHECKSUM_ROWS = [(b"\xbe\xef", 0x92), (b"\x00\x00", 0x81), (b"\xff\xff", 0xAC), (b"\x12\x34", 0x37)]
# Sensirion SHT3x-DIS data sheet, version 5, section 4.13: T = -45 + 175 S / 65535, RH = 100 S / 65535
CONVERSION_ROWS = [
    (0x0000, -45.0, 0.0),
    (0xFFFF, 130.0, 100.0),
    (0x6666, 25.0, 40.0),
    (0x8000, 42.50134, 50.00076),
]


@pytest.mark.parametrize(("word", "checksum"), CHECKSUM_ROWS)
def test_the_checksum_is_the_data_sheets(word, checksum):
    assert sht31_checksum(word) == checksum


class OneFrame:
    """A bus with a sensor that always sends the same bytes."""

    def __init__(self, frame):
        self.frame = frame
        self.commands = []

    def try_lock(self):
        return True

    def unlock(self):
        pass

    def writeto(self, address, buffer, *, start=0, end=None):
        self.commands.append((address, bytes(buffer)))

    def readfrom_into(self, address, buffer, *, start=0, end=None):
        buffer[: len(self.frame)] = self.frame


@pytest.mark.parametrize(("word", "temperature_c", "humidity_pct"), CONVERSION_ROWS)
def test_the_shipped_driver_converts_words_as_the_data_sheet_does(word, temperature_c, humidity_pct):
    raw = word.to_bytes(2, "big")
    part = raw + bytes([sht31_checksum(raw)])
    bus = OneFrame(part + part)

    temperature, humidity = AirSensor(bus, 0x44).read()

    assert temperature == pytest.approx(temperature_c, abs=5e-6)
    assert humidity == pytest.approx(humidity_pct, abs=5e-6)
    assert (0x44, b"\x24\x00") in bus.commands  # single measurement, high repeatability, no clock stretching


@pytest.mark.parametrize(("temperature_c", "humidity_pct"), [(21.37, 58.2), (-5.0, 99.9), (60.0, 0.4)])
def test_a_simulated_frame_says_what_the_air_is_to_half_a_word(temperature_c, humidity_pct):
    temperature, humidity = AirSensor(OneFrame(sht31_frame(temperature_c, humidity_pct)), 0x44).read()

    assert temperature == pytest.approx(temperature_c, abs=175 / 65535)
    assert humidity == pytest.approx(humidity_pct, abs=100 / 65535)


@pytest.mark.guards("H6", "host", "ca1270a6")
def test_a_wrong_checksum_gives_no_reading_and_the_next_good_one_does():
    bus = SimulatedBus(Physics(examples.SETTINGS, 1))
    sensor = AirSensor(bus, 0x44)
    assert sensor.read() is not None

    bus.bad_checksum = True
    assert sensor.read() is None
    assert "CRC" in sensor.last_error

    bus.bad_checksum = False
    assert sensor.read() is not None


def test_an_unplugged_sensor_gives_no_reading_and_is_found_again_when_plugged_in():
    bus = SimulatedBus(Physics(examples.SETTINGS, 1))
    bus.unplugged = True
    sensor = AirSensor(bus, 0x44)
    assert sensor.read() is None

    bus.unplugged = False
    assert sensor.read() is not None


class HeldBus(SimulatedBus):
    """A sensor that can hold the clock line: a read does not come back until it lets go."""

    def __init__(self):
        super().__init__(Physics(examples.SETTINGS, 1))
        self.let_go = threading.Event()
        self.let_go.set()

    def readfrom_into(self, address, buffer, *, start=0, end=None):
        self.let_go.wait()
        super().readfrom_into(address, buffer, start=start, end=end)


@pytest.mark.guards("H6", "host", "ca1270a6")
def test_a_read_that_never_comes_back_is_no_reading_and_holds_nobody_up():
    bus = HeldBus()
    sensor = TimelyAirSensor(AirSensor(bus, 0x44), within_s=0.2)
    assert sensor.read() is not None
    bus.let_go.clear()

    began_s = time.monotonic()
    assert sensor.read() is None  # waits its time once ...
    assert sensor.last_error == "no answer within 0.2 s"
    for _ in range(1_000):
        assert sensor.read() is None  # ... and then not at all, while the read is still out
    assert time.monotonic() - began_s < 2.0

    bus.let_go.set()
    wait_until(lambda: sensor.read() is not None, "a sensor that is read again")
    assert sensor.last_error == ""
    sensor.close()


def test_what_a_held_bus_gives_late_is_not_taken_for_now():
    bus = HeldBus()
    sensor = TimelyAirSensor(AirSensor(bus, 0x44), within_s=0.2)
    bus.let_go.clear()
    assert sensor.read() is None
    bus._physics.air_temperature_c = 33.0
    bus.let_go.set()
    wait_until(lambda: not sensor._found.empty(), "the late answer")

    temperature_c, _ = sensor.read()

    assert temperature_c == pytest.approx(33.0, abs=0.2)
    sensor.close()


@pytest.mark.guards("H6", "host", "ca1270a6")
def test_a_held_bus_leaves_the_rest_of_the_chamber_its_time(line):
    bus = HeldBus()
    settings = replace(examples.CHAMBER, board=BoardLine(serial_port=line[1]))
    chamber = RealChamber(settings, bus=bus, factory=MockFactory(pin_class=MockPWMPin))
    bus.let_go.clear()

    began_s = time.monotonic()
    reading = chamber.sample()

    assert reading.air_temperature_c is None
    assert reading.local_leak_wet  # its other probes are read all the same
    assert time.monotonic() - began_s < READ_WITHIN_S + 1.0 < limits.LEASE_MS_MAX / 1000
    bus.let_go.set()
    chamber.close()


@pytest.fixture
def line():
    """A pseudo-terminal: the board's end, and the path of the host's end."""
    ours, theirs = os.openpty()
    tty.setraw(ours)
    tty.setraw(theirs)
    os.set_blocking(ours, False)
    yield ours, os.ttyname(theirs)
    os.close(ours)
    os.close(theirs)


@pytest.fixture
def chamber(line):
    settings = replace(examples.CHAMBER, board=BoardLine(serial_port=line[1]))
    made = RealChamber(
        settings, bus=SimulatedBus(Physics(examples.SETTINGS, 1)), factory=MockFactory(pin_class=MockPWMPin)
    )
    for number in (settings.pins.leak, settings.pins.overfill_float):
        made.pins._lamp.pin_factory.pin(number).drive_low()
    yield made
    if not made.pins._lamp.closed:
        made.close()


def pin(chamber, number):
    return chamber.pins._lamp.pin_factory.pin(number)


def test_the_lamp_pin_carries_the_duty(chamber):
    chamber.set_lamp(0.6)
    assert pin(chamber, 18).state == pytest.approx(0.6)

    chamber.set_lamp(0.0)
    assert pin(chamber, 18).state == 0.0


def test_the_status_lamp_is_steady_or_blinks(chamber):
    chamber.set_status_lamp(STATUS_STEADY)
    assert pin(chamber, 23).state == 1

    chamber.set_status_lamp(STATUS_FAST)
    assert chamber.pins._status._blink_thread is not None


def test_a_cut_wire_of_the_computers_own_probe_reads_as_wet(chamber):
    reading = chamber.sample()
    assert not reading.local_leak_wet
    assert not reading.local_float_up

    pin(chamber, 5).drive_high()  # the pull-up wins when the wire is cut
    assert chamber.sample().local_leak_wet
    pin(chamber, 6).drive_high()
    assert chamber.sample().local_float_up


def test_a_probe_that_turns_wet_asks_for_a_sample_at_once_and_only_once(chamber):
    chamber.received()
    pin(chamber, 5).drive_high()

    assert chamber.received()[0] == LocalProbeWentWet()
    assert LocalProbeWentWet() not in chamber.received()


def test_the_button_is_heard(chamber):
    pin(chamber, 24).drive_low()

    assert ButtonWasPressed() in chamber.received()


def test_the_board_is_greeted_and_its_counts_come_with_the_sample(chamber, line):
    board = Board(fresh_saved_line(IDENTITY), NEXT_IDENTITY)
    board.take_to_save()
    board.tick(10, 2000, 2001, 1002, 1743, 0)
    assert LineFound() in chamber.received()

    chamber.send("hello", (limits.PROTOCOL, messages.LIMITS_CHECKSUM, JOURNAL, 1))
    heard = []

    def answered():
        """The kernel passes bytes on in its own time."""
        with contextlib.suppress(BlockingIOError):
            board.receive(os.read(line[0], 4096))
        os.write(line[0], board.take_output())
        heard.extend(h.message[0] for h in chamber.received() if isinstance(h, MessageReceived))
        return len(heard) >= 2

    wait_until(answered, "a greeting answered")
    assert heard == ["board", "report"]
    reading = chamber.sample()
    assert (reading.leak_counts, reading.float_counts) == (2000, 2001)
    assert (reading.reservoir_counts, reading.moisture_counts) == (1002, 1743)


def test_closing_puts_the_lamp_out(chamber):
    lamp = pin(chamber, 18)
    chamber.set_lamp(0.6)
    before_close = len(lamp.states)

    chamber.close()

    assert [state.state for state in lamp.states][before_close:] == [0.0]


def test_the_linux_bus_sends_and_reads_through_smbus2(mocker):
    """The four methods the driver asks for, over a stand-in for smbus2's own SMBus."""
    bus_class = mocker.patch("smbus2.SMBus")
    sent = []

    def transfer(message):
        sent.append((message.addr, bytes(message) if not message.flags else None))
        if message.flags:
            for n, byte in enumerate(sht31_frame(21.0, 60.0)[: message.len]):
                message.buf[n] = bytes([byte])

    bus_class.return_value.i2c_rdwr.side_effect = transfer
    temperature, humidity = AirSensor(LinuxBus(1), 0x45).read()

    assert temperature == pytest.approx(21.0, abs=0.002)
    assert humidity == pytest.approx(60.0, abs=0.001)
    assert (0x45, b"\x24\x00") in sent
    bus_class.assert_called_once_with(1)
