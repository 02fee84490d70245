"""What a simulated chamber holds besides its board: physics, sensor bus, mock pins, and what can go wrong."""

from collections.abc import Callable
from typing import Any

from gpiozero.pins.mock import MockFactory, MockPWMPin

from controller.chamber.air_sensor import AirSensor
from controller.chamber.physics import WILTING_FRACTION, Physics
from controller.chamber.pins import LocalPins
from controller.chamber.sensor_bus import SimulatedBus, driver_on_virtual_time
from controller.plan import Settings

MOISTURE_NOISE_COUNTS = 4.0
DRY_COUNTS, WET_COUNTS, OPEN_COUNTS, WATER_PRESENT_COUNTS = 2000, 600, 4095, 1000


class SimulatedBox:
    """Real driver and pins library over a simulated physics; faults are set on it from outside."""

    def __init__(self, settings: Settings, seed: int, on_button: Callable[[], None]) -> None:
        self.settings = settings
        self.physics = Physics(settings, seed)
        self.bus = SimulatedBus(self.physics)
        self.leak_wire_open = False
        self.moisture_frozen_counts: int | None = None
        self.moisture_loose = False
        self._factory = MockFactory(pin_class=MockPWMPin)
        self.pins = LocalPins(settings.chamber.pins, self._factory, on_button)
        self.drive_local_probes(leak_wet=False, float_up=False)
        self.air_sensor = AirSensor(self.bus, settings.chamber.air_sensor.i2c_address, driver_on_virtual_time())

    def probe_counts(self) -> tuple[int, int, int, int]:
        """What the board's converter sees now: leak, overfill float, reservoir float, moisture."""
        physics = self.physics
        leak = OPEN_COUNTS if self.leak_wire_open else (WET_COUNTS if physics.leaking else DRY_COUNTS)
        overfill = WET_COUNTS if physics.float_up else DRY_COUNTS
        reservoir = OPEN_COUNTS if physics.reservoir_low else WATER_PRESENT_COUNTS
        if self.moisture_frozen_counts is not None:
            return leak, overfill, reservoir, self.moisture_frozen_counts
        probe = self.settings.chamber.moisture_probe
        content = physics.water_content_fraction
        if self.moisture_loose:  # dry crumbs, and for a while the water that ran past it
            content = WILTING_FRACTION + physics.fresh_ml / physics.bed_ml
        share = (content - probe.dry_fraction) / (probe.wet_fraction - probe.dry_fraction)
        clean = probe.dry_count + share * (probe.wet_count - probe.dry_count)
        moisture = round(clean + physics.chance.gauss(0.0, MOISTURE_NOISE_COUNTS))
        return leak, overfill, reservoir, min(4095, max(0, moisture))

    def freeze_moisture(self) -> None:
        """From now on the moisture probe repeats what it reads at this moment."""
        self.moisture_frozen_counts = self.probe_counts()[3]

    def set_lamp(self, duty_fraction: float) -> None:
        self.pins.set_lamp(duty_fraction)
        self.physics.lamp_duty_fraction = self.pins.lamp_duty_fraction

    def drive_local_probes(self, *, leak_wet: bool, float_up: bool) -> None:
        """Move the second pair of probes, wired to the single-board computer."""
        numbers = self.settings.chamber.pins
        for number, wet in ((numbers.leak, leak_wet), (numbers.overfill_float, float_up)):
            pin: Any = self._factory.pin(number)
            if pin.state != int(wet):
                pin.drive_high() if wet else pin.drive_low()

    def close(self) -> None:
        self.pins.close()
        self._factory.close()
