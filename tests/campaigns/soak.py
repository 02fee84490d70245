"""A simulated chamber under ``wardian run`` for a while, in real time: does its memory grow, do its files leak?"""

import signal
import subprocess
import tempfile
import time
from pathlib import Path

from tests.campaigns.rows import Row
from tests.stand.live import CHAMBER, COMMAND, shortened_plan

WARM_S = 60.0  # libraries are loaded and the first phases entered
EVERY_S = 5.0
GROWTH_MAX_KIB = 2_048


def resident_kib(pid: int) -> int:
    """VmRSS of a process (proc(5))."""
    status = Path(f"/proc/{pid}/status").read_text()
    return int(next(line for line in status.splitlines() if line.startswith("VmRSS:")).split()[1])


def open_files(pid: int) -> int:
    return len(list(Path(f"/proc/{pid}/fd").iterdir()))


def watched(seconds: float) -> list[tuple[int, int]]:
    """(resident KiB, open files) every few seconds, after the warm-up, sampling ten times as often as in use."""
    with tempfile.TemporaryDirectory() as folder:
        plan = shortened_plan(Path(folder), sample_every_s=(10, 1))
        command = [*COMMAND, "run", str(plan), "--chamber", str(CHAMBER), "--simulated", "--out", f"{folder}/run"]
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
        try:
            time.sleep(WARM_S)
            found = []
            for _ in range(max(2, round(seconds / EVERY_S))):
                found.append((resident_kib(process.pid), open_files(process.pid)))
                time.sleep(EVERY_S)
            return found
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait(15)


def campaign(scale: float = 1.0) -> list[Row]:
    """At full scale an hour."""
    seen = watched(3600 * scale)
    tenth = max(1, len(seen) // 10)
    before, after = max(kib for kib, _ in seen[:tenth]), min(kib for kib, _ in seen[-tenth:])
    files = {count for _, count in seen}
    held = after - before <= GROWTH_MAX_KIB and len(files) <= 2
    words = f"{before} KiB at first, {after} KiB at the end, {min(files)} to {max(files)} open files"
    spent_s = round(len(seen) * EVERY_S)
    return [Row("seconds of a run on a simulated chamber", spent_s, spent_s if held else 0, words)]
