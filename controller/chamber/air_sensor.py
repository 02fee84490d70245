"""Air temperature and relative humidity from the SHT31-D, over any I2C bus with the driver's four methods."""

from types import ModuleType
from typing import Any

import adafruit_sht31d

SENSOR_ERRORS = (OSError, RuntimeError, ValueError)  # unplugged; bad checksum; absent at start


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
