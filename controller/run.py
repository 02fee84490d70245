"""The loop in real time: jobs, ticks, requests and the chamber, all decided by one thread."""

import fcntl
import os
import signal
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from types import FrameType

from controller import __version__
from controller.bench.tube import NOTHING, Elsewhere, age_words, given_lately
from controller.chamber.seam import ChamberSeam
from controller.control import model as m
from controller.control.recovery import resume
from controller.deciding import Decider
from controller.errors import JournalError, SettingsError
from controller.judging.changes import changes_between, site_named
from controller.plan import Settings
from controller.records.journal import Journal
from controller.run_settings import newest_chamber_text
from controller.schedule import PARCELS, HurriedSchedule, LiveSchedule, job_table
from controller.sender import Sender
from controller.service import ServiceNotice

TICK_MS = 1_000
READINGS_WAIT_S = 60  # a power cut loses no more than this much of the climate
CLOCK_LOOK_MS = 250
STOP_WAIT_MS = 3_000  # at the end, the dose under way is stopped and its count awaited no longer than this


def open_run(folder: Path, settings: Settings, *, simulated: bool, chamber_name: str = "the chamber file") -> Journal:
    """The journal of a new run in ``folder``, or of the same plan's run at the same site that goes on there.

    SettingsError when the run there is another plan's or another site's; ``chamber_name`` is how that names the file.
    """
    path = folder / "journal.sqlite"
    if not path.exists() or not path.stat().st_size:
        run_id = f"{datetime.now(UTC):%Y%m%dT%H%M%SZ}-{settings.chamber.site.name.lower().replace(' ', '-')}"
        return Journal.create(path, run_id, settings, __version__, simulated)
    journal = Journal.open(path)
    journal.check_whole()
    known = journal.run_row()
    if known["plan_sha256"] != settings.plan_sha256:
        journal.close()
        raise SettingsError(
            (
                f"{path}: this folder holds a run of another plan (SHA-256 {str(known['plan_sha256'])[:12]}..., "
                f"this plan has {settings.plan_sha256[:12]}...); give another folder with --out.",
            )
        )
    its_site, this_site = site_named(newest_chamber_text(journal)), site_named(settings.chamber_text)
    if its_site is not None and its_site != this_site:
        journal.close()
        raise SettingsError(
            (
                f'{chamber_name}: site.name is "{this_site}", but the run in {folder} is one of "{its_site}"; '
                "give its own chamber file, or another folder with --out.",
            )
        )
    journal.go_on()
    return journal


