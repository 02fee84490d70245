"""A controller that comes and goes, as a process of its own, with a board on a stand or in its own process."""

import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

from controller import asking
from controller.control import model as m
from controller.records.journal import Journal
from controller.settings import example_path
from tests.stand.running import RunningStand, wait_until

COMMAND = [sys.executable, "-c", "from controller.cli import main; main()"]
CHAMBER = example_path("skerry-light.chamber.toml")


def shortened_plan(folder: Path, **changes: tuple[int, int]) -> Path:
    """The example plan in ``folder`` with some numbers changed: key=(what it is, what it shall be)."""
    text = example_path("skerry-light.plan.toml").read_text()
    for key, (old, new) in changes.items():
        assert text.count(f"{key} = {old} ") == 1, key
        text = text.replace(f"{key} = {old} ", f"{key} = {new} ")
    path = folder / "short.plan.toml"
    path.write_text(text)
    return path


class Session:
    """One run folder and a controller that comes and goes; the board is on the stand, if there is one."""

    def __init__(
        self,
        folder: Path,
        plan: Path,
        stand: RunningStand | None = None,
        chamber_s_per_s: int = 1,
        command: Sequence[str] = COMMAND,
    ) -> None:
        self.folder = folder
        self._command = list(command)
        self._arguments = ["run", str(plan), "--chamber", str(CHAMBER), "--out", str(folder), "--simulated"]
        if stand is not None:
            self.stand = stand
            chamber_s_per_s = stand.chamber_s_per_s
            self._arguments += ["--stand", str(stand.folder)]
        self._arguments += ["--speed", str(chamber_s_per_s)]
        self.process: subprocess.Popen[str] | None = None

    def start(self) -> None:
        self.process = subprocess.Popen(self._command + self._arguments, stdout=subprocess.PIPE, text=True)
        boots = len(self.records(m.BootRecord)) if (self.folder / "journal.sqlite").exists() else 0
        wait_until(lambda: self.exists() and len(self.records(m.BootRecord)) > boots, "a controller that started", 30)

    def exists(self) -> bool:
        try:
            self.records(m.BootRecord)
        except Exception:
            return False
        return True

    def end(self, number: int) -> str:
        assert self.process is not None
        self.process.send_signal(number)
        out, _ = self.process.communicate(timeout=15)
        return out

    def records(self, kind):
        journal = Journal.open(self.folder / "journal.sqlite")
        try:
            return list(journal.records(kind))
        finally:
            journal.close()

    def ask(self, **wish) -> m.RequestAnswered:
        journal = Journal.open(self.folder / "journal.sqlite")
        try:
            answer = asking.ask(journal, {"asked_by": "LK", **wish})
        finally:
            journal.close()
        assert answer is not None, f"no answer to {wish}"
        return answer

    def wish(self, **wish) -> None:
        """Ask without waiting for the answer, which may come from a later life of the controller."""
        journal = Journal.open(self.folder / "journal.sqlite")
        try:
            asking.ask(journal, {"asked_by": "LK", **wish}, within_s=0.0)
        finally:
            journal.close()

    def sign(self, step: str, **more) -> None:
        wait_until(lambda: any(s.step == step for s in self.records(m.StepRecord)), f"{step} falling due")
        answer = self.ask(request=m.SIGN_STEP, subject=step, **more)
        assert answer.granted, answer.words

    def get_ready(self) -> None:
        for step in ("gloves", "fill-reservoir", "prime-line"):
            self.sign(step)

    def sign_what_is_due(self) -> None:
        """What waits for hands is signed, the drained water with a mass that fits."""
        signed = {each.step for each in self.records(m.StepRecord) if each.done}
        for step in {each.step for each in self.records(m.StepRecord)} - signed:
            self.ask(request=m.SIGN_STEP, subject=step, drained_g=10.0 if step == "drain-and-weigh" else None)

    def steps_closed(self) -> tuple[int, int]:
        closed = self.records(m.DoseClosed)
        return sum(c.steps_min for c in closed), sum(c.steps_max for c in closed)
