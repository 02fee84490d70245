"""A hurried run of a simulated chamber, from the first step on for weeks: does it grow, do its files leak?"""

import json
import signal
import tempfile
import time
from pathlib import Path

from controller.chamber import hurried_clock
from tests.campaigns.rows import Row
from tests.stand.live import Session, shortened_plan

CHAMBER_S_PER_S = 10_000
WARM_S = 30.0  # libraries are loaded, the water has been given
EVERY_S = 2.0
GROWTH_MAX_KIB = 2_048
DAYS = 21


def resident_kib(pid: int) -> int:
    """VmRSS of a process (proc(5))."""
    status = Path(f"/proc/{pid}/status").read_text()
    return int(next(line for line in status.splitlines() if line.startswith("VmRSS:")).split()[1])


def open_files(pid: int) -> int:
    return len(list(Path(f"/proc/{pid}/fd").iterdir()))


def chamber_days(folder: Path) -> float:
    """How many days the clock of a hurried run has moved on since it was first kept."""
    kept = json.loads((folder / hurried_clock.FILE).read_text())
    return float(kept["utc_ms"]) / 86_400_000


def watched(days: int) -> tuple[float, list[tuple[int, int]], str]:
    """(days lived, (resident KiB, open files) every few seconds after the warm-up, the last line it printed)."""
    with tempfile.TemporaryDirectory() as folder:
        live = Session(Path(folder) / "run", shortened_plan(Path(folder)), chamber_s_per_s=CHAMBER_S_PER_S)
        live.start()
        assert live.process is not None
        begun_days, begun_s = chamber_days(live.folder), time.monotonic()
        lived_days, found = 0.0, []
        try:
            while lived_days < days and live.process.poll() is None:
                live.sign_what_is_due()
                time.sleep(EVERY_S)
                lived_days = chamber_days(live.folder) - begun_days
                if time.monotonic() - begun_s >= WARM_S and live.process.poll() is None:
                    found.append((resident_kib(live.process.pid), open_files(live.process.pid)))
            return lived_days, found, live.end(signal.SIGTERM).splitlines()[-1]
        finally:
            live.process.kill()


def campaign(scale: float = 1.0) -> list[Row]:
    """At full scale 21 days, some six minutes."""
    days = max(2, round(DAYS * scale))
    lived_days, seen, last = watched(days)
    tenth = max(1, len(seen) // 10)
    before, after = max(kib for kib, _ in seen[:tenth]), min(kib for kib, _ in seen[-tenth:])
    files = {count for _, count in seen}
    held = after - before <= GROWTH_MAX_KIB and len(files) <= 2 and lived_days >= days
    words = f"{before} KiB at first, {after} KiB at the end, {min(files)} to {max(files)} open files; {last}"
    return [Row(f"days of a run, up to {CHAMBER_S_PER_S:,} times as fast", days, days if held else 0, words)]
