"""A journal in memory, on a disk that can be full, can lie, and can be put back to an older copy."""

import random
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

from controller.control import model as m
from controller.errors import JournalError
from controller.plan import Settings
from controller.records.journal import Journal

READINGS_PER_BATCH = 6
NOT_HISTORY = (m.LampRecord, m.ObservationRecord)


class Disk:
    """Answers what the deciding loop and recovery ask of a journal. ``written`` are (true moment, record)."""

    def __init__(self, number: int) -> None:
        self.number = number
        self.written: list[tuple[int, m.Record]] = []
        self.requests: list[m.Request] = []
        self.is_full = False
        self.refuses_after = -1  # so many more records before the disk is full; -1: it is not filling up
        self._readings: list[m.ReadingRecord] = []  # those that wait for their batch
        self._last_reading: m.ReadingRecord | None = None
        self._readings_kept: list[tuple[int, m.ReadingRecord]] = []

    # -- for the controller ----

    def append(self, true_ms: int, *records: Any) -> None:
        """All of the records or none, as the journal in a file does."""
        if self.refuses_after == 0:
            self.is_full = True
        readings = [record for record in records if isinstance(record, m.ReadingRecord)]
        others = [record for record in records if not isinstance(record, m.ReadingRecord)]
        if not others:
            if len(self._readings) >= READINGS_PER_BATCH:
                self._refuse_when_full()
                self._flush(true_ms)
            self._readings += readings
            return
        self._refuse_when_full()
        if self.refuses_after > 0:
            self.refuses_after -= 1
        self._readings += readings
        self._write(others)
        self._flush(true_ms)
        self.written += [(true_ms, record) for record in others]

    def _refuse_when_full(self) -> None:
        if self.is_full:
            raise JournalError("journal.sqlite: the disk is full")

    def _flush(self, true_ms: int) -> None:
        if self._readings:
            self._last_reading = self._readings[-1]
            self._readings_kept.append((true_ms, self._last_reading))
            self._readings.clear()

    def _write(self, records: list[m.Record]) -> None:
        """What a journal in a file does besides."""

    def history(self) -> list[m.Record]:
        return [record for _, record in self.written if not isinstance(record, NOT_HISTORY)]

    def last_reading(self) -> m.ReadingRecord | None:
        return self._last_reading

    def next_boot_id(self) -> int:
        last = max((record.at.boot_id for _, record in self.written), default=0)
        return 1 + max(last, self._last_reading.at.boot_id if self._last_reading else 0)

    def open_requests(self) -> list[m.Request]:
        answered = {record.request_id for _, record in self.written if isinstance(record, m.RequestAnswered)}
        return [request for request in self.requests if request.request_id not in answered]

    def ask(self, wish: m.Request) -> int:
        """Write a wish down, under initials that name its number: so the judge knows who cleared a trip, and when."""
        answered = [record.request_id for _, record in self.written if isinstance(record, m.RequestAnswered)]
        number = 1 + max([*answered, *(each.request_id for each in self.requests)], default=0)
        self.requests.append(replace(wish, request_id=number, asked_by=f"P{number}"))
        return number

    # -- for the world ----

    def begin_with(self, written: list[tuple[int, m.Record]]) -> None:
        """Go on with these rows."""
        self.written = list(written)

    def free(self) -> None:
        self.is_full = False
        self.refuses_after = -1

    def killed(self) -> None:
        """The process is gone, and with it the readings that waited."""
        self._readings.clear()

    def forget(self, records_lost: int) -> None:
        """The last records were never on the disk, or an older copy was put back."""
        keep = max(1, len(self.written) - records_lost)
        self.written = self.written[:keep]
        kept_ms = self.written[-1][0]
        self._readings_kept = [each for each in self._readings_kept if each[0] <= kept_ms]
        self._last_reading = self._readings_kept[-1][1] if self._readings_kept else None
        self.requests = [each for each in self.requests if each.request_id <= self._requests_of(kept_ms)]

    def _requests_of(self, kept_ms: int) -> int:
        answered = [r.request_id for ms, r in self.written if isinstance(r, m.RequestAnswered) and ms <= kept_ms]
        return max(answered, default=0)

    def close(self) -> None:
        return


class FileDisk(Disk):
    """The shipped journal in a folder of its own, on a disk that does not lie."""

    def __init__(self, settings: Settings, seed: int) -> None:
        self._folder = tempfile.TemporaryDirectory()
        self._path = Path(self._folder.name) / "journal.sqlite"
        self._journal = Journal.create(self._path, f"a run of {seed}", settings, "test", simulated=True)
        self._journal.wait_for_disk(False)
        super().__init__(self._journal.number)

    def begin_with(self, written: list[tuple[int, m.Record]]) -> None:
        for _, record in written:
            self._journal.append(record)
        self.written = list(written)

    def _write(self, records: list[m.Record]) -> None:
        self._journal.append(*records)

    def history(self) -> list[m.Record]:
        found = self._journal.history()
        assert found == super().history(), "the journal reads otherwise than it was written"
        return found

    def next_boot_id(self) -> int:
        return max(self._journal.next_boot_id(), super().next_boot_id())

    def killed(self) -> None:
        super().killed()
        self._journal._connection.close()
        self._journal = Journal.open(self._path)
        self._journal.wait_for_disk(False)

    def forget(self, records_lost: int) -> None:
        """This disk keeps what it has committed."""

    def close(self) -> None:
        self._journal.close()
        self._folder.cleanup()


def chance_of(*seed: object) -> random.Random:
    """Chance that is the same each time."""
    return random.Random(" ".join(map(str, seed)))
