"""``python -m tests.benchmarks.board_reaction [TRIALS]``: how long the motor turns on after its leak probe got wet.

The board's real program runs under MicroPython as a process of its own; the probe is a file, the pulses of the
motor are counted in another. Printed is the time from the writing of the probe to the last pulse that was seen
after it (0 when none came), and how many pulses that were. The pulses are looked at about every 0.1 ms.
"""

import itertools
import statistics
import sys
import tempfile
import time
from pathlib import Path

from firmware_bridge import limits, messages
from firmware_bridge.link import Link, Received
from tests.stand.running import RunningStand, wait_until

QUIET_S = 0.1  # no pulse for so long: the motor is off
WET_COUNTS = 100


def greet_and_dose(link: Link) -> None:
    """Until the board turns; a board that was just started loses what is said to it too early."""
    sessions: dict[str, int] = {}  # kind -> session of the newest message

    def told(kind: str) -> bool:
        for event in link.poll(time.monotonic()):
            if isinstance(event, Received):
                sessions[str(event.message[0])] = messages.number(event.message, "session")
        return kind in sessions

    link.send("hello", limits.PROTOCOL, messages.LIMITS_CHECKSUM, 1, 1)
    wait_until(lambda: told("board"), "an answer to the greeting")
    link.send("dose", sessions["board"], 1, 1, limits.DOSE_STEPS_MAX, limits.STEPS_PER_S_MAX)
    wait_until(lambda: told("judged"), "an answer to the dose")


def trial(stand: RunningStand, link: Link) -> tuple[float, int]:
    """Milliseconds and pulses from a wet probe to the last pulse."""
    stand.set_probes()
    stand.kill_board(meanwhile=lambda: (stand.folder / "commission").touch())
    greet_and_dose(link)
    pulses_before = stand.pulses()
    wait_until(lambda: stand.pulses() > pulses_before + 20, "a turning motor")
    stand.set_probes(leak=WET_COUNTS)
    wet_s = last_pulse_s = time.perf_counter()
    pulses_at_wet = pulses = stand.pulses()
    while time.perf_counter() < last_pulse_s + QUIET_S:
        now_pulses = stand.pulses()
        if now_pulses != pulses:
            pulses, last_pulse_s = now_pulses, time.perf_counter()
        time.sleep(0.0001)
    return (last_pulse_s - wet_s) * 1000, pulses - pulses_at_wet


def main() -> None:
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    with tempfile.TemporaryDirectory() as folder, RunningStand(Path(folder) / "stand") as stand:
        link = Link(str(stand.port), 115200)
        link.poll(time.monotonic())
        results = sorted(itertools.starmap(trial, itertools.repeat((stand, link), trials)))
    reactions_ms = [result[0] for result in results]
    p99_ms = reactions_ms[min(len(reactions_ms) - 1, int(0.99 * len(reactions_ms)))]
    print(f"{trials} trials at {limits.STEPS_PER_S_MAX} steps/s, tick {limits.TICK_MS} ms")
    print(
        f"wet to last pulse: min {reactions_ms[0]:.1f} ms, median {statistics.median(reactions_ms):.1f} ms, "
        f"p99 {p99_ms:.1f} ms, max {reactions_ms[-1]:.1f} ms"
    )
    print(f"pulses after wet: at most {max(result[1] for result in results)}")


if __name__ == "__main__":
    main()
