"""The journal under fault: power cuts in the middle of a write, a disk that fails, damaged pages.

A day with at least four doses is rehearsed. For the power cuts both files of the journal are kept as they were before
and after each transaction, and torn in between: so many bytes of the new content over the old one.
"""

import random
import resource
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

from controller.control import model as m
from controller.control.photoperiod import moment_of
from controller.control.recovery import resume
from controller.errors import JournalError
from controller.records.journal import Journal
from controller.records.status import status_of
from controller.rehearse import START_UTC, Rehearsal
from tests import examples
from tests.campaigns.rows import Row

SETTINGS = examples.settings(sample_every_s=300.0)
H = 3_600_000
SEED = 20260302
Image = tuple[bytes, bytes]  # the journal's file and its write-ahead log


def _read(path: Path) -> bytes:
    return path.read_bytes() if path.exists() else b""


def image_of(journal: Journal) -> Image:
    return _read(journal.path), _read(journal.path.with_name(journal.path.name + "-wal"))


def torn(before: Image, after: Image, chance: random.Random, cuts: int) -> Iterator[Image]:
    """What a power cut in the middle of the write leaves: the log first, then, at a checkpoint, the file."""
    for _ in range(cuts):
        at = chance.randrange(len(after[1]) + 1)
        if len(after[1]) > len(before[1]):
            at = chance.randrange(len(before[1]), len(after[1]) + 1)
        yield before[0], after[1][:at] + before[1][at:]
        if after[0] != before[0]:
            at = chance.randrange(len(after[0]) + 1)
            yield after[0][:at] + before[0][at:], after[1]


class Cut:
    """A rehearsal whose journal is looked at around every transaction."""

    def __init__(self, folder: Path, judge: Callable[["Cut", Image, Image, list[m.Record], int], None]) -> None:
        self.rehearsal = Rehearsal(SETTINGS, folder, 1, [], START_UTC)
        self.judge = judge
        self.written: list[m.Record] = []  # all but readings, requests, lamp and observations: what history answers
        self._append = self.rehearsal.journal.append
        self.rehearsal.journal.append = self.append  # type: ignore[method-assign]

    def append(self, *records: Any) -> None:
        before = image_of(self.rehearsal.journal)
        self._append(*records)
        told = [each for each in records if not isinstance(each, m.ReadingRecord | m.LampRecord | m.ObservationRecord)]
        if not told:
            return
        self.judge(self, before, image_of(self.rehearsal.journal), [*self.written], len(told))
        self.written += told

    @property
    def pumped_ml(self) -> float:
        return self.rehearsal.chamber.box.physics.pumped_ml


def recovered(folder: Path, image: Image) -> tuple[list[m.Record], m.State]:
    """Open an image as after a power cut; what is in it, and the state that comes of it."""
    path = folder / "journal.sqlite"
    for leftover in folder.glob("journal.sqlite*"):
        leftover.unlink()
    path.write_bytes(image[0])
    path.with_name("journal.sqlite-wal").write_bytes(image[1])
    journal = Journal.open(path)
    try:
        journal.check_whole()
        history = journal.history()
        last = journal.last_reading()
        state = resume(examples.moment(0, boot_id=journal.next_boot_id()), history, last, SETTINGS)
        journal.append(m.BootRecord(state.now, "0"))
    finally:
        journal.close()
    return history, state


def counted_ml(state: m.State) -> float:
    """The most water that a recovered state takes as given."""
    dose = state.open_dose
    open_ml = 0.0 if dose is None else dose.dose_steps * SETTINGS.chamber.pump.ml_per_step
    return state.first_wetting_given_ml + state.watering_given_ml + open_ml


def power_cuts(days: float, cuts: int) -> Row:
    """Every transaction of a run, before, after and torn in between."""
    tried = failed = doses = 0
    worst = ""
    chance = random.Random(SEED)
    with tempfile.TemporaryDirectory() as place:
        opened = Path(place) / "opened"
        opened.mkdir()

        def judge(run: Cut, before: Image, after: Image, written: list[m.Record], more: int) -> None:
            nonlocal tried, failed, worst
            whole = [(before, False), (after, True)]
            for image, is_after in [*whole, *((each, False) for each in torn(before, after, chance, cuts))]:
                tried += 1
                try:
                    history, state = recovered(opened, image)
                    assert history[: len(written)] == written, "a committed record is gone"
                    assert len(history) - len(written) in ((more,) if is_after else (0, more)), "a decision by halves"
                    true_ml = run.pumped_ml * 0.97  # the pump may turn 3 % over its calibration
                    assert counted_ml(state) >= true_ml - 1e-6, "water that no record holds"
                except (AssertionError, JournalError) as error:
                    failed += 1
                    worst = worst or f"after {len(written)} records: {error}"

        run = Cut(Path(place) / "run", judge)
        run.rehearsal.run(days)
        doses = sum(isinstance(record, m.DoseIntended) for record in run.written)
    told = f"{doses} doses, {len(run.written)} transactions; every committed record read back"
    return Row("power cut at and inside every transaction", tried, tried - failed, worst or told)


