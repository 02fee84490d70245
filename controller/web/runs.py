"""Several runs in one folder: each has pages below an address of its own; the list of them, and which is the newest."""

import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from controller.control import model as m
from controller.errors import WardianError
from controller.records.journal import Journal
from controller.run_settings import settings_of
from controller.web.site import Site
from controller.web.watching import JOURNAL, Run, run_folders_of

HELD_MAX = 4  # runs whose pages are kept ready; a year of readings, thinned, takes some megabytes
LOOK_EVERY_S = 5.0


@dataclass(frozen=True)
class Listed:
    """One run in the list: what it is, and when it was heard of last. ``fault`` says why it cannot be shown."""

    name: str
    plan: str = ""
    place: str = ""
    began_utc_ms: int | None = None
    last_utc_ms: int | None = None
    phase: str = ""
    simulated: bool = False
    fault: str = ""

    @property
    def address(self) -> str:
        return root_of(self.name)


def root_of(name: str) -> str:
    """Where the pages of a run stand."""
    return f"/runs/{quote(name)}"


def run_id_of(folder: Path) -> str:
    """The name that the run gave itself when it began; JournalError where its journal cannot be read."""
    journal = Journal.open(folder / JOURNAL)
    try:
        return str(journal.run_row()["run_id"])
    finally:
        journal.close()


def list_run(folder: Path) -> Listed:
    """A run for the list, by its journal."""
    try:
        journal = Journal.open(folder / JOURNAL)
    except WardianError as error:
        return Listed(folder.name, fault=str(error))
    try:
        row, last = journal.run_row(), journal.last_reading()
        settings = settings_of(journal)
        first = next(journal.records(m.BootRecord), None)
        phases = list(journal.records(m.PhaseRecord))
    except WardianError as error:
        return Listed(folder.name, fault=str(error))
    finally:
        journal.close()
    return Listed(
        folder.name,
        settings.plan.name,
        settings.chamber.site.name,
        None if first is None else first.at.utc_ms,
        None if last is None else last.at.utc_ms,
        phases[-1].phase if phases else "",
        bool(row["simulated"]),
    )


class Runs:
    """The runs of a folder. ``site_for`` makes the pages of one (a run, and the root of their addresses).

    A run's pages are found by its folder's name and by its journal: where a new experiment has taken the name, the old
    pages are let go and everybody signs in anew, so that no form made for the one acts on the other.
    """

    def __init__(
        self, folder: Path, site_for: Callable[[Run, str], Site], forget: Callable[[], None],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:  # fmt: skip
        self._folder = folder
        self._site_for = site_for
        self._forget = forget
        self._clock = clock
        self._lock = threading.Lock()
        self._sites: OrderedDict[str, tuple[str, Site]] = OrderedDict()
        self._folders: list[Path] = []
        self._looked_s = -LOOK_EVERY_S
        self.folders()

    def folders(self) -> list[Path]:
        """The folders that hold a run, the one written last first."""
        now_s = self._clock()
        if now_s - self._looked_s >= LOOK_EVERY_S:
            self._folders = run_folders_of(self._folder)
            self._looked_s = now_s
        return self._folders

    def listed(self) -> list[Listed]:
        """Every run as the list shows it."""
        return [list_run(folder) for folder in self.folders()]

    def newest(self) -> Site:
        """The pages of the newest run that can be read; JournalError where there is none."""
        fault: WardianError | None = None
        for folder in self.folders():
            try:
                return self._held(folder)
            except WardianError as error:
                fault = fault or error
        assert fault is not None
        raise fault

    def site(self, name: str) -> Site | None:
        """The pages of the run of that name; None where there is none. JournalError where it cannot be read."""
        folder = next((each for each in self.folders() if each.name == name), None)
        return None if folder is None else self._held(folder)

    def _held(self, folder: Path) -> Site:
        with self._lock:
            run_id = run_id_of(folder)
            held = self._sites.get(folder.name)
            if held is not None and held[0] != run_id:
                self._forget()
                held = None
            if held is None:
                held = run_id, self._site_for(Run(folder), root_of(folder.name))
            self._sites[folder.name] = held
            self._sites.move_to_end(folder.name)
            while len(self._sites) > HELD_MAX:
                self._sites.popitem(last=False)
            return held[1]
