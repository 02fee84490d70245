"""A whole run in virtual time: the shipped law, the shipped board program and a simulated chamber."""

import heapq
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from controller import __version__
from controller.chamber.faults import Fault, Strike
from controller.chamber.keeper import INITIALS, Keeper
from controller.chamber.simulated import SimulatedChamber
from controller.control import model as m
from controller.control.line import SETTLED
from controller.control.model.moments import MS_PER_DAY
from controller.control.photoperiod import utc_ms
from controller.deciding import Decider
from controller.errors import JournalError
from controller.plan import Settings
from controller.records.journal import Journal
from controller.schedule import VirtualSchedule, job_table

START_UTC = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
TICK_MS = 1_000  # of the deciding loop, while water moves and until the plants grow
QUIET_TICK_MS = 60_000  # of the deciding loop while nothing moves
READINGS_WAIT_S = 600  # nothing here can be lost to a power cut


@dataclass(frozen=True)
class Truth:
    """What really happened in the simulated chamber, as its physics counted it."""

    pumped_ml: float
    into_bed_ml: float
    drained_ml: float
    in_medium_change_ml: float
    true_ml_per_step: float
    emerged_day: dict[int, float | None]
    mended: tuple[str, ...]


@dataclass(frozen=True)
class Rehearsed:
    """A finished rehearsal: where its journal is, what was true, and what it cost."""

    journal_path: Path
    truth: Truth
    simulated_ms: int
    wall_s: float


