"""The pins of the board on a stand, for MicroPython's Unix port: files in the working folder instead of wires.

``probes``: four little-endian 16-bit counts of a 12-bit converter: leak, overfill float, reservoir float, moisture.
``pulses``: one little-endian 64-bit count of the STEP pulses that reached an enabled driver, ever.
``runaway``: while this file is there, the rotor turns though no pulse reaches the driver.
``fed``: the watchdog's time limit in ms and how often it was fed, two little-endian 32-bit numbers; the stand kills
a board that does not feed it in time.
"""

import os
import struct

STEP_PIN, ENABLE_PIN = 2, 4  # as in firmware_bridge/main.py; a test compares them
FIRST_PROBE_PIN = 26
PULSES_PER_EDGE = 4  # of the rotor sensor, if the program reads one


class Pin:
    OUT, IN, PULL_UP, IRQ_RISING = 1, 0, 1, 4
    levels = {}  # noqa: RUF012 (MicroPython has no ClassVar)
    on_edge = None
    pulses_file = None
    pulses = 0

    def __init__(self, number, mode, pull=None, value=1):
        self._number = number
        if number == STEP_PIN:
            with open("pulses", "rb") as file:
                Pin.pulses = struct.unpack("<Q", file.read(8))[0]
            Pin.pulses_file = open("pulses", "r+b")  # noqa: SIM115 (open as long as the board lives)
        self.levels[number] = value

    def value(self, level=None):
        if level is None:
            return self.levels[self._number]
        rising = level and not self.levels[self._number]
        self.levels[self._number] = level
        if rising and self._number == STEP_PIN and not self.levels[ENABLE_PIN]:
            Pin.pulses += 1
            _overwrite(Pin.pulses_file, struct.pack("<Q", Pin.pulses))
            if Pin.on_edge and Pin.pulses % PULSES_PER_EDGE == 0:
                Pin.on_edge(self)
        return None

    def irq(self, handler, trigger):
        Pin.on_edge = handler


class ADC:
    def __init__(self, number):
        self._offset = 2 * (number - FIRST_PROBE_PIN)
        self._file = open("probes", "rb")  # noqa: SIM115

    def read_u16(self):
        if Pin.on_edge and "runaway" in os.listdir():
            Pin.on_edge(self)
        self._file.seek(self._offset)
        counts = struct.unpack("<H", self._file.read(2))[0]
        return (counts << 4) | (counts >> 8)  # 12 bits spread over 16, as the port of a microcontroller does


class WDT:
    def __init__(self, timeout):
        self._timeout_ms = timeout
        self._fed = 0
        self._file = open("fed", "r+b")  # noqa: SIM115
        self.feed()

    def feed(self):
        self._fed = (self._fed + 1) & 0xFFFFFFFF
        _overwrite(self._file, struct.pack("<II", self._timeout_ms, self._fed))


def _overwrite(file, data):
    file.seek(0)
    file.write(data)
    file.flush()
