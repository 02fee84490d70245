"""The settings of a run, as its journal keeps them: what it was begun with, and the chamber files it went on with."""

from dataclasses import replace

from controller.control import model as m
from controller.plan import LaterChamber, Settings
from controller.records.journal import Journal
from controller.settings import settings_from_text


def settings_of(journal: Journal) -> Settings:
    """Plan and chamber files of a run. SettingsError where this program cannot read one of them."""
    run = journal.run_row()
    begun = settings_from_text(str(run["plan_text"]), str(run["chamber_text"]))
    later = tuple(
        LaterChamber(each.at.boot_id, settings_from_text(begun.plan_text, each.words).chamber)
        for each in journal.events(m.CHAMBER_FILE)
    )
    return replace(begun, later_chambers=later)


def newest_chamber_text(journal: Journal) -> str:
    """The chamber file that the run went on with last."""
    text = str(journal.run_row()["chamber_text"])
    for each in journal.events(m.CHAMBER_FILE):
        text = each.words
    return text
