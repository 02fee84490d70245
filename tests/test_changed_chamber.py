"""A chamber file that changed while a run stood still: what holds from then on is said and written down."""

import csv
import shutil
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from controller.bench import records as calibrations
from controller.chamber.simulated import SimulatedChamber
from controller.cli import main
from controller.commands.terminal import Exit
from controller.control import dose_life, watering
from controller.control import model as m
from controller.errors import JournalError, SettingsError
from controller.judging.changes import changes_between
from controller.parcels.archive import archive
from controller.parcels.sealing import seal
from controller.parcels.unsealing import unseal
from controller.records.export import export
from controller.records.journal import Journal
from controller.records.overview import Overview
from controller.records.series import Window
from controller.records.status import status_of
from controller.run import LiveRun, open_run
from controller.run_settings import settings_of
from controller.settings import example_path, read_settings
from controller.twins.gathering import twin_of
from controller.twins.sheet import rows_of
from controller.twins.sources import FIRST_FILE, gather
from controller.web.watching import Run
from tests import examples
from tests.journals import HOUR_MS, at, fill, hydrate, new_journal, reading
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


@pytest.mark.guards("H9", "host", "9410ae0c")
def test_the_chamber_file_of_another_site_is_refused_for_a_run_that_goes_on(tmp_path, chamber_path, mocker):
    mocker.patch("controller.commands.running.LiveRun.run", return_value=m.State(now=examples.moment(1)))
    before = chamber_path.read_text()
    started(tmp_path / "run", chamber_path)[1].close()
    journal = (tmp_path / "run" / "journal.sqlite").read_bytes()
    other = tmp_path / "eastmoor.chamber.toml"
    other.write_text(before.replace('name = "Skerry Light"', 'name = "Eastmoor"'))
    answer = CliRunner().invoke(
        main, ["run", str(PLAN), "--chamber", str(other), "--out", str(tmp_path / "run"), "--simulated"]
    )

    assert answer.exit_code == Exit.SETTINGS
    assert answer.output.split("\n")[0] == (
        f'{other}: site.name is "Eastmoor", but the run in {tmp_path / "run"} is one of "Skerry Light"; '
        "give its own chamber file, or another folder with --out."
    )
    assert (tmp_path / "run" / "journal.sqlite").read_bytes() == journal


def test_the_site_is_the_one_of_the_newest_chamber_file_and_its_place_and_zone_may_change(tmp_path, chamber_path):
    text = chamber_path.read_text()
    started(tmp_path / "run", chamber_path)[1].close()
    moved = text.replace('place = "lighthouse keeper\'s bench"', 'place = "the lamp room"')
    moved = moved.replace('time_zone = "Atlantic/Faroe"', 'time_zone = "Europe/London"')
    assert moved.count("the lamp room") == moved.count("Europe/London") == 1
    chamber_path.write_text(moved)
    live, journal = started(tmp_path / "run", chamber_path)
    journal.close()
    assert [event for event, _ in live.notes] == [m.CHAMBER_FILE, m.CHAMBER_CHANGED]

    chamber_path.write_text(moved.replace('name = "Skerry Light"', 'name = "Eastmoor"'))
    with pytest.raises(SettingsError, match=r'site\.name is "Eastmoor", .* one of "Skerry Light"'):
        started(tmp_path / "run", chamber_path)


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
    (file, text), (event, words) = live.notes
    assert (file, text, event) == (m.CHAMBER_FILE, live.settings.chamber_text, m.CHAMBER_CHANGED)
    assert f'pump.calibration_id = "{record["id"]}" (before: not given)' in words
    assert f"pump.ml_per_step = {record['settings']['ml_per_step']!r} (before: 0.005)" in words
    assert live.decider.settings.chamber.pump.calibration_id == record["id"]  # and doses take their factor from it

    moment = at(0)
    journal.append(reading(moment))
    journal.append(m.PhaseRecord(moment, m.WETTING, 0))
    journal.flush()
    export(journal, settings_of(journal), tmp_path / "tables")
    sheets = {path.name: " ".join(path.read_text().split()) for path in (tmp_path / "tables").glob("*.txt")}
    for name in ("climate.txt", "daily.txt", "water.txt"):
        assert "was changed in mid run" in sheets[name]
        assert "by the file that held when each reading was taken" in sheets[name]
        assert record["id"] in sheets[name].replace(" ", "")
    told = (tmp_path / "tables" / "events.csv").read_text().replace('""', '"')
    assert words in told
    assert m.CHAMBER_FILE not in told  # a whole file is no line of a table
    journal.close()


def test_a_chamber_file_that_is_as_it_was_again_is_said_too(tmp_path, chamber_path):
    before = chamber_path.read_text()
    started(tmp_path / "run", chamber_path)[1].close()
    chamber_path.write_text(before.replace("ml_per_step = 0.005\n", "ml_per_step = 0.0051\n"))
    started(tmp_path / "run", chamber_path)[1].close()
    chamber_path.write_text(before)
    live, journal = started(tmp_path / "run", chamber_path)
    assert live.notes == [
        (m.CHAMBER_FILE, before),
        (m.CHAMBER_CHANGED, "From this start on the chamber file says again what it said when the run began."),
    ]
    journal.close()


