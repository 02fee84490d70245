"""A journal that is looked at again and again: each look reads what came since the last one."""

from dataclasses import replace

from controller.control import model as m
from controller.control.recovery import fold
from controller.plan import Settings
from controller.records.account import Totals, corrects, entries_of
from controller.records.journal import Journal


class Followed:
    """What the history of one run told so far. Equal to a whole reading of it, since records are only added."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._row = 0
        self.state = m.State(now=m.Moment(0, 0, 0, False))
        self.last_dose: m.DoseClosed | None = None  # as it is known now, at the moment when it was first closed
        self.last_dose_first: m.DoseClosed | None = None  # what was written of it first, where that was corrected
        self._closed_ids: set[int] = set()
        self.alarm_words: dict[str, str] = {}
        self.wetting_began: m.Moment | None = None
        self.steps_due_since_ms: dict[str, int] = {}
        self.steps_signed: dict[str, m.StepRecord] = {}
        self.tripped_ms: dict[str, int] = {}
        self.totals = Totals()

    def catch_up(self, journal: Journal) -> None:
        """Read what was written since the last time."""
        rows = journal.history_after(self._row)
        if not rows:
            return
        for _, record in rows:
            self._take(record)
        self.state = fold(self.state, [record for _, record in rows], self._settings)
        for entry in entries_of(journal, self._settings):
            self.totals = entry.totals
        self._row = rows[-1][0]

    def _take(self, record: m.Record) -> None:
        if isinstance(record, m.DoseClosed):
            self._take_dose(record)
        elif isinstance(record, m.AlarmRecord):
            self.alarm_words[record.alarm] = record.words
        elif isinstance(record, m.PhaseRecord) and record.phase == m.WETTING and self.wetting_began is None:
            self.wetting_began = record.at
        elif isinstance(record, m.TripRecord):
            self.tripped_ms[record.trip_reason] = record.at.utc_ms
        elif isinstance(record, m.StepRecord):
            if record.done:
                self.steps_signed[record.step] = record
            else:
                self.steps_due_since_ms.setdefault(record.step, record.at.utc_ms)

    def _take_dose(self, record: m.DoseClosed) -> None:
        """The newest dose, or a correction of it; one of an older dose changes no more than the totals."""
        last = self.last_dose
        if record.dose_id not in self._closed_ids:
            self._closed_ids.add(record.dose_id)
            self.last_dose, self.last_dose_first = record, None
        elif last is not None and last.dose_id == record.dose_id and corrects(record, last):
            self.last_dose_first = self.last_dose_first or last
            self.last_dose = replace(record, at=last.at)
