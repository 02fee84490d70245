"""A chamber that exists only here: the real driver, pins library and board program over a simulated physics."""

import importlib.util
from types import ModuleType, SimpleNamespace
from typing import Any

from gpiozero.pins.mock import MockFactory, MockPWMPin

from controller.chamber.air_sensor import AirSensor
from controller.chamber.physics import Physics
from controller.chamber.pins import LocalPins
from controller.chamber.seam import (
    BoardCounts,
    ButtonWasPressed,
    ClockReading,
    Happening,
    LineFound,
    LineLost,
    MessageReceived,
)
from controller.control.model import Reading
from controller.plan import Settings
from firmware_bridge import interlocks, limits, messages
from firmware_bridge.board import Board, fresh_saved_line

IDLE_PHYSICS_MS = 10_000
TURNING_PHYSICS_MS = 1_000
MOISTURE_NOISE_COUNTS = 4.0


def driver_on_virtual_time() -> ModuleType:
    """A private copy of the sensor driver whose sleeps cost nothing; the shared module stays as it is."""
    spec = importlib.util.find_spec("adafruit_sht31d")
    assert spec is not None
    assert spec.loader is not None
    driver = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(driver)
    driver.time = SimpleNamespace(sleep=lambda seconds: None, time=lambda: 0.0)  # type: ignore[attr-defined]
    return driver


def sht31_checksum(word: bytes) -> int:
    """CRC-8/NRSC-5 as the SHT3x data sheet (version 5, section 4.12) uses it: polynomial 0x31, start 0xFF."""
    crc = 0xFF
    for byte in word:
        crc ^= byte
        for _ in range(8):
            crc = ((crc << 1) ^ 0x31) & 0xFF if crc & 0x80 else (crc << 1) & 0xFF
    return crc


_CHECKSUMS: dict[int, bytes] = {}


def _word_with_checksum(value: int) -> bytes:
    found = _CHECKSUMS.get(value)
    if found is None:
        word = value.to_bytes(2, "big")
        found = _CHECKSUMS[value] = word + bytes([sht31_checksum(word)])
    return found


def sht31_frame(air_temperature_c: float, relative_humidity_pct: float) -> bytes:
    """The six bytes a sensor sends (SHT3x data sheet, version 5, sections 4.4 and 4.13)."""
    temperature_word = min(65535, max(0, round((air_temperature_c + 45.0) / 175.0 * 65535)))
    humidity_word = min(65535, max(0, round(relative_humidity_pct / 100.0 * 65535)))
    return _word_with_checksum(temperature_word) + _word_with_checksum(humidity_word)


class SimulatedBus:
    """An I2C bus with one humidity sensor on it, which can be unplugged, frozen or made to send bad checksums."""

    def __init__(self, physics: Physics) -> None:
        self._physics = physics
        self.unplugged = False
        self.frozen = False
        self.bad_checksum = False
        self._frame = sht31_frame(20.0, 50.0)

    def try_lock(self) -> bool:
        return True

    def unlock(self) -> None:
        return

    def writeto(self, address: int, buffer: bytes, *, start: int = 0, end: int | None = None) -> None:
        if self.unplugged:
            raise OSError(121, "Remote I/O error")
        if len(buffer) == 2 and not self.frozen:
            physics = self._physics
            self._frame = sht31_frame(
                physics.air_temperature_c + physics.chance.gauss(0.0, 0.02),
                physics.relative_humidity_pct + physics.chance.gauss(0.0, 0.08),
            )

    def readfrom_into(self, address: int, buffer: bytearray, *, start: int = 0, end: int | None = None) -> None:
        if self.unplugged:
            raise OSError(121, "Remote I/O error")
        frame = self._frame
        if self.bad_checksum:
            frame = frame[:2] + bytes([frame[2] ^ 0xFF]) + frame[3:]
        length = min(len(buffer), len(frame))
        buffer[:length] = frame[:length]