def test_a_file_is_kept_whole_only_at_the_first_start_with_it(tmp_path, chamber_path):
    started(tmp_path / "run", chamber_path)[1].close()
    chamber_path.write_text(chamber_path.read_text().replace("ml_per_step = 0.005\n", "ml_per_step = 0.0051\n"))
    for kept in (True, False):
        live, journal = started(tmp_path / "run", chamber_path)
        assert [event for event, _ in live.notes] == [m.CHAMBER_FILE] * kept + [m.CHAMBER_CHANGED]
        journal.close()


# -- readings before and after ----

CHANGES = (
    ("wet_count = 1200\n", "wet_count = 1340\n"),
    ("ppfd_at_full_duty_umol_m2_s = 300 ", "ppfd_at_full_duty_umol_m2_s = 250 "),
)


WINDOW = Window(at(0).utc_ms, at(26 * HOUR_MS).utc_ms)


@pytest.fixture
def two_files(tmp_path, chamber_path):
    """Six hours with one chamber file, and from another boot on eighteen with probe and lamp calibrated anew."""
    settings = read_settings(PLAN, chamber_path)
    text = chamber_path.read_text()
    for before, after in CHANGES:
        assert text.count(before) == 1, before
        text = text.replace(before, after)
    journal = new_journal(tmp_path, settings)
    journal.append(m.BootRecord(at(0), "0.1.0"))
    hydrate(journal)
    fill(journal, 0, 6 * HOUR_MS, 10_000, lamp_duty_fraction=0.5)
    second = at(6 * HOUR_MS, boot_id=2)
    journal.append(m.BootRecord(second, "0.1.0"))
    journal.append(m.EventRecord(second, m.CHAMBER_FILE, text))
    journal.append(m.EventRecord(second, m.CHAMBER_CHANGED, "From this start on the chamber file says: more."))
    for since_ms in range(6 * HOUR_MS, 24 * HOUR_MS + 1, 10_000):
        journal.append(reading(at(since_ms, boot_id=2), lamp_duty_fraction=0.5))
    journal.flush()
    yield journal
    journal.close()


def content_fraction(settings, number):
    """By hand: a line through the probe's two points, at the 1740 counts of every reading."""
    probe = settings.chambers[number].moisture_probe
    share = (1740 - probe.dry_count) / (probe.wet_count - probe.dry_count)
    return probe.dry_fraction + share * (probe.wet_fraction - probe.dry_fraction)


