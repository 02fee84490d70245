"""From the host's own probe turning wet to the stop reaching the board: ``python -m tests.benchmarks.host_reaction``.

The deciding loop runs as in a live run, over mock pins and a pseudo-terminal; the other end of the line is read by
this script. Prints the median, the 99th percentile and the longest of the trials.
"""

import os
import select
import tempfile
import threading
import time
import tty
from dataclasses import replace
from pathlib import Path

from gpiozero.pins.mock import MockFactory, MockPWMPin

from controller import run
from controller.chamber.physics import Physics
from controller.chamber.real import RealChamber
from controller.chamber.sensor_bus import SimulatedBus
from controller.control.dose_life import TURNING
from controller.plan import BoardLine
from controller.records.journal import Journal
from controller.settings import example_path, read_settings
from tests.examples import intent, open_dose

TRIALS = 100


def main():
    settings = read_settings(example_path("skerry-light.plan.toml"), example_path("skerry-light.chamber.toml"))
    ours, theirs = os.openpty()
    tty.setraw(ours)
    tty.setraw(theirs)
    chamber_settings = replace(settings.chamber, board=BoardLine(serial_port=os.ttyname(theirs)))
    settings = replace(settings, chamber=chamber_settings)
    factory = MockFactory(pin_class=MockPWMPin)
    chamber = RealChamber(chamber_settings, bus=SimulatedBus(Physics(settings, 1)), factory=factory)
    leak = factory.pin(chamber_settings.pins.leak)
    leak.drive_low()
    factory.pin(chamber_settings.pins.overfill_float).drive_low()
    run.signal.signal = lambda *_: None  # signals belong to the main thread, which measures here
    delays_ms = []
    with tempfile.TemporaryDirectory() as folder:
        journal = Journal.create(Path(folder) / "journal.sqlite", "benchmark", settings, "0", simulated=True)
        live = run.LiveRun(settings, chamber, journal)
        thread = threading.Thread(target=live.run)
        thread.start()
        time.sleep(0.5)
        for trial in range(TRIALS):
            dosing = open_dose(TURNING, intent(trial + 1), since_ms=chamber.now().monotonic_ms)
            live.decider.state = live.decider.state.but(trips=(), **dosing)
            while select.select([ours], [], [], 0)[0]:
                os.read(ours, 4096)
            time.sleep(0.003 * (trial % 10))
            began = time.perf_counter()
            leak.drive_high()
            heard = b""
            while b"stop" not in heard and time.perf_counter() - began < 2:
                if select.select([ours], [], [], 0.01)[0]:
                    heard += os.read(ours, 4096)
            delays_ms.append((time.perf_counter() - began) * 1000)
            leak.drive_low()
            time.sleep(0.06)
        live.stop()
        live.decider.state = live.decider.state.but(open_dose=None, dose_life=None)
        thread.join()
    delays_ms.sort()
    print(
        f"{TRIALS} trials, probe wet to stop on the line: median {delays_ms[TRIALS // 2]:.1f} ms, "
        f"p99 {delays_ms[int(TRIALS * 0.99) - 1]:.1f} ms, longest {delays_ms[-1]:.1f} ms"
    )


if __name__ == "__main__":
    main()