# -- a disk that fails for a while ----


class FailingConnection:
    """A connection whose statements of one kind fail while ``failing`` is set."""

    def __init__(self, inner: sqlite3.Connection, verb: str) -> None:
        self._inner = inner
        self._verb = verb
        self.failing = False

    def execute(self, sql: str, *more: Any) -> Any:
        if self.failing and sql.startswith(self._verb):
            raise sqlite3.OperationalError("disk I/O error")
        return self._inner.execute(sql, *more)

    def executemany(self, sql: str, *more: Any) -> Any:
        if self.failing and sql.startswith(self._verb):
            raise sqlite3.OperationalError("disk I/O error")
        return self._inner.executemany(sql, *more)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._inner, name)


def _verb(verb: str) -> Callable[[Journal], Callable[[bool], None]]:
    def prepare(journal: Journal) -> Callable[[bool], None]:
        made = FailingConnection(journal.connection, verb)
        journal._connection = made  # type: ignore[assignment]

        def switch(on: bool) -> None:
            made.failing = on

        return switch

    return prepare


def _read_only(journal: Journal) -> Callable[[bool], None]:
    return lambda on: [None for _ in journal.connection.execute(f"PRAGMA query_only = {int(on)}")] and None


def _second_writer(journal: Journal) -> Callable[[bool], None]:
    other = sqlite3.connect(journal.path, isolation_level=None)

    def switch(on: bool) -> None:
        journal.connection.execute("PRAGMA busy_timeout = 1")  # virtual time waits for nobody
        other.execute("BEGIN IMMEDIATE" if on else "ROLLBACK")
        if not on:
            other.close()

    return switch


