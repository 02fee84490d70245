"""How fast a rehearsal runs: ``python -m tests.benchmarks.rehearsal_speed [DAYS]``.

Prints simulated seconds per second, and the same against a loop that only reads the simulated sensor through the
shipped driver, so that the figure can be compared between computers and busy hours.
"""

import sys
import tempfile
import time
from pathlib import Path

from controller.chamber.air_sensor import AirSensor
from controller.chamber.physics import Physics
from controller.chamber.sensor_bus import SimulatedBus, driver_on_virtual_time
from controller.rehearse import rehearse
from controller.settings import example_path, read_settings


def sensor_loop_s(settings, samples):
    """Wall time of reading the sensor so many times."""
    sensor = AirSensor(SimulatedBus(Physics(settings, 1)), 0x44, driver_on_virtual_time())
    began = time.perf_counter()
    for _ in range(samples):
        sensor.read()
    return time.perf_counter() - began


def main():
    days = float(sys.argv[1]) if len(sys.argv) > 1 else 21.0
    settings = read_settings(example_path("skerry-light.plan.toml"), example_path("skerry-light.chamber.toml"))
    samples = round(days * 86_400 / settings.plan.sample_every_s)
    before = sensor_loop_s(settings, samples // 10) * 10
    with tempfile.TemporaryDirectory() as folder:
        done = rehearse(settings, Path(folder) / "run", days=days)
    after = sensor_loop_s(settings, samples // 10) * 10
    sensor_s = (before + after) / 2
    print(f"rehearsed {days:g} days at {settings.plan.sample_every_s:g} s in {done.wall_s:.2f} s")
    print(f"{done.simulated_ms / 1000 / done.wall_s:,.0f} simulated seconds per second")
    print(
        f"reading the sensor alone: {sensor_s:.2f} s; whole rehearsal over sensor alone: {done.wall_s / sensor_s:.1f}"
    )


if __name__ == "__main__":
    main()
