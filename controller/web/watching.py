"""One run as the page sees it: opened for each look, and looked at no more than once in two seconds."""

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

from controller.chamber.hurried_clock import chamber_utc_ms
from controller.control import model as m
from controller.control import photoperiod
from controller.errors import JournalError
from controller.plan import Settings
from controller.records.account import Totals
from controller.records.following import Followed
from controller.records.journal import Journal
from controller.records.status import Status, status_of
from controller.run_settings import settings_of

JOURNAL = "journal.sqlite"
PICTURES = "pictures"
LOOK_EVERY_S = 2.0


@dataclass(frozen=True)
class Look:
    """What stands in the journal at one moment."""

    status: Status
    hydrated_utc_ms: int | None
    lamp_turns_utc_ms: int | None  # when the lamp next goes on or off, by the plan
    totals: Totals
    steps_due_since_ms: dict[str, int]
    steps_signed: dict[str, m.StepRecord]
    trips_since_ms: dict[str, int]


def run_folders_of(folder: Path) -> list[Path]:
    """The folder itself if it holds a run, else those of its folders that do, the one that was written last first."""
    if (folder / JOURNAL).is_file():
        return [folder]
    found = [path for path in folder.glob(f"*/{JOURNAL}") if path.is_file()] if folder.is_dir() else []
    if not found:
        raise JournalError(f"{folder}: there is no run here: no {JOURNAL} in it, nor in a folder one below.")

    def written_s(path: Path) -> float:
        # a reader touches the index beside a journal and may leave an empty log; neither is news
        beside = path.with_name(f"{JOURNAL}-wal")
        with suppress(FileNotFoundError):
            if (log := beside.stat()).st_size:
                return max(path.stat().st_mtime, log.st_mtime)
        return path.stat().st_mtime

    return [path.parent for path in sorted(found, key=written_s, reverse=True)]


class Run:
    """A run's folder. ``clock_ms`` tells UTC in milliseconds; without it the chamber's own time is told."""

    def __init__(self, folder: Path, clock_ms: Callable[[], int] | None = None) -> None:
        self.folder = folder
        self.clock_ms = clock_ms or (lambda: chamber_utc_ms(folder, time.time_ns() // 1_000_000))
        with self.journal() as journal:
            row = journal.run_row()
            self.settings: Settings = settings_of(journal)
        self.run_id = str(row["run_id"])
        self.simulated = bool(row["simulated"])
        self.zone = ZoneInfo(self.settings.chamber.site.time_zone)
        self._lock = threading.Lock()
        self._looked_s = -LOOK_EVERY_S
        self._look: Look | None = None
        self._followed = Followed(self.settings)

    @property
    def pictures(self) -> Path:
        return self.folder / PICTURES

    @contextmanager
    def journal(self) -> Iterator[Journal]:
        journal = Journal.open(self.folder / JOURNAL)
        try:
            yield journal
        finally:
            journal.close()

    def look(self, *, fresh: bool = False) -> Look:
        """How the run stands; all viewers share one look."""
        with self._lock:
            now_s = time.monotonic()
            if fresh or self._look is None or now_s - self._looked_s >= LOOK_EVERY_S:
                with self.journal() as journal:
                    self.settings_by(journal)
                    self._look = look_at(journal, self.settings, self.clock_ms(), self._followed)
                self._looked_s = time.monotonic()
            return self._look

    def settings_by(self, journal: Journal) -> Settings:
        """The settings, anew where the controller was started with another chamber file meanwhile."""
        files = journal.events(m.CHAMBER_FILE)
        if sum(1 for _ in files) != len(self.settings.later_chambers):
            self.settings = settings_of(journal)
        return self.settings


def look_at(journal: Journal, settings: Settings, at_utc_ms: int, followed: Followed | None = None) -> Look:
    """Everything the page tells about the present, from the journal alone."""
    followed = followed or Followed(settings)
    status = status_of(journal, settings, at_utc_ms, followed)
    hydrated_utc_ms = None if followed.wetting_began is None else followed.wetting_began.utc_ms
    standing = {reason for reason, _ in status.trips}
    trips = {reason: since_ms for reason, since_ms in followed.tripped_ms.items() if reason in standing}
    turns_ms = None
    if hydrated_utc_ms is not None and status.phase != m.ENDED and status.reading is not None:
        lit = status.reading.lamp_duty_fraction > 0.0
        turns_ms = lamp_turns_utc_ms(settings, hydrated_utc_ms, status.reading.at.utc_ms, lit)
    due, signed = dict(followed.steps_due_since_ms), dict(followed.steps_signed)
    return Look(status, hydrated_utc_ms, turns_ms, followed.totals, due, signed, trips)


def lamp_turns_utc_ms(settings: Settings, hydrated_utc_ms: int, at_utc_ms: int, lit: bool) -> int | None:
    """When the plan next turns the lamp after a moment; None where it never does, or where the lamp is not as the
    plan has it now (heat puts it out, and only a person lights it again)."""
    period = settings.plan.photoperiod
    if not 0.0 < period.light_h < period.cycle_h:
        return None
    anchor_ms = photoperiod.light_anchor_utc_ms(period, hydrated_utc_ms, settings.chamber.site.time_zone)
    cycle_ms, light_ms = round(period.cycle_h * m.MS_PER_H), round(period.light_h * m.MS_PER_H)
    into_ms = (at_utc_ms - anchor_ms) % cycle_ms
    if lit != (photoperiod.light_fraction(period, at_utc_ms, anchor_ms) > 0.0):
        return None
    return at_utc_ms + (light_ms if into_ms < light_ms else cycle_ms) - into_ms
