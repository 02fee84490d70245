"""Air temperature and relative humidity from the SHT31-D, over any I2C bus with the driver's four methods."""

import queue
import threading
from types import ModuleType
from typing import Any

import adafruit_sht31d

SENSOR_ERRORS = (OSError, RuntimeError, ValueError)  # unplugged; bad checksum; absent at start
READ_WITHIN_S = 0.5  # a measurement takes 0.02 s; with the loop's tick of 1 s this stays far below the pump's lease


class AirSensor:
    """Reads single measurements (the driver's periodic mode judges freshness by the wall clock, which may step).

    ``driver`` is the module adafruit_sht31d, or a private copy of it that sleeps on another clock.
    """

    def __init__(self, bus: Any, address: int, driver: ModuleType = adafruit_sht31d) -> None:
        self._bus = bus
        self._address = address
        self._driver = driver
        self._sensor: Any = None
        self.last_error = ""

    def read(self) -> tuple[float, float] | None:
        """(air_temperature_c, relative_humidity_pct), or None; ``last_error`` then says why."""
        try:
            if self._sensor is None:
                self._sensor = self._driver.SHT31D(self._bus, address=self._address)
            # The driver's two properties each start a conversion; this one gives both values of the same one.
            temperature_c, humidity_pct = self._sensor._read()
        except SENSOR_ERRORS as error:
            self.last_error = str(error) or type(error).__name__
            self._sensor = None  # opened afresh, with its reset, at the next sample
            return None
        if not isinstance(temperature_c, float) or not isinstance(humidity_pct, float):
            self.last_error = "not one measurement but several"  # a bus that gave more bytes than were asked for
            self._sensor = None
            return None
        return temperature_c, humidity_pct


class TimelyAirSensor:
    """An AirSensor read by a thread of its own, so that a bus that never answers holds nobody else up.

    A sensor may hold the bus's clock line for ever, and a read in the kernel then comes back late or not at all. The
    answer is None as soon as it is late, and at once while the read before it is still out; what comes late is
    dropped, since nobody knows of which moment it is.
    """

    def __init__(self, sensor: AirSensor, within_s: float = READ_WITHIN_S) -> None:
        self._sensor = sensor
        self._within_s = within_s
        self._asked: queue.SimpleQueue[bool] = queue.SimpleQueue()
        self._found: queue.SimpleQueue[tuple[float, float] | None] = queue.SimpleQueue()
        self._is_out = False
        self._late = False
        threading.Thread(target=self._answer, name="air sensor", daemon=True).start()

    def _answer(self) -> None:
        while self._asked.get():
            self._found.put(self._sensor.read())

    @property
    def last_error(self) -> str:
        return f"no answer within {self._within_s:g} s" if self._late else self._sensor.last_error

    def read(self) -> tuple[float, float] | None:
        """(air_temperature_c, relative_humidity_pct), or None; ``last_error`` then says why."""
        self._late = False
        try:
            if self._is_out:
                self._found.get_nowait()
            self._is_out = True
            self._asked.put(True)
            found = self._found.get(timeout=self._within_s)
        except queue.Empty:
            self._late = True
            return None
        self._is_out = False
        return found

    def close(self) -> None:
        """Let the thread end once nothing is out."""
        self._asked.put(False)