def lock_run(folder: Path) -> int:
    """Hold the run for this process alone; JournalError when another one writes it. Keep the answer open."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        held = os.open(folder / "lock", os.O_RDWR | os.O_CREAT, 0o644)
    except OSError as error:
        raise JournalError(f"{folder}: records cannot be kept here ({error.strerror}).") from error
    try:
        fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        os.close(held)
        raise JournalError(f"{folder}: another wardian run is already writing this run.") from error
    return held


def _changed_since_begun(journal: Journal, settings: Settings) -> list[tuple[str, str]]:
    """What the chamber file says otherwise than when the run was begun: that is what holds from this start on.

    The whole file is written down where it is another than at the last start, for whoever converts the readings.
    """
    notes = []
    if changes_between(newest_chamber_text(journal), settings.chamber_text):
        notes.append((m.CHAMBER_FILE, settings.chamber_text))
    changes = changes_between(str(journal.run_row()["chamber_text"]), settings.chamber_text)
    if changes:
        return [*notes, (m.CHAMBER_CHANGED, f"From this start on the chamber file says: {'; '.join(changes)}.")]
    if any(True for _ in journal.events(m.CHAMBER_CHANGED)):
        words = "From this start on the chamber file says again what it said when the run began."
        return [*notes, (m.CHAMBER_CHANGED, words)]
    return notes


class LiveRun:
    """A run on a clock that passes, from start or restart to SIGTERM or its end.

    A simulated chamber that lives faster than the computer brings the schedule of its own clock; such a run neither
    seals nor sends its days.
    """

    def __init__(
        self, settings: Settings, chamber: ChamberSeam, journal: Journal,
        elsewhere: Elsewhere = NOTHING, age: m.PumpAge = m.NEW_PUMP, hurried: HurriedSchedule | None = None,
    ) -> None:  # fmt: skip
        self.settings = settings
        self.chamber = chamber
        self.journal = journal
        journal.readings_per_batch = max(1, round(READINGS_WAIT_S / settings.plan.sample_every_s))
        boot_id = journal.next_boot_id()
        clock = chamber.now()
        at = m.Moment(clock.utc_ms, clock.monotonic_ms, boot_id, clock.utc_trusted)
        state = resume(at, journal.history(), journal.last_reading(), settings, journal.number)
        lately = given_lately(
            elsewhere.without(journal.path.parent), at.utc_ms, state.run_ms, utc_trusted=at.utc_trusted
        )
        state = state.but(
            given_lately=(*lately, *state.given_lately),
            looked_elsewhere_ms=at.monotonic_ms,
            known_doses=tuple(dose for dose in elsewhere.known_doses if dose.journal_id != journal.number),
            pump_age=age,
        )
        self.notes = _changed_since_begun(journal, settings)
        if age != m.NEW_PUMP:
            self.notes.append(("pump_age", age_words(age, settings.chamber)))
        self.decider = Decider(chamber, journal, settings, state, boot_id)
        self._schedule = hurried or LiveSchedule()
        self._sends = hurried is None
        self._scheduled_anchor: int | None = None
        self._notice = ServiceNotice()
        self._sender = Sender(journal.path.parent)
        self._stopping = False
        self._asked: set[int] = set()

    def stop(self, signal_number: int = 0, frame: FrameType | None = None) -> None:
        """Ask the loop to end; also the handler of SIGTERM and SIGINT."""
        self._stopping = True

    def run(self, on_tick: Callable[[m.State], None] | None = None) -> m.State:
        """Decide until told to stop; ``on_tick`` sees the state once a second.

        The state that is answered says so (``records_failed``) when nothing could be recorded at the end.
        """
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, self.stop)
        decider = self.decider
        decider.handle(m.Started(decider.moment(), __version__, tuple(self.notes)))
        self._schedule.start(self._jobs())
        decider.sample()
        self._notice.ready()
        next_tick_ms = next_clock_ms = self.chamber.now().monotonic_ms
        while not self._stopping and (decider.state.phase != m.ENDED or decider.state.open_dose is not None):
            self._take_jobs()
            decider.hear()
            now_ms = self.chamber.now().monotonic_ms
            if now_ms >= next_clock_ms:
                next_clock_ms = now_ms + CLOCK_LOOK_MS
                if decider.notice_clock() or decider.state.light_anchor_utc_ms != self._scheduled_anchor:
                    self._schedule.set_up(self._jobs())
            if now_ms >= next_tick_ms:
                next_tick_ms = max(next_tick_ms + TICK_MS, now_ms)
                self._take_requests()
                decider.tick()
                self._notice.alive(decider.state.phase)
                if on_tick is not None:
                    on_tick(decider.state)
        self._finish()
        return decider.state

    def _jobs(self) -> list:  # type: ignore[type-arg]
        state = self.decider.state
        self._scheduled_anchor = state.light_anchor_utc_ms
        anchor_ms = None if state.hydrated_utc_ms is None else state.light_anchor_utc_ms
        return job_table(self.settings, anchor_ms, sends=self._sends)

    def _take_jobs(self) -> None:
        """Wait a moment for a job; take all that have fired."""
        for job in self._schedule.take():
            if job == "sample":
                self.decider.sample()
            elif job == PARCELS:
                self._sender.start()
            else:
                self.decider.handle(m.JobFired(self.decider.moment(), job))

    def _take_requests(self) -> None:
        """Requests that people wrote into the journal since the last look."""
        if self.decider.state.records_failed:
            return  # an answer could not be written; they wait
        try:
            self.journal.check_there()
            requests = self.journal.open_requests()
        except JournalError as error:
            self.decider.handle(m.AppendFailed(self.decider.moment(), None, str(error)))
            return
        for request in requests:
            if request.request_id not in self._asked:
                self._asked.add(request.request_id)
                self.decider.handle(m.RequestMade(self.decider.moment(), request))
                if self.decider.state.records_failed:  # the decision was undone: it is asked again
                    self._asked.remove(request.request_id)
                    return

    def _finish(self) -> None:
        """Stop the dose under way, wait for its count, write what is left, let go of everything."""
        self._notice.stopping()
        self._sender.stop()
        decider = self.decider
        decider.handle(m.Leaving(decider.moment()))
        next_tick_ms = self.chamber.now().monotonic_ms
        until_ms = next_tick_ms + STOP_WAIT_MS
        while decider.state.open_dose is not None and self.chamber.now().monotonic_ms < until_ms:
            list(self._schedule.take())
            decider.hear()
            if self.chamber.now().monotonic_ms >= next_tick_ms:
                next_tick_ms += TICK_MS
                decider.tick()
        self._schedule.stop()
        self._notice.close()
        self.chamber.close()  # lamp off before anything that can fail
        self._close_journal()

    def _close_journal(self) -> None:
        """Write what is left. Where that fails the state says so: nobody is told that all is well."""
        try:
            try:
                self.journal.check_there()
            finally:
                self.journal.close()
        except JournalError as error:
            state = self.decider.state
            words = state.records_failed_words if state.records_failed else str(error)
            self.decider.state = state.but(records_failed=True, records_failed_words=words)
