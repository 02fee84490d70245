"""Looks at every part of a chamber before any water moves, and says what is wrong in a technician's words."""

import os
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

from controller.chamber.air_sensor import AirSensor, TimelyAirSensor
from controller.chamber.board_line import BoardLineReader
from controller.chamber.computer_clock import is_disciplined
from controller.chamber.pins import LocalPins
from controller.chamber.real import open_bus, open_factory
from controller.chamber.seam import LineLost, MessageReceived
from controller.control.words import trip_words
from controller.errors import ChamberError
from controller.judging.headroom import HEADROOM_PCT, narrow_limits
from controller.plan import Chamber
from firmware_bridge import interlocks, limits, messages

BOARD_ANSWERS_S = 3.0
FREE_BYTES_MIN = 500_000_000  # a season at 10 s with room to spare
SETTLED_COUNTS = 40
NO_JOURNAL = 0  # whoever greets the board with this never asks for water


class Finding(NamedTuple):
    """One thing that was looked at."""

    part: str
    well: bool
    words: str


def check_chamber(
    chamber: Chamber,
    folder: Path,
    *,
    bus: Any = None,
    factory: Any = None,
    port: str | None = None,
    clock: Callable[[], float] = time.monotonic,
    pause: Callable[[float], None] = time.sleep,
) -> Iterator[Finding]:
    """Look at one part after another; a part that fails hides none of the others. Moves no water, lights no lamp.

    ``bus``, ``factory`` and ``port`` stand in for the computer's own when given.
    """
    yield _check_clock()
    yield _check_disk(folder)
    yield _check_limits(chamber)
    yield _check_air(chamber, bus)
    yield from _check_pins(chamber, factory)
    yield from _check_board(chamber, port or chamber.board.serial_port, clock, pause)


def _check_clock() -> Finding:
    if is_disciplined():
        return Finding("clock", True, "The clock is set by network time.")
    return Finding(
        "clock",
        False,
        "The clock has no network time: records will be marked as untrusted until it comes. "
        "Look at the network cable or the time service.",
    )


def _check_disk(folder: Path) -> Finding:
    place = folder
    while not place.exists():
        place = place.parent
    if not os.access(place, os.W_OK):
        return Finding("disk", False, f"{place} cannot be written: look at who owns it and whether it is read-only.")
    free = shutil.disk_usage(place).free
    if free < FREE_BYTES_MIN:
        return Finding("disk", False, f"{place} has only {free / 1e6:.0f} MB free; make {FREE_BYTES_MIN / 1e6:.0f} MB.")
    return Finding("disk", True, f"{place} can be written and has {free / 1e9:.1f} GB free.")


def _check_limits(chamber: Chamber) -> Finding:
    narrow = list(narrow_limits(chamber))
    if narrow:
        return Finding("limits", False, " ".join(narrow))
    return Finding("limits", True, f"The limits leave {HEADROOM_PCT:g} % or more to a new pump calibration.")


def _check_air(chamber: Chamber, bus: Any) -> Finding:
    address = f"0x{chamber.air_sensor.i2c_address:02X}"
    try:
        bus = open_bus(chamber) if bus is None else bus
        sensor = TimelyAirSensor(AirSensor(bus, chamber.air_sensor.i2c_address))
    except ChamberError as error:
        return Finding("air sensor", False, str(error))
    pair = sensor.read()
    sensor.close()
    if pair is None:
        return Finding(
            "air sensor",
            False,
            f"The humidity sensor at I2C address {address} does not answer ({sensor.last_error}): "
            "look at its plug, its four wires and air_sensor.i2c_address.",
        )
    return Finding("air sensor", True, f"Air is {pair[0]:.1f} C at {pair[1]:.0f} % relative humidity.")


