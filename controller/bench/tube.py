"""What other journals hold about a chamber's pump: the hours its tube has turned, and the water of the last day.

Sessions at the bench leave their doses in ``bench.jsonl`` in the chamber's folder; runs leave theirs in the journals
that lie beside each other in one folder. Of runs only those of this chamber's site count, of both only what is
simulated for a simulated pump and what is real for a real one.
"""

import json
from collections.abc import Iterable
from datetime import UTC, datetime, time
from pathlib import Path
from typing import Any, NamedTuple

from controller.bench import ageing, records
from controller.bench.session_file import SESSION_FILE
from controller.control import model as m
from controller.control.model.moments import MS_PER_H
from controller.control.photoperiod import utc_ms
from controller.control.watering import BOARD_DAY_MS
from controller.errors import JournalError, SettingsError
from controller.plan import Chamber
from controller.records.journal import Journal, Unreadable, journal_number
from controller.run_settings import settings_of

JOURNAL = "journal.sqlite"
TURNING, TURNED = "turning", "turned"  # rows of that file: a dose that begins, and what came of it


class Dose(NamedTuple):
    """One dose of a session or run, at the most it can have been; ``folder`` is where it is written."""

    folder: Path
    dose_id: int  # 0 where the session did not live to learn it
    at_utc_ms: int
    utc_trusted: bool
    dose_steps: int
    steps_per_s: int
    volume_max_ml: float
    tubing_lot: str

    @property
    def turned_ms(self) -> int:
        return self.dose_steps * 1000 // self.steps_per_s


class Elsewhere(NamedTuple):
    """Doses that were found, how many journals they came from, and a sentence for each one that cannot be read.

    ``known_doses`` are those of this chamber's journals, by the numbers that a board remembers journals by: what a
    board remembers of another journal is strange, and a dose that stands in none of them was lost.
    """

    doses: tuple[Dose, ...]
    journals_count: int
    faults: tuple[str, ...]
    known_doses: tuple[m.KnownDose, ...] = ()

    @property
    def known_journals(self) -> dict[int, int]:
        """Each journal's number with the highest id of a dose that it has intended."""
        doses = sorted(self.known_doses, key=lambda dose: dose.dose_id)
        return {dose.journal_id: dose.dose_id for dose in doses}

    def without(self, folder: Path) -> "Elsewhere":
        """The same without the doses of one run, which knows them itself; its journal stays known."""
        return self._replace(doses=tuple(each for each in self.doses if each.folder != folder.resolve()))


NOTHING = Elsewhere((), 0, ())


def look_elsewhere(calibrations: Path, run_folders: Iterable[Path], chamber: Chamber, *, simulated: bool) -> Elsewhere:
    """Doses of this chamber's pump in its sessions and in the runs that lie in ``run_folders``."""
    doses: list[Dose] = []
    faults: list[str] = []
    known: list[m.KnownDose] = []
    found = 0
    for path in sorted(calibrations.glob(f"*/{SESSION_FILE}")):
        try:
            of_session = _of_session(path, simulated)
        except (OSError, ValueError, KeyError, TypeError) as error:
            faults.append(f"{path}: this session cannot be read ({error}); its hours and water are not counted.")
            continue
        try:
            held = _held(path.with_name(JOURNAL), simulated)
        except (JournalError, Unreadable) as error:
            words = f"the journal of this session cannot be read; it counts by its {SESSION_FILE}"
            faults.append(f"{path.with_name(JOURNAL)}: {words} ({error}).")
            held = None
        if held is not None:
            of_session = [held.corrected(dose) for dose in of_session]
            of_session += held.unnamed(of_session, path.parent)
        number = journal_number(path.parent.name)
        least = {dose.dose_id: 0 for dose in of_session if dose.dose_id} | (held.steps_min() if held else {})
        known += [m.KnownDose(number, dose_id, steps_min) for dose_id, steps_min in least.items()]
        doses, found = [*doses, *of_session], found + 1
    depths = (JOURNAL, f"*/{JOURNAL}", f"*/*/{JOURNAL}")  # the bench's runs lie one deeper
    seen = {path.resolve() for folder in run_folders for depth in depths for path in folder.glob(depth)}
    for path in sorted(seen):
        try:
            of_run = _of_run(path, chamber, simulated)
        except (JournalError, SettingsError, Unreadable) as error:
            faults.append(f"{path}: this run cannot be read; its hours and water are not counted ({error}).")
            continue
        if of_run is not None:
            its_known, its_doses = of_run
            known += its_known
            doses, found = [*doses, *its_doses], found + 1
    return Elsewhere(tuple(doses), found, tuple(faults), tuple(known))