class SimulatedChamber:
    """The seam over a physics. ``advance_to`` moves its time; everything else answers for that moment."""

    def __init__(self, settings: Settings, seed: int, start_utc_ms: int) -> None:
        self.settings = settings
        self.physics = Physics(settings, seed)
        self.bus = SimulatedBus(self.physics)
        self.monotonic_ms = 0
        self._start_utc_ms = start_utc_ms
        self._utc_offset_ms = start_utc_ms
        self.utc_trusted = True
        self._pins_factory = MockFactory(pin_class=MockPWMPin)
        self._happenings: list[Happening] = []
        self._pins = LocalPins(settings.chamber.pins, self._pins_factory, self._button_pressed)
        self.drive_local_probes(leak_wet=False, float_up=False)
        self._air_sensor = AirSensor(self.bus, settings.chamber.air_sensor.i2c_address, driver_on_virtual_time())
        self._counts = BoardCounts()
        self.saved_line: bytes | None = fresh_saved_line()
        # faults that live between physics and board
        self.leak_wire_open = False
        self.moisture_frozen_counts: int | None = None
        self._board = self._boot_board()
        self._line_open = False
        self._rotor_steps = 0
        self._to_board: list[bytes] = []

    # -- time ----

    def now(self) -> ClockReading:
        return ClockReading(self.monotonic_ms + self._utc_offset_ms, self.monotonic_ms, self.utc_trusted)

    @property
    def true_utc_ms(self) -> int:
        """UTC as it is outside, whatever the wall clock shows."""
        return self.monotonic_ms + self._start_utc_ms

    def step_wall_clock(self, difference_ms: int, utc_trusted: bool) -> None:
        """The wall clock jumps; the monotonic one does not."""
        self._utc_offset_ms += difference_ms
        self.utc_trusted = utc_trusted

    def advance_to(self, monotonic_ms: int) -> None:
        """Let time pass: in board ticks while the pump turns, in longer strides while it rests."""
        while self.monotonic_ms < monotonic_ms:
            left_ms = monotonic_ms - self.monotonic_ms
            self._deliver_to_board()
            if self._board.law.state in (interlocks.SAVING, interlocks.TURNING):
                self._advance_turning(min(left_ms, TURNING_PHYSICS_MS))
            else:
                stride_ms = min(left_ms, IDLE_PHYSICS_MS)
                self.monotonic_ms += stride_ms
                self.physics.advance(stride_ms / 1000.0)
                self._tick_board(stride_ms)
        self._deliver_to_board()

    def _advance_turning(self, span_ms: int) -> None:
        done_ms = 0
        while done_ms < span_ms:
            tick_ms = min(limits.TICK_MS, span_ms - done_ms)
            self.monotonic_ms += tick_ms
            done_ms += tick_ms
            self._tick_board(tick_ms)
            if self._board.law.state not in (interlocks.SAVING, interlocks.TURNING):
                break
        self.physics.advance(done_ms / 1000.0)

    # -- the board ----

    def _boot_board(self) -> Board:
        board = Board(self.saved_line)
        self.saved_line = board.take_to_save() or self.saved_line
        board.tick(0, *self._probe_counts(), 0)  # like the real one, it looks before it speaks
        return board

    def reset_board(self, *, lose_memory: bool = False) -> None:
        """Power the board off and on; bytes under way are lost."""
        if lose_memory:
            self.saved_line = None
        self._to_board.clear()
        self._rotor_steps = 0
        self._board = self._boot_board()

    def freeze_moisture(self) -> None:
        """From now on the moisture probe repeats what it reads at this moment."""
        self.moisture_frozen_counts = self._probe_counts()[3]

    @property
    def pump_is_turning(self) -> bool:
        return bool(self._board.law.state == interlocks.TURNING)

    def _probe_counts(self) -> tuple[int, int, int, int]:
        physics = self.physics
        leak = 4095 if self.leak_wire_open else (600 if physics.leaking else 2000)
        overfill = 600 if physics.float_up else 2000
        reservoir = 4095 if physics.reservoir_low else 1000
        if self.moisture_frozen_counts is not None:
            return leak, overfill, reservoir, self.moisture_frozen_counts
        probe = self.settings.chamber.moisture_probe
        span = (physics.water_content_fraction - probe.dry_fraction) / (probe.wet_fraction - probe.dry_fraction)
        clean = probe.dry_count + span * (probe.wet_count - probe.dry_count)
        moisture = round(clean + physics.chance.gauss(0.0, MOISTURE_NOISE_COUNTS))
        return leak, overfill, reservoir, min(4095, max(0, moisture))

    def _deliver_to_board(self) -> None:
        if self._to_board:
            for data in self._to_board:
                self._board.receive(data)
            self._to_board.clear()
            self._save()

    def _tick_board(self, elapsed_ms: int) -> None:
        leak, overfill, reservoir, moisture = self._probe_counts()
        board = self._board
        steps = board.tick(elapsed_ms, leak, overfill, reservoir, moisture, self._rotor_steps)
        self._save()
        self.physics.turn(steps)
        self._rotor_steps = steps

    def _save(self) -> None:
        line = self._board.take_to_save()
        if line is not None:
            self.saved_line = line
            self._board.intent_saved()

    # -- the seam ----

    def sample(self) -> Reading:
        if self._line_open:
            self._board.receive(messages.encode("ask"))
            self._take_from_board(into=None)
        pins = self._pins
        return self._counts.reading(self._air_sensor.read(), self.monotonic_ms, pins.leak_wet, pins.float_up)

    def set_lamp(self, duty_fraction: float) -> None:
        self._pins.set_lamp(duty_fraction)
        self.physics.lamp_duty_fraction = self._pins.lamp_duty_fraction

    def set_status_lamp(self, pattern: str) -> None:
        self._pins.set_status_lamp(pattern)

    def send(self, kind: str, values: tuple[int | str, ...]) -> None:
        if self._line_open:
            self._to_board.append(messages.encode(kind, *values))

    def received(self) -> list[Happening]:
        if not self._line_open:
            self._line_open = True
            self._happenings.append(LineFound())
        self._deliver_to_board()
        self._take_from_board(into=self._happenings)
        found, self._happenings = self._happenings, []
        return found

    def _take_from_board(self, into: list[Happening] | None) -> None:
        output = self._board.take_output()
        if not output:
            return
        keep = self._happenings if into is None else into
        for line in output.split(b"\n"):
            message = messages.decode(line)
            if message is not None:
                self._counts.note(message, self.monotonic_ms)
                keep.append(MessageReceived(message))

    def unplug_line(self) -> None:
        """The serial line goes; it is found again when next asked for."""
        self._line_open = False
        self._counts.forget()
        self._happenings.append(LineLost("unplugged"))

    def _button_pressed(self) -> None:
        self._happenings.append(ButtonWasPressed())

    def drive_local_probes(self, *, leak_wet: bool, float_up: bool) -> None:
        """Move the second pair of probes, wired to the single-board computer."""
        for number, wet in (
            (self.settings.chamber.pins.leak, leak_wet),
            (self.settings.chamber.pins.overfill_float, float_up),
        ):
            pin: Any = self._pins_factory.pin(number)
            if pin.state != int(wet):
                pin.drive_high() if wet else pin.drive_low()

    def close(self) -> None:
        self._pins.close()
        self._pins_factory.close()
