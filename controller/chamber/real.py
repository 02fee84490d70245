"""The real chamber: the sensor on the Linux I2C bus, the computer's own pins, the board on its serial line.

Not run on hardware in this project's tests: those drive the same drivers over a fake bus, mock pins and a
pseudo-terminal. Wiring stands in hardware/.
"""

from typing import Any

from controller.chamber.air_sensor import AirSensor, TimelyAirSensor
from controller.chamber.board_line import BoardLineReader
from controller.chamber.computer_clock import ComputerClock
from controller.chamber.pins import LocalPins
from controller.chamber.seam import ButtonWasPressed, ClockReading, Happening, LocalProbeWentWet
from controller.control.model import Reading
from controller.errors import ChamberError
from controller.plan import Chamber


class LinuxBus:
    """An I2C bus of the Linux kernel with the four methods the sensor driver asks for."""

    def __init__(self, number: int) -> None:
        from smbus2 import SMBus, i2c_msg

        self._message = i2c_msg
        self._bus: Any = SMBus(number)

    def try_lock(self) -> bool:
        return True  # one thread decides; nobody else uses this bus

    def unlock(self) -> None:
        return

    def writeto(self, address: int, buffer: bytes, *, start: int = 0, end: int | None = None) -> None:
        self._bus.i2c_rdwr(self._message.write(address, bytes(buffer[start:end])))

    def readfrom_into(self, address: int, buffer: bytearray, *, start: int = 0, end: int | None = None) -> None:
        length = (len(buffer) if end is None else end) - start
        message = self._message.read(address, length)
        self._bus.i2c_rdwr(message)
        buffer[start : start + length] = bytes(message)

    def close(self) -> None:
        self._bus.close()


def open_bus(chamber: Chamber) -> LinuxBus:
    """The chamber's I2C bus; ChamberError with what to look at."""
    number = chamber.air_sensor.i2c_bus
    try:
        return LinuxBus(number)
    except ImportError as error:
        raise ChamberError("smbus2 is not installed; install wardian with the extra [board].") from error
    except OSError as error:
        raise ChamberError(f"I2C bus {number} (air_sensor.i2c_bus) cannot be opened: {error.strerror}.") from error


def open_factory() -> Any:
    """The pin library of this computer; ChamberError when there is none."""
    try:
        from gpiozero.pins.lgpio import LGPIOFactory

        return LGPIOFactory()
    except ImportError as error:
        raise ChamberError("lgpio is not installed; install wardian with the extra [board].") from error
    except Exception as error:  # lgpio raises its own bare error class
        raise ChamberError(f"The pins of this computer cannot be opened: {error}.") from error


class RealChamber:
    """The seam over hardware. Opening it moves nothing: lamp off, pump untouched."""

    def __init__(self, chamber: Chamber, *, bus: Any = None, factory: Any = None) -> None:
        self._happenings: list[Happening] = []
        self._clock = ComputerClock()
        self._bus = open_bus(chamber) if bus is None else bus
        self.air_sensor = TimelyAirSensor(AirSensor(self._bus, chamber.air_sensor.i2c_address))
        self.pins = LocalPins(chamber.pins, open_factory() if factory is None else factory, self._button_pressed)
        self._line = BoardLineReader(chamber.board.serial_port, chamber.board.baud)
        self._local_wet = False

    def now(self) -> ClockReading:
        return self._clock.now()

    def sample(self) -> Reading:
        pins = self.pins
        monotonic_ms = self._clock.now().monotonic_ms
        return self._line.counts.reading(self.air_sensor.read(), monotonic_ms, pins.leak_wet, pins.float_up)

    def set_lamp(self, duty_fraction: float) -> None:
        self.pins.set_lamp(duty_fraction)

    def set_status_lamp(self, pattern: str) -> None:
        self.pins.set_status_lamp(pattern)

    def send(self, kind: str, values: tuple[int | str, ...]) -> None:
        self._line.send(kind, values)

    def received(self) -> list[Happening]:
        found = self._happenings + self._line.received(self._clock.now().monotonic_ms)
        self._happenings = []
        wet = self.pins.leak_wet or self.pins.float_up
        if wet and not self._local_wet:
            found.insert(0, LocalProbeWentWet())
        self._local_wet = wet
        return found

    def _button_pressed(self) -> None:
        self._happenings.append(ButtonWasPressed())

    def close(self) -> None:
        self.pins.close()
        self._line.close()
        self.air_sensor.close()
        if hasattr(self._bus, "close"):
            self._bus.close()