def test_each_reading_is_converted_by_the_file_that_held_when_it_was_taken(tmp_path, two_files):
    settings = settings_of(two_files)
    before, after = content_fraction(settings, 0), content_fraction(settings, 1)
    assert abs(after - before) > 0.01
    export(two_files, settings, tmp_path / "tables")
    with (tmp_path / "tables" / "climate.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))

    assert len(rows) == 24 * 360 + 1
    for row in rows:
        early = row["at_utc"] < "2026-03-02T06:00"
        assert float(row["water_content_fraction"]) == pytest.approx(before if early else after, abs=6e-5)
        assert float(row["ppfd_umol_m2_s"]) == (150.0 if early else 125.0)
    with (tmp_path / "tables" / "daily.csv").open(encoding="utf-8-sig", newline="") as file:
        day = next(csv.DictReader(file))
    # 6 h at 150 and 18 h at 125 umol m-2 s-1
    assert float(day["daily_light_integral_mol_m2"]) == pytest.approx((6 * 150 + 18 * 125) * 3600 / 1e6, abs=0.006)
    mean = (6 * before + 18 * after) / 24
    assert float(day["water_content_mean_fraction"]) == pytest.approx(mean, abs=6e-4)


def test_the_page_shows_what_the_controller_goes_by(tmp_path, two_files):
    settings = settings_of(two_files)
    curves = Overview(settings).curves(two_files, WINDOW, 1_000)
    assert set(np.round(curves["water_content_fraction"].values, 6)) == {
        round(content_fraction(settings, number), 6) for number in (0, 1)
    }
    assert status_of(two_files, settings, at(24 * HOUR_MS).utc_ms).water_content_fraction == pytest.approx(
        content_fraction(settings, 1)
    )


def test_a_page_that_is_open_takes_up_the_file_of_a_restart(tmp_path, two_files, chamber_path):
    run = Run(tmp_path)
    overview = Overview(run.settings, renewed=run.settings_by)
    overview.catch_up(two_files)
    third = at(24 * HOUR_MS + 1, boot_id=3)
    two_files.append(m.BootRecord(third, "0.1.0"))
    two_files.append(m.EventRecord(third, m.CHAMBER_FILE, chamber_path.read_text()))
    two_files.append(reading(at(25 * HOUR_MS, boot_id=3)))
    two_files.flush()
    look = run.look(fresh=True)
    overview.catch_up(two_files)

    assert len(run.settings.later_chambers) == 2
    assert look.status.water_content_fraction == pytest.approx(content_fraction(run.settings, 0))
    assert overview.curves(two_files, WINDOW, 1_000)["water_content_fraction"].values[-1] == pytest.approx(
        content_fraction(run.settings, 0)
    )


def test_parcels_carry_every_file_and_a_comparison_goes_by_them(tmp_path, two_files):
    assert len(list(seal(two_files, settings_of(two_files)))) == 1
    (unsealed,) = list(unseal(tmp_path / "parcels", tmp_path / "unsealed"))
    settings = settings_of(two_files)
    assert unsealed.settings.chambers == settings.chambers

    twin = twin_of(unsealed.journal, unsealed.settings, tmp_path)
    unsealed.journal.close()
    wanted = [content_fraction(settings, 0)] * 6 + [content_fraction(settings, 1)] * 18
    assert twin.hours.water_content_fraction[:24].tolist() == pytest.approx(wanted)


def test_doses_before_and_after_carry_their_own_factor(tmp_path):
    other = replace(examples.CHAMBER.pump, ml_per_step=0.0051, ml_per_step_standard_uncertainty=0.00002)
    changed = replace(examples.SETTINGS, chamber=replace(examples.CHAMBER, pump=other))

    wanted = watering.Wanted(m.MOISTURE_LED, 12.0)
    for settings, factor in ((examples.SETTINGS, 0.005), (changed, 0.0051)):
        _, actions = dose_life.open_dose(examples.growing(), settings, wanted, settings.steps_for(12.0))
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


def test_the_sheet_of_a_twin_names_each_calibration_in_its_turn(tmp_path, two_files):
    settings = settings_of(two_files)
    later = replace(settings.chambers[1].moisture_probe, calibrated_on=date(2026, 3, 2))
    second = settings.later_chambers[0]._replace(chamber=replace(settings.chambers[1], moisture_probe=later))
    twin = twin_of(two_files, replace(settings, later_chambers=(second,)), tmp_path)
    values = {row.quantity: row.values for row in rows_of([twin]) if row.group == "Calibration"}

    assert values["moisture probe"] == ["2026-02-17, ± 0.02 ml/ml; then 2026-03-02, ± 0.02 ml/ml"]
    assert "then" not in values["pump"][0]


def test_a_comparison_out_of_an_archive_says_that_it_goes_by_the_first_file(tmp_path, two_files):
    archive(two_files, settings_of(two_files), tmp_path / "archive")
    assert gather(tmp_path / "archive").not_carried.endswith(FIRST_FILE)


# -- a start on a full disk ----


class FullDisk:
    """A journal of a run whose disk has no room for some records while ``full`` is set."""

    def __init__(self, journal, monkeypatch, fits):
        self.full, self._fits, self._append = False, fits, journal.append
        monkeypatch.setattr(journal, "append", self.append)

    def append(self, record):
        if self.full and not self._fits(record):
            raise JournalError("journal.sqlite: the disk is full")
        self._append(record)


def is_whole_file(record):
    return isinstance(record, m.EventRecord) and record.event == m.CHAMBER_FILE


@pytest.mark.guards("H9", "host", "9410ae0c")
@pytest.mark.parametrize(
    "fits",
    [lambda record: False, lambda record: isinstance(record, m.BootRecord), lambda record: not is_whole_file(record)],
    ids=["nothing fits", "the boot fits", "all but the whole file fits"],
)
def test_a_new_chamber_file_that_could_not_be_written_at_the_start_is_written_first_when_there_is_room_again(
    tmp_path, chamber_path, monkeypatch, fits
):
    started(tmp_path / "run", chamber_path)[1].close()
    chamber_path.write_text(chamber_path.read_text().replace("dry_count = 3000", "dry_count = 3100"))
    settings = read_settings(PLAN, chamber_path)
    journal = open_run(tmp_path / "run", settings, simulated=True)
    disk = FullDisk(journal, monkeypatch, fits)
    chamber = SimulatedChamber(settings, 1, examples.START_UTC_MS)
    live = LiveRun(settings, chamber, journal)
    boot_id = live.decider.moment().boot_id

    disk.full = True
    live.decider.handle(m.Started(live.decider.moment(), "0.1.0", tuple(live.notes)))
    for second in range(1, 240):
        disk.full = second < 120
        chamber.advance_to(second * 1_000)
        live.decider.tick()
        if second % 10 == 0:
            live.decider.sample()
    journal.flush()

    assert any(each.at.boot_id == boot_id for each in journal.records(m.ReadingRecord))
    assert settings_of(journal).chamber_of(boot_id).moisture_probe == settings.chamber.moisture_probe
    mine = [record for record in journal.history() if record.at.boot_id == boot_id]
    assert isinstance(mine[0], m.BootRecord)
    told = [record.event for record in mine if isinstance(record, m.EventRecord)]
    assert (told.count(m.CHAMBER_FILE), told.count(m.CHAMBER_CHANGED)) == (1, 1)
    assert told.index(m.CHAMBER_FILE) < told.index(m.CHAMBER_CHANGED) < told.index("records_resumed")
    assert sum(isinstance(record, m.BootRecord) for record in mine) == 1
    journal.close()
