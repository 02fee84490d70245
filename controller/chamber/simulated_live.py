"""A simulated chamber on a passing clock, for ``wardian run --simulated``: its world outlives a killed controller.

The physics is kept in ``simulated.json`` beside the journal. The board is either the shipped program in this
process, its saved state in ``simulated-board``, or a separate process on a serial line (a stand): a folder with
``port``, the file ``probes`` that the board reads (four little-endian 16-bit counts: leak, overfill float,
reservoir float, moisture) and the file ``pulses`` that it counts steps into (64 bits, little-endian).
"""

import json
import math
import struct
import time
from pathlib import Path

from controller.chamber.board_line import BoardLineReader
from controller.chamber.box import SimulatedBox
from controller.chamber.computer_clock import ComputerClock
from controller.chamber.hurried_clock import FILE, HurriedClock
from controller.chamber.physics import Physics
from controller.chamber.seam import ButtonWasPressed, ClockReading, Happening
from controller.chamber.simulated import SimulatedChamber
from controller.control.model import Reading
from controller.errors import ChamberError
from controller.plan import Settings
from controller.whole_file import write_whole

KEEP_EVERY_S = 1.0
STRIDE_MS_MAX = 1_000  # a hurried clock passes no more at once, so the controller speaks to its board within a lease
WORLD = "simulated.json"
BOARD_MEMORY = "simulated-board"
KEPT = (
    "time_s",
    "air_temperature_c",
    "relative_humidity_pct",
    "on_top_ml",
    "in_medium_ml",
    "in_tray_ml",
    "drained_away_ml",
    "evaporated_ml",
    "pumped_ml",
    "reservoir_ml",
)
Clock = ComputerClock | HurriedClock


def keep_world(path: Path, physics: Physics, pulses: int) -> None:
    """Remember the physics, and how many of the board's pulses it has seen."""
    kept = {name: getattr(physics, name) for name in KEPT}
    write_whole(path, json.dumps({**kept, "pulses": pulses}).encode())


def recall_world(path: Path, physics: Physics) -> int:
    """Put a kept world back; answers the pulses it had seen, 0 for a new world."""
    if not path.exists():
        return 0
    try:
        kept = json.loads(path.read_bytes())
        values = [kept[name] for name in (*KEPT, "pulses")]
        if not all(type(value) in (int, float) and math.isfinite(value) for value in values):
            raise ValueError("a value is no number")
    except (OSError, ValueError, KeyError, TypeError, OverflowError, RecursionError) as error:
        words = f"the simulated world cannot be read ({error}); move it away to begin it anew"
        raise ChamberError(f"{path}: {words}.") from error
    for name in KEPT:
        setattr(physics, name, float(kept[name]))
    return int(kept["pulses"])


def passing_clock(folder: Path, chamber_s_per_s: int, *, own_board: bool) -> Clock:
    """The clock of a simulated chamber: the computer's own, unless this life or an earlier one was hurried.

    ``own_board`` when the board lives in this process and on this clock.
    """
    if chamber_s_per_s == 1 and not (folder / FILE).exists():
        return ComputerClock()
    return HurriedClock(folder, chamber_s_per_s, STRIDE_MS_MAX if own_board else None)


class SimulatedLive:
    """The seam with the board program in this process. A killed controller takes its board with it."""

    def __init__(self, settings: Settings, seed: int, folder: Path, clock: Clock) -> None:
        self._clock = clock
        self._begun_ms = clock.now().monotonic_ms
        memory = folder / BOARD_MEMORY
        saved = memory.read_bytes() if memory.exists() else None
        self.chamber = SimulatedChamber(
            settings, seed, self._clock.now().utc_ms, saved, lambda line: write_whole(memory, line)
        )
        self._world = folder / WORLD
        recall_world(self._world, self.chamber.box.physics)
        self._kept_s = time.monotonic()

    def _advance(self) -> None:
        self.chamber.advance_to(self._clock.now().monotonic_ms - self._begun_ms)
        now_s = time.monotonic()
        if now_s - self._kept_s >= KEEP_EVERY_S:
            self._kept_s = now_s
            keep_world(self._world, self.chamber.box.physics, 0)

    def now(self) -> ClockReading:
        return self._clock.now()

    def sample(self) -> Reading:
        self._advance()
        return self.chamber.sample()

    def set_lamp(self, duty_fraction: float) -> None:
        self.chamber.set_lamp(duty_fraction)

    def set_status_lamp(self, pattern: str) -> None:
        self.chamber.set_status_lamp(pattern)

    def send(self, kind: str, values: tuple[int | str, ...]) -> None:
        self.chamber.send(kind, values)

    def received(self) -> list[Happening]:
        self._advance()
        return self.chamber.received()

    def close(self) -> None:
        self._clock.keep()
        keep_world(self._world, self.chamber.box.physics, 0)
        self.chamber.close()


class SimulatedOnStand:
    """The seam over a board of its own process. The board goes on when the controller is killed."""

    def __init__(self, settings: Settings, seed: int, folder: Path, stand: Path, clock: Clock) -> None:
        self._clock = clock
        self._happenings: list[Happening] = []
        self.box = SimulatedBox(settings, seed, lambda: self._happenings.append(ButtonWasPressed()))
        self._stand = stand
        self._line = BoardLineReader(str(stand / "port"), settings.chamber.board.baud)
        self._world = folder / WORLD
        self._pulses = recall_world(self._world, self.box.physics)
        self._last_ms = clock.now().monotonic_ms
        self._kept_s = time.monotonic()

    def _advance(self) -> None:
        now_ms = self._clock.now().monotonic_ms
        physics = self.box.physics
        pulses = struct.unpack("<Q", (self._stand / "pulses").read_bytes()[:8])[0]
        physics.turn(pulses - self._pulses)
        physics.advance((now_ms - self._last_ms) / 1000)
        self._pulses, self._last_ms = pulses, now_ms
        with (self._stand / "probes").open("r+b") as probes:
            probes.write(struct.pack("<4H", *self.box.probe_counts()))
        now_s = time.monotonic()
        if now_s - self._kept_s >= KEEP_EVERY_S:
            self._kept_s = now_s
            keep_world(self._world, physics, self._pulses)

    def now(self) -> ClockReading:
        return self._clock.now()

    def sample(self) -> Reading:
        self._advance()
        pins = self.box.pins
        return self._line.counts.reading(
            self.box.air_sensor.read(), self._clock.now().monotonic_ms, pins.leak_wet, pins.float_up
        )

    def set_lamp(self, duty_fraction: float) -> None:
        self.box.set_lamp(duty_fraction)

    def set_status_lamp(self, pattern: str) -> None:
        self.box.pins.set_status_lamp(pattern)

    def send(self, kind: str, values: tuple[int | str, ...]) -> None:
        self._line.send(kind, values)

    def received(self) -> list[Happening]:
        self._advance()
        found = self._happenings + self._line.received(self._clock.now().monotonic_ms)
        self._happenings = []
        return found

    def close(self) -> None:
        self._clock.keep()
        keep_world(self._world, self.box.physics, self._pulses)
        self._line.close()
        self.box.close()
