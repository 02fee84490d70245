"""Start-up time and resident memory of ``wardian run --simulated`` idling: ``python -m tests.benchmarks.idle_run``."""

import subprocess
import sys
import tempfile
import time
from pathlib import Path

from controller.settings import example_path

IDLE_S = 15.0


def resident_mib(pid):
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1]) / 1024
    return 0.0


def processor_s(pid):
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / 100


def main():
    with tempfile.TemporaryDirectory() as folder:
        plan, chamber = example_path("skerry-light.plan.toml"), example_path("skerry-light.chamber.toml")
        began = time.perf_counter()
        process = subprocess.Popen(
            [sys.executable, "-c", "from controller.cli import main; main()", "run", plan, "--chamber", chamber,
             "--simulated", "--out", f"{folder}/run"],
            stdout=subprocess.PIPE,
            text=True,
        )  # fmt: skip
        for line in process.stdout:
            if "Getting ready" in line:
                break
        print(f"start-up to the first decision: {time.perf_counter() - began:.2f} s")
        time.sleep(IDLE_S)
        print(f"resident memory after {IDLE_S:g} s: {resident_mib(process.pid):.1f} MiB")
        print(f"processor time so far: {processor_s(process.pid):.2f} s")
        process.terminate()
        process.communicate()


if __name__ == "__main__":
    main()
