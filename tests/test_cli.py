"""The command line, as a person types it."""

import csv
import json
import shutil
from contextlib import closing
from functools import partial

import pytest
from click.testing import CliRunner

from controller.asking import ask
from controller.cli import main
from controller.commands.rehearsing import _new_folder
from controller.commands.terminal import Exit
from controller.control import model as m
from controller.records.journal import Journal
from controller.settings import example_path, read_settings
from tests.journals import HOUR_MS, at, hydrate, new_journal, reading

PLAN = example_path("skerry-light.plan.toml")
CHAMBER = example_path("skerry-light.chamber.toml")


def typed(*words):
    return CliRunner().invoke(main, [str(word) for word in words], catch_exceptions=False)


@pytest.fixture(scope="module")
def rehearsed(tmp_path_factory):
    """The README's first command, two days of it, with a leak."""
    folder = tmp_path_factory.mktemp("rehearsal") / "run"
    result = typed("rehearse", "--days", "2", "--out", folder, "--fault", "leak@1d")
    assert result.exit_code == 0, result.output
    return folder, result.output


def test_a_rehearsal_leaves_every_file_that_the_readme_names(rehearsed):
    folder, _ = rehearsed
    names = ("run.html", "climate.csv", "daily.csv", "water.csv", "events.csv", "summary.json", "journal.sqlite")

    assert all((folder / name).stat().st_size > 500 for name in names)
    assert all((folder / f"{name}.txt").exists() for name in ("climate", "daily", "water", "events"))


@pytest.mark.guards("H10", "host", "ccf086fa")
def test_the_summary_holds_what_a_program_reads(rehearsed):
    summary = json.loads((rehearsed[0] / "summary.json").read_text())

    assert {
        "plan_sha256", "simulated_days", "wall_s", "readings", "doses_delivered", "water_planned_ml",
        "water_delivered_ml", "water_delivered_true_ml", "water_drained_ml", "water_held_ml", "trips",
        "photoperiod_h_mean", "daily_light_integral_mol_m2_mean", "degree_days", "emergence",
    } <= set(summary)  # fmt: skip
    assert summary["water_agrees"]
    assert summary["water_delivered_ml"] == pytest.approx(210.0)
    assert abs(summary["water_delivered_true_ml"] - 210.0) <= 2 * summary["water_delivered_standard_uncertainty_ml"]
    assert {trip["reason"] for trip in summary["trips"]} == {"leak_wet"}
    assert {"reason", "at_utc", "motor_off_delay_ms"} <= set(summary["trips"][0])
    assert set(summary["emergence"]) == {str(n) for n in range(1, 10)}


def test_what_went_wrong_is_said_in_plain_words(rehearsed):
    _, output = rehearsed

    assert "The leak probe is wet" in output
    assert "extra-low" in output


def test_the_page_asks_nothing_from_outside(rehearsed):
    page = (rehearsed[0] / "run.html").read_text()

    assert "<script" not in page
    assert "http" not in page.replace("http://www.w3.org/", "").replace("https://www.w3.org/", "")


def test_status_says_how_the_run_stands(rehearsed):
    folder, _ = rehearsed
    plain, for_programs = typed("status", folder), typed("status", folder, "--json")

    assert "Growing." in plain.output
    assert "silent" in plain.output
    status = json.loads(for_programs.output)
    assert status["phase"] == "growing"
    assert status["given_first_wetting_ml"] == pytest.approx(210.0)


