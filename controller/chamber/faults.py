"""Faults of a rehearsal, by name and time: ``leak@3d02h``, ``clock-step@1d``, ``sensor-stale@36h30m``."""

import re
from collections.abc import Callable
from typing import NamedTuple

from controller.chamber.simulated import SimulatedChamber
from controller.errors import SettingsError
from controller.records.journal import Journal

CLOCK_STEP_MS = 2 * 3_600_000
LASTS_MS = 6 * 3_600_000


class Fault(NamedTuple):
    """A fault and when it strikes, in milliseconds after the rehearsal began."""

    name: str
    at_ms: int


_TIME = re.compile(r"(?:(\d{1,3})d)?(?:(\d{1,3})h)?(?:(\d{1,3})m)?")

# name -> what it is, in plain words
FAULTS = {
    "leak": "the tray leaks onto the probe",
    "probe-wire-open": "the leak probe's wire is cut",
    "float-stuck": "the overfill float sticks in its upper position",
    "sensor-stale": "the air sensor and the moisture probe repeat their last reading",
    "probe-loose": "the moisture probe has lost touch with the medium: each dose passes it, and it reads dry again",
    "sensor-unplugged": "the air sensor is unplugged",
    "sensor-garbled": "the air sensor's bytes arrive with wrong checksums",
    "tube-off": "the tube slips off the pump's outlet",
    "reservoir-empty": "the reservoir runs dry",
    "clock-step": "the wall clock jumps two hours ahead, until network time mends it six hours later",
    "board-reset": "the board restarts",
    "board-reset-in-dose": "the board restarts at the next moment at which the pump turns",
    "board-forgets": "the board restarts and has lost its memory",
    "line-unplugged": "the serial line is pulled for a moment",
    "disk-full": "the disk is full for six hours",
    "room-hot": "the room heats up by 22 C for six hours",
}


def parse_fault(text: str) -> Fault:
    """``NAME@TIME`` with TIME like 3d02h, 90m or 5d; SettingsError with one sentence when it is not."""
    name, sign, time_text = text.partition("@")
    if name not in FAULTS:
        raise SettingsError((f"--fault {text}: there is no fault {name!r}; choose from {', '.join(FAULTS)}.",))
    found = _TIME.fullmatch(time_text)
    if not sign or not time_text or found is None:
        raise SettingsError((f"--fault {text}: write the time as days, hours, minutes, for example {name}@3d02h.",))
    days, hours, minutes = (int(part or 0) for part in found.groups())
    return Fault(name, ((days * 24 + hours) * 60 + minutes) * 60_000)


class Strike:
    """Carries faults out on a simulated chamber, and mends what a person would mend."""

    def __init__(self, chamber: SimulatedChamber, journal: Journal) -> None:
        self._chamber = chamber
        self._journal = journal
        self._waiting_for_dose = False

    def strike(self, name: str) -> tuple[int, Callable[[], None]] | None:
        """Do it now. Answers (after how many ms, what) must follow, or None."""
        chamber = self._chamber
        physics = chamber.box.physics
        bus = chamber.box.bus
        if name == "leak":
            physics.leaking = True
            chamber.box.drive_local_probes(leak_wet=True, float_up=False)
        elif name == "probe-wire-open":
            chamber.box.leak_wire_open = True
        elif name == "float-stuck":
            physics.float_stuck_up = True
        elif name == "sensor-stale":
            bus.frozen = True
            chamber.box.freeze_moisture()
        elif name == "probe-loose":
            chamber.box.moisture_loose = True
        elif name == "sensor-unplugged":
            bus.unplugged = True
        elif name == "sensor-garbled":
            bus.bad_checksum = True
        elif name == "tube-off":
            physics.tube_off = True
        elif name == "reservoir-empty":
            physics.reservoir_ml = 0.0
        elif name == "clock-step":
            chamber.step_wall_clock(CLOCK_STEP_MS, utc_trusted=False)
            return LASTS_MS, lambda: chamber.step_wall_clock(-CLOCK_STEP_MS, utc_trusted=True)
        elif name == "board-reset":
            chamber.reset_board()
        elif name == "board-reset-in-dose":
            self._waiting_for_dose = True
        elif name == "board-forgets":
            chamber.reset_board(lose_memory=True)
        elif name == "line-unplugged":
            chamber.unplug_line()
        elif name == "disk-full":
            self._journal.hold_file_size(True)
            return LASTS_MS, lambda: self._journal.hold_file_size(False)
        elif name == "room-hot":
            physics.room_offset_c = 22.0

            def cool() -> None:
                physics.room_offset_c = 0.0

            return LASTS_MS, cool
        return None

    def watch_pump(self) -> None:
        """Called while water moves: the fault that waits for a turning pump strikes here."""
        if self._waiting_for_dose and self._chamber.pump_is_turning:
            self._waiting_for_dose = False
            self._chamber.reset_board()

    def mend(self, told: frozenset[str]) -> list[str]:
        """A person mends what the chamber told of (trips and alarms by name); answers what, in plain words."""
        chamber = self._chamber
        physics = chamber.box.physics
        bus = chamber.box.bus
        mended: list[str] = []
        if "leak_wet" in told:
            physics.leaking = False
            chamber.box.drive_local_probes(leak_wet=False, float_up=False)
            mended.append("sealed the tray and dried the probe")
        if "leak_wire_open" in told:
            chamber.box.leak_wire_open = False
            mended.append("joined the leak probe's wire")
        if "overfill_float_up" in told:
            physics.float_stuck_up = False
            mended.append("freed the float")
        if told & {"air_temperature_untrusted", "relative_humidity_untrusted", "moisture_untrusted"}:
            bus.frozen = bus.unplugged = bus.bad_checksum = False
            chamber.box.moisture_frozen_counts = None
            mended.append("reseated the sensors")
        if "dose_without_effect" in told:
            physics.tube_off = False
            mended.append("pushed the tube back on")
        if "reservoir_empty" in told:
            physics.reservoir_ml = chamber.box.settings.chamber.limits.reservoir_ml
            mended.append("filled the reservoir")
        return mended
