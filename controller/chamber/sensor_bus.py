"""An I2C bus with the humidity sensor of a simulated chamber on it, byte for byte as the data sheet has it."""

import importlib.util
from types import ModuleType, SimpleNamespace

from controller.chamber.physics import Physics


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