class _Held(NamedTuple):
    """What a journal holds of doses: the intended ones, and the outcomes that hold."""

    intents: dict[int, m.DoseIntended]
    outcomes: dict[int, m.DoseClosed]

    def steps_min(self) -> dict[int, int]:
        """Each dose at the least it can have been."""
        return {
            dose_id: self.outcomes[dose_id].steps_min if dose_id in self.outcomes else 0 for dose_id in self.intents
        }

    def unnamed(self, named: list[Dose], folder: Path) -> list[Dose]:
        """Doses of which no row of the session tells. A row that never learnt its dose's number stands for one."""
        ids = {dose.dose_id for dose in named}
        without_number = sum(1 for dose in named if not dose.dose_id and dose.dose_steps)
        missing = [intent for dose_id, intent in sorted(self.intents.items()) if dose_id not in ids]
        lot = named[-1].tubing_lot if named else ""
        return [
            self.corrected(
                Dose(
                    folder.resolve(),
                    each.dose_id,
                    each.at.utc_ms,
                    each.at.utc_trusted,
                    each.dose_steps,
                    each.steps_per_s,
                    each.volume_ml,
                    lot,
                )
            )
            for each in missing[: len(missing) - without_number]
        ]

    def corrected(self, dose: Dose) -> Dose:
        """A dose of a session as its journal has it: an outcome may have been corrected after it was noted."""
        closed = self.outcomes.get(dose.dose_id)
        if closed is None:
            return dose
        return dose._replace(dose_steps=closed.steps_max, volume_max_ml=closed.volume_max_ml)


def _held(path: Path, simulated: bool) -> _Held | None:
    """The doses of a session's journal; None where there is none, or one of the other kind."""
    if not path.is_file():
        return None
    journal = Journal.open(path)
    try:
        return _doses_in(journal) if bool(journal.run_row()["simulated"]) == simulated else None
    finally:
        journal.close()


def _doses_in(journal: Journal) -> _Held:
    return _Held({each.dose_id: each for each in journal.records(m.DoseIntended)}, journal.outcomes())


def _of_session(path: Path, simulated: bool) -> list[Dose]:
    begun: dict[int, dict[str, Any]] = {}
    lines = path.read_text(encoding="utf-8").splitlines()
    for number, line in enumerate(lines, start=1):
        try:
            row = json.loads(line)
        except ValueError:
            if number < len(lines) or number == 1:
                raise
            break  # half a line, as a power cut leaves it; the journal beside it has the dose
        if row["what"] == TURNING and bool(row["simulated"]) == simulated:
            begun[row["turn"]] = row
        elif row["what"] == TURNED and row["turn"] in begun:
            begun[row["turn"]] |= {key: row[key] for key in ("dose_id", "dose_steps", "volume_max_ml")}
    return [
        Dose(
            path.parent.resolve(),
            row.get("dose_id", 0),
            row["at_utc_ms"],
            bool(row["utc_trusted"]),
            row["dose_steps"],
            row["steps_per_s"],
            row["volume_max_ml"],
            row["tubing_lot"],
        )
        for row in begun.values()
    ]


