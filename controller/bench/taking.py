"""A calibration is put into use: the chamber file is judged as it would be, then one record makes the whole change.

Nothing is written before everything was judged, and what is written is one file, so that a fault or a power cut leaves
the chamber with all of the change or none of it.
"""

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

from controller.bench.records import SECTIONS, Use, folder_of, judge_lot, keep_use, usable, uses
from controller.errors import JournalError, SettingsError
from controller.judging.changes import changes_between
from controller.judging.headroom import ANY_LIMIT, HEADROOM_PCT, lowered_ml
from controller.judging.kinds import number
from controller.plan import Chamber, Site
from controller.records.days import has_ended
from controller.records.journal import Journal, Unreadable
from controller.settings import File, chamber_from_text, load_chamber, settings_from_text


class NamedPlan(NamedTuple):
    """A plan that the chamber must go on with, and the folder of its run."""

    name: str
    text: str


Plans = Callable[[Chamber], list[NamedPlan]]


class Taken(NamedTuple):
    """What was changed: the calibration in use before (empty: none), and every key with its value before."""

    before_id: str
    changes: tuple[str, ...]


def no_plans(chamber: Chamber) -> list[NamedPlan]:
    """For a chamber in which nothing runs."""
    return []


def put_into_use(
    chamber_path: Path,
    record_id: str,
    by: str,
    at_utc: datetime,
    *,
    plans: Plans = no_plans,
    fit_limits: bool = False,
) -> Taken:
    """Let the chamber take a calibration from now on, or change nothing and raise SettingsError with every fault.

    ``plans`` gives those that must be able to go on; ``fit_limits`` also lowers the limits of the chamber that stand
    too near the board's at the new factor.
    """
    folder = folder_of(chamber_path)
    record = usable(folder, record_id)
    before = uses(folder).get(record["kind"])
    change = Use(record, _lowered_ml(chamber_path, Use(record, {})) if fit_limits else {})
    faults = _faults(chamber_path, change, plans)
    if faults:
        refusal = f"{record_id}: not put into use and nothing was changed, since the next start would be refused."
        raise SettingsError((refusal, *faults, *_way_out(chamber_path, change, plans)))
    changes = changes_between(load_chamber(chamber_path).text, load_chamber(chamber_path, change).text)
    taken = Taken("" if before is None else before.record["id"], changes)
    keep_use(folder, change, by, at_utc)
    return taken


def _lowered_ml(chamber_path: Path, change: Use) -> dict[str, float]:
    """The limits in ml that would have to be lower with this change, for the board and some room below it."""
    file = load_chamber(chamber_path, change)
    return lowered_ml(chamber_from_text(file.text, file.name, ANY_LIMIT))


def _faults(chamber_path: Path, change: Use, plans: Plans) -> list[str]:
    """Everything that the chamber file and each plan beside it would be refused for after the change."""
    try:
        file = load_chamber(chamber_path, change)
        chamber = chamber_from_text(file.text, file.name)
        _judge_taken(chamber, change, file)
    except SettingsError as error:
        return list(error.sentences)
    faults: list[str] = []
    for plan in plans(chamber):
        try:
            settings_from_text(plan.text, file.text, plan.name, file.name)
        except SettingsError as error:
            faults += error.sentences
    return faults


def _judge_taken(chamber: Chamber, change: Use, file: File) -> None:
    """SettingsError where the file would not take the calibration, whatever is written beside it."""
    section = SECTIONS[change.record["kind"]]
    if getattr(chamber, section).calibration_id != change.record["id"]:
        sentence = f"{file.name}: {section} must stand as a table under the line [{section}] to take a calibration."
        raise SettingsError((sentence,))
    judge_lot(change.record, chamber.pump.tubing_lot)


def _way_out(chamber_path: Path, change: Use, plans: Plans) -> list[str]:
    """A sentence for each limit that would have to be lower, where lower limits are all that is needed."""
    try:
        limits_ml = _lowered_ml(chamber_path, change)
        if not limits_ml or _faults(chamber_path, change._replace(limits_ml=limits_ml), plans):
            return []
    except SettingsError:
        return []
    return [
        f"{chamber_path.name}: limits.{key} = {number(most_ml)} would fit and stay {HEADROOM_PCT:g} % below the "
        "board's limit; write that into the file, or let wardian calibrate use do it (--fit-limits)."
        for key, most_ml in limits_ml.items()
    ]


def plan_under_way(runs: Path, site: Site) -> list[NamedPlan]:
    """The plan of the newest run of this chamber in a folder of runs, if that run is real and has not ended.

    A run that cannot be read is left out: it cannot go on either.
    """
    found: list[tuple[str, NamedPlan | None]] = []
    for path in sorted({*runs.glob("journal.sqlite"), *runs.glob("*/journal.sqlite")}):
        try:
            journal = Journal.open(path)
        except (JournalError, Unreadable):
            continue
        try:
            run = journal.run_row()
            its = settings_from_text(str(run["plan_text"]), str(run["chamber_text"]), board=ANY_LIMIT).chamber
            if not run["simulated"] and its.site == site:
                plan = NamedPlan(str(path.parent.absolute()), str(run["plan_text"]))
                found.append((str(run["run_id"]), None if has_ended(journal) else plan))
        except (JournalError, SettingsError, Unreadable):
            continue
        finally:
            journal.close()
    newest = max(found, key=lambda each: each[0], default=("", None))[1]
    return [] if newest is None else [newest]
