"""Calibrations and checks are the terminal's own commands, each in a process of its own: one procedure, two doors.

What those commands load (statistics, pictures) stays out of the page's memory.
"""

import subprocess
import sys
import tempfile
import threading
from collections.abc import Sequence
from pathlib import Path

from controller.bench.records import folder_of
from controller.check_record import CheckRecord
from controller.web.forms import FormFault
from controller.web.session_process import SessionProcess

WITHIN_S = 120.0
FOUND_WANTING = 6  # the exit code of a calibration that is kept and refused for use
READINGS_MAX = 500
WEIGHED = ("pump", "check")  # these take masses and know hours and water of runs; the others take readings


class Workbench:
    """The calibrations of one chamber file; one is worked out at a time. ``runs`` is the folder of its runs."""

    def __init__(self, chamber_path: Path, runs: Path) -> None:
        self.chamber_path = chamber_path.resolve()
        self.folder = folder_of(self.chamber_path)
        runs = runs.resolve()
        self.runs = self.folder.parent if runs == self.folder else runs  # a session counts as one already
        self.session = SessionProcess(self.chamber_path, self.folder, self.runs)
        self._lock = threading.Lock()

    def work_out(self, kind: str, by: str, rows: Sequence[Sequence[str]], options: Sequence[str]) -> str:
        """Judge and keep one calibration; answers the id of its record, accepted or refused for use.

        ``rows`` are the readings, the names of their columns first. FormFault with the procedure's own sentence when
        nothing could be kept.
        """
        with self._lock, tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "readings.csv"
            path.write_text("".join(",".join(row) + "\n" for row in rows), encoding="utf-8")
            before = self._ids()
            common = [f"--runs={self.runs}", f"--masses={path}"] if kind in WEIGHED else [f"--readings={path}"]
            done = self._run("calibrate", kind, f"--by={by}", *common, *options)
            added = self._ids() - before
        if done.returncode in (0, FOUND_WANTING) and len(added) == 1:
            return added.pop()
        said = done.stderr.replace(str(path), "readings").strip().splitlines()
        if done.returncode > 1:
            raise FormFault("\n".join(said))
        raise FormFault("fault.broken", words=said[-1] if said else "")

    def look_at_all_parts(self, by: str) -> None:
        """Run ``wardian check`` and have its findings kept. FormFault with its own sentence when they were not."""
        with self._lock:
            kept = CheckRecord(self.chamber_path)
            before = kept.last()
            done = self._run("check", f"--by={by}", f"--out={self.runs}")
            if done.returncode not in (0, FOUND_WANTING) or kept.last() == before:
                raise FormFault(" ".join(done.stderr.split()) or "fault.unkept")

    def _run(self, command: str, *options: str) -> subprocess.CompletedProcess[str]:
        """One of the terminal's commands for this chamber file, to its end."""
        words = [sys.executable, "-m", "controller", command, *options[:1], f"--chamber={self.chamber_path}"]
        try:
            return subprocess.run(
                [*words, *options[1:]], stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=WITHIN_S,
                check=False,
            )  # fmt: skip
        except subprocess.TimeoutExpired as error:
            raise FormFault("fault.too_slow", n=round(WITHIN_S)) from error

    def _ids(self) -> set[str]:
        return {path.stem for path in self.folder.glob("*-*Z*.json")}


def rows_in(text: str, columns: Sequence[str]) -> list[list[str]]:
    """The readings in a text that was typed, pasted or sent as a file: the names of the columns, then the rows.

    Cells are parted by commas, semicolons, tabs or spaces; with any but commas a decimal comma is understood. A first
    line that names the columns tells their order, else they stand as in ``columns``. FormFault with line and cell.
    """
    lines = [line.strip() for line in text.lstrip("\ufeff").splitlines()]
    filled = [(number, line) for number, line in enumerate(lines, 1) if line]
    parted = [(number, _cells(line)) for number, line in filled]
    order = list(columns)
    if parted and sorted(parted[0][1]) == sorted(columns):
        order = parted.pop(0)[1]
    if len(parted) > READINGS_MAX:
        raise FormFault("fault.rows_many", n=len(parted), most=READINGS_MAX)
    for number, cells in parted:
        if len(cells) != len(columns):
            named = ", ".join(order)
            raise FormFault("fault.cells", line=number, n=len(cells), wanted=len(columns), columns=named)
        for name, cell in zip(order, cells, strict=True):
            try:
                float(cell)
            except ValueError:
                raise FormFault("fault.cell_no_number", line=number, column=name, text=cell[:40]) from None
    if not parted:
        raise FormFault("fault.rows_none")
    return [order, *(cells for _, cells in parted)]


def _cells(line: str) -> list[str]:
    for sign in (";", "\t"):
        if sign in line:
            return [cell.strip().replace(",", ".") for cell in line.split(sign)]
    if "," in line and " " not in line.replace(", ", ","):
        return [cell.strip() for cell in line.split(",")]
    return [cell.replace(",", ".") for cell in line.split()]