def test_export_writes_the_span_and_step_that_was_asked_for(rehearsed, tmp_path):
    folder, _ = rehearsed
    wish = ("--from", "2026-03-02T12:00Z", "--to", "2026-03-02T18:00", "--every", "1h", "--out", tmp_path / "tables")
    result = typed("export", folder, *wish)

    assert result.exit_code == 0, result.output
    with (tmp_path / "tables" / "climate.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["at_utc"][11:16] for row in rows] == ["12:00", "13:00", "14:00", "15:00", "16:00", "17:00"]


@pytest.mark.parametrize("every", ["0s", "10", "ten", "25h", "-1h", "1.5h"])
def test_a_span_that_is_not_understood_is_told(rehearsed, every):
    result = typed("export", rehearsed[0], "--every", every)

    assert result.exit_code == Exit.SETTINGS
    assert result.output.count("\n") == 1
    assert f"--every {every}" in result.output


def test_a_finished_rehearsal_is_not_overwritten(rehearsed):
    result = typed("rehearse", "--days", "1", "--out", rehearsed[0])

    assert result.exit_code == Exit.JOURNAL
    assert "already holds a run" in result.output


def test_a_folder_without_a_run_is_told(tmp_path):
    for command in (("status", tmp_path), ("export", tmp_path), ("sign", tmp_path, "gloves", "--by", "LK")):
        result = typed(*command)
        assert result.exit_code == Exit.JOURNAL
        assert "no journal here" in result.output


@pytest.mark.parametrize(
    ("phase", "age_h", "ends"), [(m.ENDED, 1.0, Exit.JOURNAL), (m.ENDED, 0.0, Exit.WELL), (m.GROWING, 1.0, Exit.WELL)]
)
def test_a_run_that_has_ended_takes_no_request(tmp_path, monkeypatch, phase, age_h, ends):
    with closing(new_journal(tmp_path, read_settings(PLAN, CHAMBER))) as journal:
        hydrate(journal)
        journal.append(m.PhaseRecord(at(HOUR_MS), phase, HOUR_MS))
        journal.append(reading(at(HOUR_MS)))
    now_ms = at(HOUR_MS + round(age_h * HOUR_MS)).utc_ms
    monkeypatch.setattr("controller.asking.now_utc_ms", lambda journal: now_ms)
    monkeypatch.setattr("controller.asking.ask", partial(ask, within_s=0.0))
    result = typed("sign", tmp_path, "drain", "--by", "LK")
    with closing(Journal.open(tmp_path / "journal.sqlite")) as journal:
        written = list(journal.records(m.Request))

    assert result.exit_code == ends, result.output
    assert (len(written) == 1) == (ends == Exit.WELL)
    words = "has ended and takes no more requests" if ends else "It will when it runs again"
    assert words in " ".join(result.output.split())


# -- faults of the person: one clear sentence each, nothing started ----


def with_changes(tmp_path, source, **changes):
    text = source.read_text()
    for old, new in changes.values():
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path = tmp_path / source.name
    path.write_text(text)
    return path


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("aliquot_ml = 50 ", "aliquot_ml = 500 "), ("first_wetting.aliquot_ml", "500", "55")),
        (("light_h = 16 ", "light_h = 25 "), ("photoperiod.light_h", "25", "24")),
        (("length_days = 21 ", "lenght_days = 21 "), ("lenght_days", "length_days")),
    ],
)
def test_a_mistake_in_a_plan_is_told_with_file_key_and_bound(tmp_path, change, said):
    plan = with_changes(tmp_path, PLAN, change=change)
    result = typed("rehearse", plan, "--out", tmp_path / "run")

    assert result.exit_code == Exit.SETTINGS
    for word in (plan.name, *said):
        assert word in result.output
    assert not (tmp_path / "run").exists()
    assert "Traceback" not in result.output


def test_all_mistakes_of_both_files_are_told_at_once(tmp_path):
    plan = with_changes(
        tmp_path, PLAN, a=("aliquot_ml = 50 ", "aliquot_ml = 500 "), b=("light_h = 16 ", "light_h = 25 ")
    )
    chamber = with_changes(tmp_path, CHAMBER, a=("steps_per_s = 200", "steps_per_s = 0"))
    result = typed("rehearse", plan, "--chamber", chamber, "--out", tmp_path / "run")

    assert result.exit_code == Exit.SETTINGS
    for word in ("aliquot_ml", "light_h", "steps_per_s"):
        assert word in result.output


@pytest.mark.parametrize("words", [("rehearse", "no.toml"), ("check", "--chamber", "no.toml")])
def test_a_file_that_does_not_exist_is_told(words):
    result = typed(*words)

    assert result.exit_code == Exit.SETTINGS
    assert "no.toml" in result.output


def test_a_port_and_a_sensor_that_do_not_exist_are_told_each_in_a_sentence(tmp_path):
    chamber = shutil.copy(CHAMBER, tmp_path)  # what a check finds is kept beside the chamber file
    result = typed("check", "--chamber", chamber, "--out", tmp_path, "--json")
    findings = {finding["part"]: finding for finding in json.loads(result.output)}

    assert result.exit_code == Exit.FOUND_WANTING
    assert not findings["board"]["well"]
    assert "serial_port" in findings["board"]["words"]
    assert not findings["air sensor"]["well"]
    assert "I2C bus" in findings["air sensor"]["words"]
    assert findings["disk"]["well"]


def test_a_fault_that_does_not_exist_is_told_with_those_that_do(tmp_path):
    result = typed("rehearse", "--fault", "lek@3d", "--out", tmp_path / "run")

    assert result.exit_code == Exit.SETTINGS
    assert "tube-off" in result.output


def test_the_faults_can_be_listed():
    assert "the tray leaks" in typed("rehearse", "--faults").output


def test_every_command_explains_itself():
    listed = typed("--help").output
    for command in main.commands:
        assert command in listed
        assert typed(command, "--help").output.count("\n") > 5


@pytest.mark.parametrize(("name", "stem"), [("Cress and radish, 21 days", "cress-and-radish-21-days-"), ("!", "run-")])
def test_a_rehearsals_folder_is_named_after_its_plan_in_plain_letters(name, stem, tmp_path):
    assert _new_folder(tmp_path, name).name.startswith(stem)