def _check_pins(chamber: Chamber, factory: Any) -> Iterator[Finding]:
    try:
        pins = LocalPins(chamber.pins, open_factory() if factory is None else factory, lambda: None)
    except ChamberError as error:
        yield Finding("pins", False, str(error))
        return
    yield Finding("pins", True, "Lamp, status lamp and button pins are free; the lamp is off.")
    yield Finding(
        "own leak probe",
        not pins.leak_wet,
        f"The computer's own leak probe (pin {chamber.pins.leak}) reads wet or its wire is cut."
        if pins.leak_wet
        else "The computer's own leak probe is dry and whole.",
    )
    yield Finding(
        "own overfill float",
        not pins.float_up,
        f"The computer's own overfill float (pin {chamber.pins.overfill_float}) is up or its wire is cut."
        if pins.float_up
        else "The computer's own overfill float hangs free and whole.",
    )
    pins.close()


def _check_board(
    chamber: Chamber, port: str, clock: Callable[[], float], pause: Callable[[float], None]
) -> Iterator[Finding]:
    if not Path(port).exists():
        words = f"There is no port {port} (board.serial_port): look at the board's cable and power, and at the name."
        yield Finding("board", False, words)
        return
    line = BoardLineReader(port, chamber.board.baud)
    try:
        heard = _greet(line, clock, pause)
    finally:
        line.close()
    if isinstance(heard, str):
        yield Finding("board", False, f"The board on {port} (board.serial_port) cannot be reached: {heard}.")
        return
    greeting, report = heard
    if greeting is None:
        yield Finding("board", False, f"{port} is open but no board answers: look at its power and its program.")
        return
    if greeting[4] != limits.PROTOCOL or greeting[5] != messages.LIMITS_CHECKSUM:
        yield Finding(
            "board",
            False,
            "The board was flashed with other limits or another version than this program: flash it again. "
            "Until then there is logging without water.",
        )
    else:
        boots = messages.boots_of(messages.number(greeting, "session"))
        yield Finding("board", True, f"The board answers, holds the same limits and has started {boots} times.")
    if report is not None:
        yield from _check_report(chamber, report)


_Message = tuple[str | int | None, ...]


def _greet(
    line: BoardLineReader, clock: Callable[[], float], pause: Callable[[float], None]
) -> str | tuple[_Message | None, _Message | None]:
    """(greeting, report) of the board, each None when it did not come; or why the line is down."""
    began_s = clock()
    greeting: _Message | None = None
    report: _Message | None = None
    said_s = -1.0
    while clock() - began_s < BOARD_ANSWERS_S and (greeting is None or report is None):
        for happening in line.received(int(clock() * 1000)):
            if isinstance(happening, LineLost):
                return happening.detail
            if isinstance(happening, MessageReceived):
                greeting = happening.message if happening.message[0] == "board" else greeting
                report = happening.message if happening.message[0] == "report" else report
        if clock() - began_s - said_s >= 1.0:
            said_s = clock() - began_s
            line.send("hello", (limits.PROTOCOL, messages.LIMITS_CHECKSUM, NO_JOURNAL, 1 + int(began_s * 1000)))
        pause(0.02)
    return greeting, report


def _check_report(chamber: Chamber, report: _Message) -> Iterator[Finding]:
    trip_reason = messages.word(report, "trip_reason")
    leak, overfill, reservoir, moisture = (
        messages.number(report, f"{probe}_counts") for probe in ("leak", "float", "reservoir", "moisture")
    )
    fault = interlocks.probe_fault(leak, overfill, reservoir)
    if fault is None:
        yield Finding("board's probes", True, "Leak probe and float are dry and whole; the reservoir has water.")
    else:
        yield Finding("board's probes", False, trip_words(fault))
    if trip_reason is not None:
        yield Finding("board's latch", False, f"The board is tripped: {trip_words(str(trip_reason))}")
    probe = chamber.moisture_probe
    low, high = sorted((probe.dry_count, probe.wet_count))
    content = probe.water_content_fraction(moisture)
    if low - SETTLED_COUNTS <= moisture <= high + SETTLED_COUNTS:
        yield Finding("moisture probe", True, f"The medium reads {content:.2f} water by volume ({moisture} counts).")
    else:
        yield Finding(
            "moisture probe",
            False,
            f"The moisture probe reads {moisture} counts, outside its calibration ({low} to {high}): "
            "look at its plug, or calibrate it in this medium.",
        )