def _file_size_limit(journal: Journal) -> Callable[[bool], None]:
    """The kernel refuses every write: a real error under SQLite."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)

    def switch(on: bool) -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (0 if on else soft, hard))

    return switch


def _moved(ending: str, stand_in: bytes | None = None) -> Callable[[Journal], Callable[[bool], None]]:
    """A file of the journal is moved away, and back again; meanwhile another may stand in its place."""

    def prepare(journal: Journal) -> Callable[[bool], None]:
        path = journal.path.with_name(journal.path.name + ending)
        aside = path.with_name("aside")

        def switch(on: bool) -> None:
            if on:
                path.rename(aside)
                if stand_in is not None:
                    path.write_bytes(stand_in)
            else:
                aside.replace(path)

        return switch

    return prepare


FAULTS: dict[str, tuple[Callable[[Journal], Callable[[bool], None]], str]] = {
    "read-only": (_read_only, "read-only"),
    "a second writer holds the file": (_second_writer, "another program is holding the file"),
    "the kernel refuses to write": (_file_size_limit, "the disk failed to read or write"),
    "I/O error at BEGIN": (_verb("BEGIN"), "disk I/O error"),
    "I/O error at INSERT": (_verb("INSERT"), "disk I/O error"),
    "I/O error at COMMIT": (_verb("COMMIT"), "disk I/O error"),
    "the journal moved away": (_moved(""), "journal.sqlite was moved, deleted or replaced"),
    "another file in its place": (_moved("", b"another"), "journal.sqlite was moved, deleted or replaced"),
    "its log moved away": (_moved("-wal"), "journal.sqlite-wal was moved, deleted or replaced"),
    "its index moved away": (_moved("-shm"), "journal.sqlite-shm was moved, deleted or replaced"),
}


def fail_from(name: str, from_ms: int, lasts_ms: int = 2 * H, days: float = 0.5) -> str:
    """One fault of the disk from a moment on; answers what went wrong, or nothing."""
    prepare, words = FAULTS[name]
    with tempfile.TemporaryDirectory() as place:
        run = Rehearsal(SETTINGS, Path(place), 1, [], START_UTC)
        switch = prepare(run.journal)
        physics = run.chamber.box.physics
        seen: dict[str, float] = {}

        def strike() -> None:
            switch(True)
            seen["history"] = len(run.journal.history())

        def look() -> None:
            seen["pumped_soon"] = physics.pumped_ml  # a lease after the fault was met

        def mend() -> None:
            seen["pumped_late"] = physics.pumped_ml
            seen["failed"] = run.decider.state.records_failed
            seen["lamp"] = run.chamber.box.pins.lamp_duty_fraction
            seen["kept"] = len(run.journal.history())
            switch(False)

        met_ms = 301_000 + 4_000  # the next sample, at the latest, meets the fault; then a lease
        for order, (at_ms, what) in enumerate(
            ((from_ms, strike), (from_ms + met_ms, look), (from_ms + lasts_ms, mend)), 1000
        ):
            run._later.append((at_ms, order, what))
        run._later.sort()
        done = None
        try:
            done = run.run(days)
        finally:
            if done is None:
                with suppress(sqlite3.Error):
                    switch(False)
        journal = Journal.open(done.journal_path)
        try:
            alarms = [a.words for a in journal.records(m.AlarmRecord) if a.alarm == "records_failed" and a.raised]
            closed = list(journal.records(m.DoseClosed))
            ids = [d.dose_id for d in journal.records(m.DoseIntended)]
            lit = 6 <= moment_of(run.chamber.true_utc_ms - run.chamber.monotonic_ms + from_ms + lasts_ms).hour < 22
        finally:
            journal.close()
        most_ml = sum(c.steps_max for c in closed) * 0.005
    findings = {
        "the fault was not met": not seen["failed"],
        "the pump turned on": seen["pumped_late"] > seen["pumped_soon"] + 1e-9,
        "the lamp did not keep its hours": (seen["lamp"] > 0) != lit,
        "committed records are gone": seen["kept"] < seen["history"],
        f"the alarm does not say why: {alarms}": not any(words in each for each in alarms),
        "a dose's number was used twice": len(ids) != len(set(ids)),
        "water that no record holds": done.truth.pumped_ml * 0.97 > most_ml,
    }
    return "; ".join(words for words, holds in findings.items() if holds)


def disk_faults(moments_a_fault: int) -> list[Row]:
    """Each fault of the disk at moments spread over the first wetting, with doses under way, and after it."""
    rows = []
    for name in FAULTS:
        chance = random.Random(f"{SEED} {name}")
        moments = [7 * 60_000, *(chance.randrange(5 * 60_000, 60 * 60_000) for _ in range(moments_a_fault - 1))]
        wrong = [(at_ms, found) for at_ms in moments if (found := fail_from(name, at_ms))]
        told = f"at {wrong[0][0]} ms: {wrong[0][1]}" if wrong else "stopped within a lease, lit, told, resumed"
        rows.append(Row(f"journal: {name}", len(moments), len(moments) - len(wrong), told))
    return rows


# -- damaged pages ----


def damaged_pages(days: float, every_page: int) -> Row:
    """Pages of a finished run overwritten with zeros, noise or one flipped bit: read well, or refused in words."""
    tried = failed = refused = 0
    worst = ""
    chance = random.Random(SEED)
    with tempfile.TemporaryDirectory() as place:
        done = Rehearsal(SETTINGS, Path(place), 1, [], START_UTC).run(days)
        whole = done.journal_path.read_bytes()
        size = 4096
        path = Path(place) / "damaged.sqlite"
        for page in range(0, len(whole) // size, every_page):
            for damage in ("zeros", "noise", "bit"):
                bent = bytearray(whole)
                if damage == "bit":
                    bent[page * size + chance.randrange(size)] ^= 1 << chance.randrange(8)
                else:
                    bent[page * size : (page + 1) * size] = bytes(size) if damage == "zeros" else chance.randbytes(size)
                path.write_bytes(bent)
                tried += 1
                try:
                    journal = Journal.open(path)
                    try:
                        journal.check_whole()
                        status_of(journal, SETTINGS, examples.START_UTC_MS)
                    finally:
                        with suppress(JournalError):
                            journal.close()
                except JournalError:
                    refused += 1
                except Exception as error:  # that is what is looked for
                    failed += 1
                    worst = worst or f"page {page}, {damage}: {type(error).__name__}: {error}"
    told = f"{refused} refused in words, {tried - refused} not seen by SQLite (it keeps no checksums)"
    return Row("journal: damaged page", tried, tried - failed, worst or told)


def campaign(scale: float = 1.0) -> list[Row]:
    count = max(1, round(20 * scale))
    return [
        power_cuts(days=1.0 if scale >= 1 else 0.1, cuts=count),
        *disk_faults(count),
        damaged_pages(days=2.0 if scale >= 1 else 0.2, every_page=1 if scale >= 1 else 8),
    ]