def _of_run(path: Path, chamber: Chamber, simulated: bool) -> tuple[list[m.KnownDose], list[Dose]] | None:
    """Its doses, as a board knows them and whole; None when the run is another chamber's, or of the other kind."""
    journal = Journal.open(path)
    try:
        run = journal.run_row()
        if bool(run["simulated"]) != simulated or "-rehearsal-" in str(run["run_id"]):
            return None  # a rehearsal has a pump of its own, made for it alone
        settings, number = settings_of(journal), journal.number
        if settings.chamber.site.name != chamber.site.name:
            return None
        held = _doses_in(journal)
    finally:
        journal.close()
    doses = []
    for dose_id, intent in held.intents.items():
        closed = held.outcomes.get(dose_id)
        at = intent.at
        doses.append(
            Dose(
                path.parent,
                dose_id,
                at.utc_ms,
                at.utc_trusted,
                intent.dose_steps if closed is None else closed.steps_max,
                intent.steps_per_s,
                intent.volume_ml if closed is None else closed.volume_max_ml,
                settings.chamber_of(at.boot_id).pump.tubing_lot,
            )
        )
    return [m.KnownDose(number, dose_id, steps_min) for dose_id, steps_min in held.steps_min().items()], doses


def given_lately(
    elsewhere: Elsewhere, now_utc_ms: int, run_ms: int, *, utc_trusted: bool = True
) -> tuple[m.Given, ...]:
    """The water of the last board day, placed on the run clock; the board counts it too.

    What seems to come later than now was written before a clock was set back: it counts as given now, up to a day.
    Where nobody knows what time it is, the newest dose was given now.
    """
    if not utc_trusted:
        now_utc_ms = max((dose.at_utc_ms for dose in elsewhere.doses), default=now_utc_ms)
    return tuple(
        m.Given(given_run_ms, dose.volume_max_ml, m.ELSEWHERE, given_run_ms)
        for dose in elsewhere.doses
        for given_run_ms in (run_ms - max(0, now_utc_ms - dose.at_utc_ms),)
        if abs(now_utc_ms - dose.at_utc_ms) < BOARD_DAY_MS and dose.dose_steps
    )


def turned_ms(elsewhere: Elsewhere, chamber: Chamber, calibrations: list[dict[str, Any]]) -> int:
    """How long the pump has turned the tube that is in it now.

    A dose counts when its journal names this tubing lot, or when it came after the lot's first calibration or check.
    Without a name for the tube it counts from the day of the calibration in the chamber file. A dose whose time was
    never trusted counts: too many hours warn early, too few never.
    """
    lot = chamber.pump.tubing_lot
    firsts = [datetime.fromisoformat(each["at_utc"]) for each in calibrations if each.get("tubing_lot") == lot and lot]
    calibrated = datetime.combine(chamber.pump.calibrated_on, time(), UTC)
    began_ms = utc_ms(min(firsts, default=calibrated) if lot else calibrated)
    return sum(
        dose.turned_ms
        for dose in elsewhere.doses
        if (lot and dose.tubing_lot == lot) or not dose.utc_trusted or dose.at_utc_ms >= began_ms
    )


def pump_age(elsewhere: Elsewhere, chamber: Chamber, folder: Path, *, simulated: bool) -> m.PumpAge:
    """Hours and drift of the pump as far as calibrations, checks and journals tell.

    Only what is beyond the doubt of the newest factor counts as drift: its distance from the factor in use, less twice
    its standard uncertainty. A check of a small portion thus holds no water back by its own noise.
    """
    kept = [each for each in records.read_all(folder) if bool(each.get("simulated")) == simulated]
    points = ageing.points_of(kept, simulated=simulated)
    standing = ageing.judge_factors(points, chamber.pump.tubing_lot, chamber.pump.calibration_id)
    drift_pct = 0.0
    if standing.points:
        newest, in_use_ml_per_step = standing.points[-1], chamber.pump.ml_per_step
        apart_ml_per_step = abs(newest.ml_per_step - in_use_ml_per_step)
        sure_ml_per_step = max(0.0, apart_ml_per_step - 2.0 * newest.ml_per_step_standard_uncertainty)
        drift_pct = 100.0 * sure_ml_per_step / in_use_ml_per_step
    return m.PumpAge(turned_ms(elsewhere, chamber, kept), drift_pct, bool(standing.advice))


def age_words(age: m.PumpAge, chamber: Chamber) -> str:
    """One line for the records and the terminal."""
    return (
        f"The pump has turned its tube for {age.turned_ms / MS_PER_H:.2f} h of {chamber.pump.tube_life_h:g} h; its "
        f"newest factor lies at least {age.drift_pct:.2f} % from the one in use."
    )
