"""The one job table: what fires when. APScheduler's triggers serve the live run and the rehearsal alike.

The triggers follow the wall clock, which on a small board may jump by years when network time arrives. So every
trigger counts from now, never from its last firing (nothing piles up after a jump forward), and whoever keeps the
table sets it up anew after a jump (nothing sleeps after a jump back). No safety and no lease depends on any of it, and
no water: fixed times are slots of the run clock, which the law looks at each second, so that a clock that jumps gives
none twice.
"""

import heapq
import queue
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.base import BaseTrigger
from apscheduler.triggers.interval import IntervalTrigger

from controller.chamber.hurried_clock import HurriedClock
from controller.control.photoperiod import moment_of, utc_ms
from controller.plan import Settings

LONG_AGO = datetime(1970, 1, 1, tzinfo=UTC)  # where a clock without battery wakes up
STEPS_EVERY_S = 60
PARCELS_EVERY_S = 900
LOOK_S = 0.02  # how long a look for a job waits, so how often the loop looks at the board's line and the local probes
PARCELS = "parcels"  # seal closed days and send them: a live run starts a process of its own for it
GRACE_S = 5


class FromNow(BaseTrigger):  # type: ignore[misc]
    """Another trigger's first firing after now, whatever fired before."""

    def __init__(self, inner: Any) -> None:
        self.inner = inner

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime | None:
        found: datetime | None = self.inner.get_next_fire_time(None, now + timedelta(microseconds=1))
        return found


class Job(NamedTuple):
    """One line of the table: the event's name and when it fires."""

    name: str
    trigger: FromNow


def job_table(settings: Settings, light_anchor_utc_ms: int | None, *, sends: bool = False) -> list[Job]:
    """All jobs of a run; the lamp's edges join once hydration has placed the light periods.

    ``sends`` is for a live run, whose days are sealed and sent while it goes on.
    """
    plan = settings.plan
    every = timedelta(seconds=plan.sample_every_s)
    jobs = [
        Job("sample", FromNow(IntervalTrigger(seconds=every.total_seconds(), start_date=LONG_AGO, timezone=UTC))),
        Job("steps", FromNow(IntervalTrigger(seconds=STEPS_EVERY_S, start_date=LONG_AGO, timezone=UTC))),
    ]
    if sends:
        parcels = IntervalTrigger(seconds=PARCELS_EVERY_S, start_date=LONG_AGO, timezone=UTC)
        jobs.append(Job(PARCELS, FromNow(parcels)))
    if light_anchor_utc_ms is not None:
        period = plan.photoperiod
        for name, offset_h in (("lamp_on", 0.0), ("lamp_off", period.light_h)):
            cycle_ms = round(period.cycle_h * 3_600_000)
            first_ms = (light_anchor_utc_ms + round(offset_h * 3_600_000)) % cycle_ms  # the first one since 1970
            cycle = IntervalTrigger(seconds=cycle_ms / 1000, start_date=moment_of(first_ms), timezone=UTC)
            jobs.append(Job(name, FromNow(cycle)))
    return jobs


class VirtualSchedule:
    """The table on a clock that somebody else moves; made anew when its wall clock steps."""

    AHEAD_COUNT = 60  # firings of a job that are asked of its trigger in a row

    def __init__(self, jobs: list[Job], now_utc_ms: int, monotonic_ms: int) -> None:
        self._offset_ms = monotonic_ms - now_utc_ms
        self._coming_ms: list[Iterator[int]] = [self._firings_ms(job.trigger, now_utc_ms) for job in jobs]
        self._heap: list[tuple[int, int, str]] = []
        for order, job in enumerate(jobs):
            self._push(order, job.name)

    def _firings_ms(self, trigger: FromNow, after_utc_ms: int) -> Iterator[int]:
        """Monotonic moments at which a trigger fires, in order."""
        last: datetime | None = moment_of(after_utc_ms)
        while last is not None:
            found_ms: list[int] = []
            for _ in range(self.AHEAD_COUNT):
                last = trigger.get_next_fire_time(None, last)
                if last is None:
                    break
                found_ms.append(utc_ms(last) + self._offset_ms)
            yield from found_ms

    def _push(self, order: int, name: str) -> None:
        coming_ms = next(self._coming_ms[order], None)
        if coming_ms is not None:
            heapq.heappush(self._heap, (coming_ms, order, name))

    def next_ms(self) -> int:
        """Monotonic moment of the next firing."""
        return self._heap[0][0]

    def fire(self) -> str:
        """Take the next job, which is due now; it is put back for its next time."""
        _, order, name = heapq.heappop(self._heap)
        self._push(order, name)
        return name


class LiveSchedule:
    """The table on the computer's own clock: fired jobs land in a queue, and one thread decides."""

    def __init__(self) -> None:
        self._fired: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._scheduler = BackgroundScheduler(
            timezone=UTC,
            executors={"default": ThreadPoolExecutor(1)},
            job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": GRACE_S},
        )

    def start(self, jobs: list[Job]) -> None:
        self.set_up(jobs)
        self._scheduler.start()

    def set_up(self, jobs: list[Job]) -> None:
        """Put this table in place of the last one, counted from now."""
        self._scheduler.remove_all_jobs()
        for number, job in enumerate(jobs):
            self._scheduler.add_job(self._fired.put, job.trigger, args=[job.name], id=f"{job.name}-{number}")

    def take(self) -> Iterator[str]:
        """Wait a moment for a job; all that have fired."""
        try:
            yield self._fired.get(timeout=LOOK_S)
            while True:
                yield self._fired.get_nowait()
        except queue.Empty:
            return

    def stop(self) -> None:
        self._scheduler.shutdown(wait=False)


class HurriedSchedule:
    """The table on the clock of a simulated chamber that lives faster than this computer."""

    def __init__(self, clock: HurriedClock) -> None:
        self._clock = clock
        self._jobs: VirtualSchedule | None = None

    def start(self, jobs: list[Job]) -> None:
        self.set_up(jobs)

    def set_up(self, jobs: list[Job]) -> None:
        """Put this table in place of the last one, counted from now."""
        now = self._clock.now()
        self._jobs = VirtualSchedule(jobs, now.utc_ms, now.monotonic_ms)

    def take(self) -> list[str]:
        """Wait a moment and let it pass in the chamber; all that have fired, each once however late this look is."""
        self._clock.wait(LOOK_S)
        self._clock.move_on()
        found: dict[str, None] = {}
        while self._jobs is not None and self._jobs.next_ms() <= self._clock.now().monotonic_ms:
            found[self._jobs.fire()] = None
        return list(found)

    def stop(self) -> None:
        self._jobs = None
