"""A chamber file that changed while a run stood still: what holds from then on is said and written down."""

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from controller.bench import records as calibrations
from controller.control import model as m
from controller.control import watering
from controller.judging.changes import changes_between
from controller.records.export import export
from controller.records.journal import Journal
from controller.run import LiveRun, open_run
from controller.settings import example_path, read_settings
from tests import examples
from tests.journals import at, reading
from tests.test_calibrate_command import calibrated, newest, wardian

PLAN = example_path("skerry-light.plan.toml")


@pytest.fixture
def chamber_path(tmp_path):
    return Path(shutil.copy(example_path("skerry-light.chamber.toml"), tmp_path / "skerry-light.chamber.toml"))


class Still:
    """A chamber whose clock is read, and that lets go of itself; nothing in it moves."""

    def now(self):
        return examples.moment(5_000)


def started(folder, chamber_path):
    """What a start in this folder finds to say, and the journal as it leaves it."""
    settings = read_settings(PLAN, chamber_path)
    journal = open_run(folder, settings, simulated=True)
    live = LiveRun(settings, Still(), journal)
    for event, words in live.notes:
        journal.append(m.EventRecord(live.decider.state.now, event, words))
    return live, journal


def test_keys_that_differ_are_named_with_both_values():
    before = '[pump]\nml_per_step = 0.005\ntubing_lot = "SL-07"\n[lamp]\nduty_max_fraction = 1.0\n'
    after = '# new tube\n[pump]\nml_per_step = 0.00503\ntubing_lot = "SL-07"\ncalibration_id = "pump-1"\n[lamp]\n'
    assert changes_between(before, after) == (
        "lamp.duty_max_fraction = left out (before: 1.0)",
        'pump.calibration_id = "pump-1" (before: not given)',
        "pump.ml_per_step = 0.00503 (before: 0.005)",
    )
    assert changes_between(before, before + "# a comment\n") == ()
    assert "cannot be compared" in changes_between("[", after)[0]


def test_an_unchanged_chamber_file_says_nothing(tmp_path, chamber_path):
    for _ in range(2):
        live, journal = started(tmp_path / "run", chamber_path)
        assert live.notes == []
        journal.close()


@pytest.mark.guards("H9", "host", "9410ae0c")
def test_a_restart_with_another_calibration_says_which_one_holds_from_then_on(tmp_path, chamber_path):
    _, journal = started(tmp_path / "run", chamber_path)
    journal.close()
    calibrated(chamber_path)
    record = newest(chamber_path)
    wardian("calibrate", "use", record["id"], "--chamber", chamber_path, "--by", "LK")

    live, journal = started(tmp_path / "run", chamber_path)
    ((event, words),) = live.notes
    assert event == m.CHAMBER_CHANGED
    assert f'pump.calibration_id = "{record["id"]}" (before: not given)' in words
    assert f"pump.ml_per_step = {record['settings']['ml_per_step']!r} (before: 0.005)" in words
    assert live.decider.settings.chamber.pump.calibration_id == record["id"]  # and doses take their factor from it

    moment = at(0)
    journal.append(reading(moment))
    journal.append(m.PhaseRecord(moment, m.WETTING, 0))
    journal.flush()
    export(journal, read_settings(PLAN, example_path("skerry-light.chamber.toml")), tmp_path / "tables")
    sheets = {path.name: " ".join(path.read_text().split()) for path in (tmp_path / "tables").glob("*.txt")}
    for name in ("climate.txt", "daily.txt", "water.txt"):
        assert "was changed in mid run" in sheets[name]
        assert record["id"] in sheets[name].replace(" ", "")
    assert words in (tmp_path / "tables" / "events.csv").read_text().replace('""', '"')
    journal.close()


def test_a_chamber_file_that_is_as_it_was_again_is_said_too(tmp_path, chamber_path):
    before = chamber_path.read_text()
    started(tmp_path / "run", chamber_path)[1].close()
    chamber_path.write_text(before.replace("ml_per_step = 0.005\n", "ml_per_step = 0.0051\n"))
    started(tmp_path / "run", chamber_path)[1].close()
    chamber_path.write_text(before)
    live, journal = started(tmp_path / "run", chamber_path)
    assert live.notes == [
        (m.CHAMBER_CHANGED, "From this start on the chamber file says again what it said when the run began.")
    ]
    journal.close()


def test_doses_before_and_after_carry_their_own_factor(tmp_path):
    other = replace(examples.CHAMBER.pump, ml_per_step=0.0051, ml_per_step_standard_uncertainty=0.00002)
    changed = replace(examples.SETTINGS, chamber=replace(examples.CHAMBER, pump=other))

    wanted = watering.Wanted(m.MOISTURE_LED, 12.0)
    for settings, factor in ((examples.SETTINGS, 0.005), (changed, 0.0051)):
        _, actions = watering.intend(examples.growing(), settings, wanted, settings.steps_for(12.0))
        assert actions[0].record.ml_per_step == factor
        assert actions[0].record.volume_ml == pytest.approx(12.0, abs=0.006)


def test_the_journal_of_a_run_keeps_the_text_that_it_was_begun_with(tmp_path, chamber_path):
    started(tmp_path / "run", chamber_path)[1].close()
    before = chamber_path.read_text()
    chamber_path.write_text(before.replace("ml_per_step = 0.005\n", "ml_per_step = 0.0051\n"))
    started(tmp_path / "run", chamber_path)[1].close()
    journal = Journal.open(tmp_path / "run" / "journal.sqlite")
    assert journal.run_row()["chamber_text"] == before
    assert calibrations.in_use(calibrations.folder_of(chamber_path)) == {}
    journal.close()
