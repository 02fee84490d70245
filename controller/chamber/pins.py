"""The devices on the single-board computer's own pins, over whichever pin factory is handed in."""

from collections.abc import Callable
from typing import Any

from gpiozero import LED, PWMLED, Button, DigitalInputDevice

from controller.control.model import STATUS_FAST, STATUS_SLOW
from controller.plan import Pins

LAMP_PULSE_HZ = 200
BUTTON_HOLD_S = 0.05


class LocalPins:
    """Lamp, status lamp, acknowledge button and the second pair of water probes.

    The leak and float contacts close to ground when dry and are pulled up, so water, a raised float and a cut wire
    all read as wet.
    """

    def __init__(self, pins: Pins, factory: Any, on_button: Callable[[], None]) -> None:
        self._lamp = PWMLED(pins.lamp, frequency=LAMP_PULSE_HZ, initial_value=0, pin_factory=factory)
        self._status = LED(pins.status_lamp, pin_factory=factory)
        self._button = Button(pins.acknowledge_button, pull_up=True, pin_factory=factory)
        self._leak = DigitalInputDevice(pins.leak, pull_up=True, pin_factory=factory)
        self._float = DigitalInputDevice(pins.overfill_float, pull_up=True, pin_factory=factory)
        self._button.when_pressed = on_button

    def set_lamp(self, duty_fraction: float) -> None:
        self._lamp.value = duty_fraction

    @property
    def lamp_duty_fraction(self) -> float:
        return float(self._lamp.value)

    def set_status_lamp(self, pattern: str) -> None:
        """Steady light, one blink in two seconds, or four a second."""
        if pattern == STATUS_FAST:
            self._status.blink(on_time=0.125, off_time=0.125)
        elif pattern == STATUS_SLOW:
            self._status.blink(on_time=1.0, off_time=1.0)
        else:
            self._status.on()

    @property
    def leak_wet(self) -> bool:
        """True unless the dry contact holds the line to ground."""
        return not self._leak.is_active

    @property
    def float_up(self) -> bool:
        return not self._float.is_active

    def close(self) -> None:
        """Lamp off, then give the pins back."""
        self._lamp.off()
        for device in (self._lamp, self._status, self._button, self._leak, self._float):
            device.close()
