"""The clock of a simulated chamber that lives faster than the computer it runs on.

It goes on where its last life left it: the moments after the last keeping passed at the hurried pace (they may stand in
the journal), and what came after passed as outside. Wall time therefore never steps back between two lives.
"""

import json
import time
from collections.abc import Callable
from pathlib import Path

from controller.chamber.seam import ClockReading
from controller.whole_file import write_whole

KEPT_EVERY_S = 1.0  # of the computer's time; whoever holds the clock keeps it this often
WAIT_S_MAX = 1.0  # of the chamber's time
FILE = "simulated-clock.json"


def chamber_utc_ms(folder: Path, outside_utc_ms: int) -> int:
    """The moment in the chamber whose run is in ``folder``: that of the computer, unless the run was ever hurried."""
    path = folder / FILE
    if not path.exists():
        return outside_utc_ms
    kept = json.loads(path.read_text())
    gone_ms = max(0, outside_utc_ms - kept["outside_ms"])
    hurried_ms = min(gone_ms, int(KEPT_EVERY_S * 1000))
    return int(kept["utc_ms"] + hurried_ms * kept["chamber_s_per_s"] + gone_ms - hurried_ms)


class HurriedClock:
    """Up to ``chamber_s_per_s`` chamber seconds a second. ``now`` stands still until ``move_on``.

    With ``stride_ms_max`` the clock falls behind rather than pass more at once: a busy computer then makes the run
    slower, never the controller late for its board. Without it the clock keeps pace with a board of its own process.
    """

    def __init__(
        self,
        folder: Path,
        chamber_s_per_s: int,
        stride_ms_max: int | None,
        monotonic_s: Callable[[], float] = time.monotonic,
        wall_s: Callable[[], float] = time.time,
    ) -> None:
        self._path = folder / FILE
        self._chamber_s_per_s = chamber_s_per_s
        self._stride_ms_max = stride_ms_max
        self._monotonic_s = monotonic_s
        self._wall_s = wall_s
        self._begun_s = self._kept_s = monotonic_s()
        self._behind_ms = 0
        self._begun_utc_ms = chamber_utc_ms(folder, self._outside_ms())
        self._now = ClockReading(self._begun_utc_ms, 0, True)
        self.keep()

    def now(self) -> ClockReading:
        return self._now

    def move_on(self) -> None:
        """Let the time pass that is due, and keep it now and then."""
        due_ms = self._due_ms()
        if self._stride_ms_max is not None and due_ms > self._stride_ms_max:
            self._behind_ms += due_ms - self._stride_ms_max
            due_ms = self._stride_ms_max
        if due_ms > 0:
            passed_ms = self._now.monotonic_ms + due_ms
            self._now = ClockReading(self._begun_utc_ms + passed_ms, passed_ms, True)
        if self._monotonic_s() - self._kept_s >= KEPT_EVERY_S:
            self.keep()

    def wait(self, outside_s: float) -> None:
        """Sleep so long outside, but no longer than until a second of the chamber is due."""
        due_s = min(outside_s * self._chamber_s_per_s, WAIT_S_MAX)
        left_s = due_s - self._due_ms() / 1000
        if left_s > 0:
            time.sleep(left_s / self._chamber_s_per_s)

    def keep(self) -> None:
        """Write down where this clock stands."""
        self._kept_s = self._monotonic_s()
        kept = {"utc_ms": self._now.utc_ms, "outside_ms": self._outside_ms(), "chamber_s_per_s": self._chamber_s_per_s}
        write_whole(self._path, json.dumps(kept).encode())

    def _due_ms(self) -> int:
        elapsed_ms = round((self._monotonic_s() - self._begun_s) * 1000 * self._chamber_s_per_s)
        return elapsed_ms - self._behind_ms - self._now.monotonic_ms

    def _outside_ms(self) -> int:
        return int(self._wall_s() * 1000)