class Rehearsal:
    """Moves one simulated chamber through virtual time."""

    def __init__(self, settings: Settings, folder: Path, seed: int, faults: list[Fault], start_utc: datetime) -> None:
        self.settings = settings
        self.chamber = SimulatedChamber(settings, seed, utc_ms(start_utc))
        run_id = f"{start_utc:%Y%m%dT%H%MZ}-rehearsal-seed{seed}"
        self.journal = Journal.create(folder / "journal.sqlite", run_id, settings, __version__, simulated=True)
        self.journal.readings_per_batch = max(1, round(READINGS_WAIT_S / settings.plan.sample_every_s))
        self.journal.wait_for_disk(False)
        self.decider = Decider(self.chamber, self.journal, settings, self._first_state(), 1)
        self._strike = Strike(self.chamber, self.journal)
        self.keeper = Keeper(self.chamber, settings, self._strike, self._ask)
        self._later: list[tuple[int, int, str | Callable[[], None]]] = []
        for order, fault in enumerate(faults):
            heapq.heappush(self._later, (fault.at_ms, order, fault.name))
        self._order = len(faults)
        self._schedule: VirtualSchedule | None = None
        self._ticked_ms = -TICK_MS
        self._scheduled_anchor: int | None = None
        self._start_medium_ml = self.chamber.box.physics.in_medium_ml

    def _first_state(self) -> m.State:
        return m.State(now=self._first_moment(), journal_id=self.journal.number)

    def _first_moment(self) -> m.Moment:
        clock = self.chamber.now()
        return m.Moment(clock.utc_ms, clock.monotonic_ms, 1, clock.utc_trusted)

    def run(self, days: float, progress: Callable[[float], None] | None = None) -> Rehearsed:
        """Run for ``days`` of virtual time after start, or to the end of the plan if that comes first."""
        began_s = time.perf_counter()
        decider = self.decider
        decider.handle(m.Started(decider.moment(), __version__))
        decider.hear()
        self._set_up_schedule()
        end_ms = round(days * MS_PER_DAY)
        told_ms = 0
        while self.chamber.monotonic_ms < end_ms and decider.state.phase != m.ENDED:
            self._advance(end_ms)
            if progress is not None and self.chamber.monotonic_ms - told_ms >= MS_PER_DAY // 4:
                told_ms = self.chamber.monotonic_ms
                progress(told_ms / end_ms)
        simulated_ms = self.chamber.monotonic_ms
        truth = self._truth()
        self.journal.hold_file_size(False)
        self.journal.close()
        self.chamber.close()
        return Rehearsed(self.journal.path, truth, simulated_ms, time.perf_counter() - began_s)

    def _advance(self, end_ms: int) -> None:
        """To the next thing that happens: a fault, a job, or a second while water moves."""
        assert self._schedule is not None
        decider = self.decider
        chamber = self.chamber
        job_ms = self._schedule.next_ms()
        fault_ms = self._later[0][0] if self._later else end_ms
        target_ms = min(job_ms, fault_ms, end_ms)
        if self._is_talking():
            target_ms = min(target_ms, chamber.monotonic_ms + TICK_MS)
        chamber.advance_to(target_ms)
        if self._later and chamber.monotonic_ms >= fault_ms:
            self._strike_next()
        if decider.notice_clock():
            self._set_up_schedule()
        elif chamber.monotonic_ms >= job_ms:
            self._fire_job()
        quiet = decider.state.phase == m.GROWING and not self._is_talking()
        if chamber.monotonic_ms - self._ticked_ms >= (QUIET_TICK_MS if quiet else TICK_MS):
            self._ticked_ms = chamber.monotonic_ms
            decider.tick()
        else:
            decider.hear()
        self._strike.watch_pump()
        if decider.state.light_anchor_utc_ms != self._scheduled_anchor:
            self._set_up_schedule()

    def _is_talking(self) -> bool:
        """Whether host and board have something to settle, so that every second counts."""
        state = self.decider.state
        return state.open_dose is not None or state.line.state != SETTLED or state.asked_clear is not None

    def _fire_job(self) -> None:
        assert self._schedule is not None
        name = self._schedule.fire()
        if name == "sample":
            self.decider.sample()
            return
        self.decider.handle(m.JobFired(self.decider.moment(), name))
        if name == "steps":
            self.keeper.look(self.decider.state)

    def _strike_next(self) -> None:
        _, _, what = heapq.heappop(self._later)
        if callable(what):
            what()
            return
        follows = self._strike.strike(what)
        if follows is not None:
            after_ms, then = follows
            self._order += 1
            heapq.heappush(self._later, (self.chamber.monotonic_ms + after_ms, self._order, then))

    def _set_up_schedule(self) -> None:
        clock = self.chamber.now()
        state = self.decider.state
        self._scheduled_anchor = state.light_anchor_utc_ms
        anchor = None if state.hydrated_utc_ms is None else state.light_anchor_utc_ms
        self._schedule = VirtualSchedule(job_table(self.settings, anchor), clock.utc_ms, clock.monotonic_ms)

    def _ask(self, **wish: object) -> None:
        """A person's request: written into the journal first, then decided about."""
        if self.decider.state.records_failed:
            return
        at = self.decider.moment()
        request = m.Request(at=at, request_id=0, asked_by=INITIALS, **wish)  # type: ignore[arg-type]
        try:
            number = self.journal.ask(request)
        except JournalError:
            return  # the person is told so, and comes again
        self.decider.handle(m.RequestMade(at, replace(request, request_id=number)))
        self.decider.hear()

    def _truth(self) -> Truth:
        physics = self.chamber.box.physics
        hydrated = self.decider.state.hydrated_utc_ms
        first_ms = 0 if hydrated is None else hydrated - self._first_utc_ms()
        return Truth(
            pumped_ml=physics.pumped_ml,
            into_bed_ml=physics.pumped_ml - physics.lost_ml,
            drained_ml=physics.drained_away_ml,
            in_medium_change_ml=physics.in_medium_ml - self._start_medium_ml,
            true_ml_per_step=physics.true_ml_per_step,
            emerged_day={
                number: None if seed.emerged_at_s is None else (seed.emerged_at_s * 1000 - first_ms) / MS_PER_DAY
                for number, seed in physics.seeds.items()
            },
            mended=tuple(self.keeper.mended),
        )

    def _first_utc_ms(self) -> int:
        return self.chamber.true_utc_ms - self.chamber.monotonic_ms


def rehearse(
    settings: Settings,
    folder: Path,
    *,
    days: float,
    seed: int = 1,
    faults: list[Fault] | None = None,
    start_utc: datetime = START_UTC,
    progress: Callable[[float], None] | None = None,
) -> Rehearsed:
    """Rehearse a plan in ``folder`` and answer what came of it."""
    return Rehearsal(settings, folder, seed, faults or [], start_utc).run(days, progress)
