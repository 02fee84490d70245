"""What the page takes from a computer: a class of 40 looks at it while a year is downloaded and the controller runs.

    python -m tests.benchmarks.page_load [SECONDS]

Two runs: a year of readings every 10 s (made up, in a temporary folder), which the page serves and somebody
downloads as CSV, and a simulated run in real time beside it whose loop is watched. Figures: the answer times of the
first page's live part, the memory of the page's process, and how late the controller's seconds come, alone and under
load.
"""

import asyncio
import json
import math
import os
import random
import signal
import socket
import subprocess
import sys
import tempfile
import time
from itertools import pairwise
from pathlib import Path

import httpx

from controller.control import model as m
from controller.settings import example_path, read_settings
from tests.journals import DAY_MS, START_MS, hydrate, new_journal

VIEWERS, EVERY_S = 40, 5.0
YEAR_READINGS = 365 * 8_640
PLAN, CHAMBER = example_path("skerry-light.plan.toml"), example_path("skerry-light.chamber.toml")
CONTROLLER = """
import json, sys, time
from pathlib import Path
from controller.chamber.computer_clock import ComputerClock
from controller.chamber.simulated_live import SimulatedLive
from controller.run import LiveRun, open_run
from controller.settings import read_settings
settings = read_settings(sys.argv[1], sys.argv[2])
folder = Path(sys.argv[3])
journal = open_run(folder, settings, simulated=True)
seconds = []
chamber = SimulatedLive(settings, 1, folder, ComputerClock())
LiveRun(settings, chamber, journal).run(lambda state: seconds.append(time.monotonic()))
print(json.dumps(seconds))
"""


def make_year(folder: Path) -> None:
    """A year of readings, written as fast as the journal takes them."""
    journal = new_journal(folder, read_settings(PLAN, CHAMBER))
    hydrate(journal)
    chance = random.Random(1)
    for number in range(YEAR_READINGS):
        ms = number * 10_000
        warm = 21.0 + 3.0 * math.sin(ms / DAY_MS * 2 * math.pi) + chance.gauss(0, 0.05)
        moment = m.Moment(START_MS + ms, ms, 1, True)
        lamp = 0.6 if ms % DAY_MS < DAY_MS * 2 // 3 else 0.0
        journal.append(
            m.ReadingRecord(moment, warm, 70.0, 1740 + number % 9, 2000, 2000, 1000, lamp, m.GOOD, m.GOOD, m.GOOD, ms)
        )
    for day in range(365):
        moment = m.Moment(START_MS + day * DAY_MS, day * DAY_MS, 1, True)
        journal.append(m.DoseIntended(moment, day + 1, m.MOISTURE_LED, 12.0, 2_400, 200, 0.005, 0.00004, day * DAY_MS))
        journal.append(m.DoseClosed(moment, day + 1, 2_400, 2_400, "complete", 12.0, 0.1, 12.0, day * DAY_MS))
    journal.close()


def start_controller(folder: Path) -> subprocess.Popen:
    arguments = [sys.executable, "-c", CONTROLLER, str(PLAN), str(CHAMBER), str(folder)]
    return subprocess.Popen(arguments, stdout=subprocess.PIPE, text=True)


def lateness_ms(controller: subprocess.Popen) -> list[float]:
    """How much longer than a second each second of the controller's loop was."""
    controller.send_signal(signal.SIGTERM)
    out, _ = controller.communicate(timeout=20)
    seconds = json.loads(out.splitlines()[-1])
    return sorted(abs(b - a - 1.0) * 1000 for a, b in pairwise(seconds))


def memory_mib(pid: int, which: str = "VmRSS") -> float:
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith(which):
            return int(line.split()[1]) / 1024
    return 0.0


async def look(client: httpx.AsyncClient, until_s: float, taken_ms: list[float]) -> None:
    await asyncio.sleep(random.random() * EVERY_S)
    while time.monotonic() < until_s:
        began_s = time.perf_counter()
        answer = await client.get("/now/part")
        taken_ms.append((time.perf_counter() - began_s) * 1000)
        assert answer.status_code == 200
        await asyncio.sleep(EVERY_S)


async def download(client: httpx.AsyncClient) -> tuple[float, float]:
    """(MiB, seconds) of a year of every reading."""
    began_s, size = time.perf_counter(), 0
    async with client.stream("GET", "/downloads/table.csv?step=every") as answer:
        async for piece in answer.aiter_raw():
            size += len(piece)
    return size / 2**20, time.perf_counter() - began_s


async def load(base: str, for_s: float, with_download: bool) -> tuple[list[float], tuple[float, float] | None]:
    taken_ms: list[float] = []
    limits = httpx.Limits(max_connections=VIEWERS + 2)
    async with httpx.AsyncClient(base_url=base, timeout=120, limits=limits) as client:
        until_s = time.monotonic() + for_s
        viewers = [look(client, until_s, taken_ms) for _ in range(VIEWERS)]
        if not with_download:
            await asyncio.gather(*viewers)
            return sorted(taken_ms), None
        *_, loaded = await asyncio.gather(*viewers, download(client))
        return sorted(taken_ms), loaded


def at(share: float, values: list[float]) -> float:
    return values[min(len(values) - 1, int(share * len(values)))]


def main() -> None:
    for_s = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    with tempfile.TemporaryDirectory() as place:
        year = Path(os.environ.get("YEAR", place + "/year"))
        if not year.exists():
            began_s = time.perf_counter()
            make_year(year)
            print(f"a year of {YEAR_READINGS:,} readings written in {time.perf_counter() - began_s:.0f} s")
        controller = start_controller(Path(place) / "alone")
        time.sleep(for_s / 2)
        alone = lateness_ms(controller)
        print(f"controller alone: a second is late by {at(0.5, alone):.1f} ms median, {alone[-1]:.1f} ms at most")

        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        command = [sys.executable, "-c", "from controller.cli import main; main()"]
        server = subprocess.Popen([*command, "serve", str(year), "--port", str(port)], stdout=subprocess.DEVNULL)
        base = f"http://127.0.0.1:{port}"
        while True:
            try:
                httpx.get(base + "/now/alive", timeout=30)
                break
            except httpx.ConnectError:
                time.sleep(0.1)
        print(f"page's process at rest: {memory_mib(server.pid):.0f} MiB")
        for path in ("/course/data?columns=1200", "/course/data?columns=1200", "/course"):
            began_s = time.perf_counter()
            size = len(httpx.get(base + path, timeout=120).content)
            print(f"{path}: {(time.perf_counter() - began_s) * 1000:.0f} ms, {size / 1024:.0f} KiB")
        for with_download in (False, True):
            controller = start_controller(Path(place) / f"load{with_download}")
            taken_ms, loaded = asyncio.run(load(base, for_s, with_download))
            late = lateness_ms(controller)
            print(f"{VIEWERS} viewers{' and a download of a year' if with_download else ''}:")
            print(
                f"  live part: {len(taken_ms)} answers, median {at(0.5, taken_ms):.0f} ms, "
                f"p95 {at(0.95, taken_ms):.0f} ms, at most {taken_ms[-1]:.0f} ms"
            )
            print(f"  controller: a second is late by {at(0.5, late):.1f} ms median, {late[-1]:.1f} ms at most")
            if loaded is not None:
                print(f"  download: {loaded[0]:.0f} MiB in {loaded[1]:.0f} s")
            print(f"  page's process: {memory_mib(server.pid):.0f} MiB, {memory_mib(server.pid, 'VmHWM'):.0f} at most")
        server.terminate()
        server.wait(10)


if __name__ == "__main__":
    main()
