"""Where twins come from: run folders, archives, and parcels (a run's own, a stick, the store of a collector).

All three end as a journal in ``gathering.twin_of``, so one run gives one and the same report from each of them, as far
as each carries it.
"""

import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from controller.control import model as m
from controller.errors import JournalError, SettingsError
from controller.parcels.manifest import MANIFEST
from controller.parcels.unpacking import DESCRIPTOR, unpack
from controller.plan import Settings
from controller.records.journal import Journal
from controller.run_settings import settings_of
from controller.twins.gathering import Twin, twin_of

JOURNAL = "journal.sqlite"
NO_PICTURES = "Pictures do not travel with it."
FIRST_FILE = "Its chamber file was changed in mid run; water content and light go by the first, which it carries alone."
PLACED = "An archive does not say which readings had their time placed afterwards."


def gather(path: Path, name: str | None = None) -> Twin:
    """The one run at ``path``. JournalError or SettingsError in one sentence when there is none, or several."""
    twins = list(_twins_at(path, name))
    if len(twins) != 1:
        raise SettingsError((f"{path}: holds {len(twins)} runs; name one of them.",))
    return twins[0]


def gather_all(paths: list[Path]) -> list[Twin]:
    """Every run at these paths, with names that differ: the site, and a number where two share a site."""
    twins: list[Twin] = []
    for path in paths:
        for twin in _twins_at(path):
            run_id = twin.run["run_id"]
            if any(run_id == other.run["run_id"] and twin.name == other.name for other in twins):
                raise SettingsError((f"{path}: this is run {run_id}, which was given already; give it once.",))
            twins.append(twin)
    names = [twin.name for twin in twins]
    return [
        replace(twin, name=f"{twin.name} ({place})") if names.count(twin.name) > 1 else twin
        for place, twin in enumerate(twins, 1)
    ]


def _twins_at(path: Path, name: str | None = None) -> Iterator[Twin]:
    if path.is_file() and path.name == DESCRIPTOR:
        path = path.parent
    if path.is_file() or (path / JOURNAL).is_file():
        yield _from_journal(path if path.is_file() else path / JOURNAL, name)
    elif (path / DESCRIPTOR).is_file():
        yield _from_archive(path, name)
    elif path.is_dir() and next(path.rglob(MANIFEST), None) is not None:
        yield from _from_parcels(path, name)
    else:
        raise JournalError(f"{path}: there is no journal here, no archive and no parcels.")


def _from_journal(path: Path, name: str | None) -> Twin:
    journal = Journal.open(path)
    try:
        return twin_of(journal, settings_of(journal), path.parent, name)
    finally:
        journal.close()


def _from_archive(folder: Path, name: str | None) -> Twin:
    with tempfile.TemporaryDirectory() as scratch:
        journal, settings, span_s = unpack(folder, Path(scratch))
        try:
            twin = twin_of(journal, settings if span_s is None else _sampled(settings, span_s), folder, name)
            changed = any(True for _ in journal.events(m.CHAMBER_CHANGED))
        finally:
            journal.close()
    lacks = [NO_PICTURES, PLACED]
    if span_s is not None:
        lacks.append(f"Its climate is told in means over {span_s / 60.0:g} min.")
    if changed:
        lacks.append(FIRST_FILE)
    return replace(twin, settings=settings, source="archive, digests verified", not_carried=" ".join(lacks))


def _sampled(settings: Settings, every_s: float) -> Settings:
    """The same plan read as often as an archive tells it, so that means are not taken for gaps."""
    return replace(settings, plan=replace(settings.plan, sample_every_s=every_s))


def _from_parcels(folder: Path, name: str | None) -> Iterator[Twin]:
    try:
        from controller.parcels.unsealing import unseal
    except ModuleNotFoundError as error:
        raise JournalError(f"{folder}: parcels are read with {error.name}; install wardian[parcels].") from error
    with tempfile.TemporaryDirectory() as scratch:
        for journal, settings, days, last_day_utc in unseal(folder, Path(scratch)):
            try:
                twin = twin_of(journal, settings, folder, name)
            finally:
                journal.close()
            source = f"parcels of {days} days up to {last_day_utc}, chain verified"
            yield replace(twin, source=source, not_carried=NO_PICTURES)
