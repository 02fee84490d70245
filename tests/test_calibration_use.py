"""A calibration is put into use whole or not at all: the chamber file is judged as it would be, before anything is."""

import os
import re
import shutil
from datetime import UTC, datetime

import pytest
from click.testing import CliRunner
from starlette.testclient import TestClient

from controller.bench import records
from controller.bench.taking import put_into_use
from controller.cli import main
from controller.commands.terminal import Exit
from controller.control import model as m
from controller.errors import SettingsError
from controller.records.journal import Journal
from controller.rehearse import rehearse
from controller.settings import example_path, read_chamber, read_settings
from controller.web.app import build_app
from controller.web.workbench import Workbench
from tests.journals import at
from tests.page_server import CODES, make_site

AT_UTC = datetime(2026, 3, 2, tzinfo=UTC)
PLAN = example_path("skerry-light.plan.toml")
AT_THE_BOARD = {"dose_max_ml": 60, "daily_max_ml": 300}  # what the board gives at 0.005 ml a step
OF_PROBE = {"dry_count": 3000, "dry_fraction": 0.02, "wet_count": 1200, "wet_fraction": 0.42,
            "standard_uncertainty_fraction": 0.02, "calibrated_on": "2026-03-01"}  # fmt: skip
OF_LAMP = {"ppfd_at_full_duty_umol_m2_s": 300.0}


@pytest.fixture
def chamber_path(tmp_path):
    path = tmp_path / "skerry.chamber.toml"
    shutil.copy(example_path("skerry-light.chamber.toml"), path)
    return path


def set_limits(path, **limits):
    text = path.read_text()
    for key, value in limits.items():
        text = re.sub(rf"^{key} = \S+", f"{key} = {value}", text, flags=re.MULTILINE)
    path.write_text(text)


def kept(path, kind="pump", second=0, **settings):
    """A good calibration of a kind beside the chamber file."""
    known = {"moisture": OF_PROBE, "lamp": OF_LAMP}.get(kind)
    content = {"by": "LK", "accepted": True, "refused_because": [], "words": ["It fits."], "result": {}, "data": {}}
    if known is None:
        factor = {"ml_per_step": 0.00496, "ml_per_step_standard_uncertainty": 0.00002} | settings
        content |= {"tubing_lot": "SL-07", "result": factor}
        known = {**factor, "calibrated_on": "2026-03-01"}
    moment = datetime(2026, 3, 1, 10, 0, second, tzinfo=UTC)
    content |= {"at_utc": moment.isoformat(), "settings": known | settings}
    return records.keep(records.folder_of(path), kind, moment, content)


def use(path, record_id, *more):
    words = ["calibrate", "use", record_id, "--chamber", str(path), "--by", "LK", "--runs", str(path.parent), *more]
    return CliRunner().invoke(main, words)


def everything(path):
    """Each file beside the chamber file, and the chamber file, byte for byte."""
    return {each: each.read_bytes() for each in path.parent.rglob("*") if each.is_file()}


def run_under_way(path, *, simulated=False, ended=False):
    """A run of this chamber with the example's plan, as a power cut leaves it."""
    folder = path.parent / "run"
    folder.mkdir()
    settings = read_settings(PLAN, path)
    journal = Journal.create(folder / "journal.sqlite", "20260301T080000Z-skerry", settings, "0.1.0", simulated)
    journal.append(m.PhaseRecord(at(0), m.ENDED if ended else m.GROWING, 0))
    journal.close()


# -- the chamber file as it would be ----


def test_a_good_pump_calibration_that_the_limits_do_not_fit_is_not_put_into_use_and_says_which_limits_would(
    chamber_path,
):
    set_limits(chamber_path, **AT_THE_BOARD)
    record_id = kept(chamber_path)  # 0.8 % lower: the board gives 59.52 ml in a dose and 297.6 in a day
    before = everything(chamber_path)
    done = use(chamber_path, record_id)

    assert done.exit_code == Exit.SETTINGS
    assert everything(chamber_path) == before
    assert read_chamber(chamber_path).pump.ml_per_step == 0.005  # and the service starts again
    assert done.output.splitlines() == [
        f"{record_id}: not put into use and nothing was changed, since the next start would be refused.",
        "skerry.chamber.toml: limits.dose_max_ml is 60, which is 12096 pump steps, but the board turns at most 12000 "
        "in one dose: 59.52 ml at pump.ml_per_step = 0.00496.",
        "skerry.chamber.toml: limits.daily_max_ml is 300, which is 60483 pump steps, but the board turns at most 60000 "
        "in 24 hours: 297.6 ml at pump.ml_per_step = 0.00496.",
        "skerry.chamber.toml: limits.dose_max_ml = 56.5 would fit and stay 5 % below the board's limit; write that "
        "into the file, or let wardian calibrate use do it (--fit-limits).",
        "skerry.chamber.toml: limits.daily_max_ml = 282 would fit and stay 5 % below the board's limit; write that "
        "into the file, or let wardian calibrate use do it (--fit-limits).",
    ]


def test_limits_are_lowered_with_the_calibration_on_request_and_by_one_record(chamber_path):
    set_limits(chamber_path, **AT_THE_BOARD)
    record_id = kept(chamber_path)
    before = everything(chamber_path)
    done = use(chamber_path, record_id, "--fit-limits")

    assert done.exit_code == Exit.WELL, done.output
    for words in ("limits.dose_max_ml = 56.5 (before: 60)", "limits.daily_max_ml = 282.0 (before: 300)"):
        assert words in done.output
    (new,) = everything(chamber_path).keys() - before.keys()
    assert new.name.startswith("use-")
    assert everything(chamber_path) == before | {new: new.read_bytes()}
    found = read_settings(PLAN, chamber_path).chamber
    assert (found.limits.dose_max_ml, found.limits.daily_max_ml) == (56.5, 282)
    assert found.pump.calibration_id == record_id


def test_a_limit_that_a_person_lowers_later_is_never_raised_again_by_a_calibration(chamber_path):
    set_limits(chamber_path, **AT_THE_BOARD)
    use(chamber_path, kept(chamber_path), "--fit-limits")
    set_limits(chamber_path, dose_max_ml=50.5)

    limits = read_chamber(chamber_path).limits
    assert (limits.dose_max_ml, limits.daily_max_ml) == (50.5, 282)


def test_limits_that_fit_are_left_alone(chamber_path):
    done = use(chamber_path, kept(chamber_path), "--fit-limits")

    assert done.exit_code == Exit.WELL
    assert "limits." not in done.output
    assert read_chamber(chamber_path).limits.dose_max_ml == 55


def test_the_limits_of_the_file_hold_again_with_the_next_calibration_if_they_fit_it(chamber_path):
    set_limits(chamber_path, **AT_THE_BOARD)
    use(chamber_path, kept(chamber_path), "--fit-limits")
    done = use(chamber_path, kept(chamber_path, ml_per_step=0.0051, second=1))

    assert done.exit_code == Exit.WELL, done.output
    assert "limits.daily_max_ml = 300 (before: 282.0)" in done.output
    assert read_chamber(chamber_path).limits.dose_max_ml == 60


def test_a_chamber_that_is_refused_with_the_calibration_in_use_can_take_another(chamber_path):
    set_limits(chamber_path, **AT_THE_BOARD)
    folder, low = records.folder_of(chamber_path), kept(chamber_path)
    records.keep_use(folder, records.Use(records.usable(folder, low), {}), "LK", datetime(2026, 3, 1, tzinfo=UTC))
    with pytest.raises(SettingsError):
        read_chamber(chamber_path)

    assert use(chamber_path, kept(chamber_path, ml_per_step=0.0051, second=1)).exit_code == Exit.WELL
    assert read_chamber(chamber_path).pump.ml_per_step == 0.0051


@pytest.mark.parametrize(("kind", "settings", "words"), [
    ("pump", {"ml_per_step": 1e-7, "ml_per_step_standard_uncertainty": 0.0}, "pump.ml_per_step is 1e-07; give a num"),
    ("pump", {"ml_per_step_standard_uncertainty": 0.005}, "pump.ml_per_step_standard_uncertainty is 0.005, which is "),
    ("moisture", {"wet_count": 3000}, "moisture_probe.wet_count is 3000, the same as moisture_probe.dry_count;"),
    ("moisture", {"dry_count": 4096}, "moisture_probe.dry_count is 4096, but the board counts at most 4095."),
    ("moisture", {"dry_fraction": 0.43}, "moisture_probe.dry_fraction is 0.43, which is not below moisture_probe.wet"),
    ("moisture", {"dry_count": 2999.5}, "moisture_probe.dry_count is 2999.5; give a whole number"),
    ("lamp", {"ppfd_at_full_duty_umol_m2_s": 5001.0}, "lamp.ppfd_at_full_duty_umol_m2_s is 5001.0; give a number ove"),
    ("lamp", {"gain": 1.0}, "lamp.gain is not a key of a chamber"),
])  # fmt: skip
def test_no_kind_of_calibration_makes_the_chamber_file_refused(chamber_path, kind, settings, words):
    record_id = kept(chamber_path, kind, **settings)
    before = everything(chamber_path)
    done = use(chamber_path, record_id)

    assert done.exit_code == Exit.SETTINGS
    assert words in done.output
    assert "would fit" not in done.output
    assert everything(chamber_path) == before


@pytest.mark.parametrize("kind", ["pump", "moisture", "lamp"])
def test_each_kind_is_put_into_use_when_all_is_well_and_told_key_by_key(chamber_path, kind):
    record_id = kept(chamber_path, kind)
    done = use(chamber_path, record_id)
    found = read_chamber(chamber_path)

    assert done.exit_code == Exit.WELL, done.output
    section = records.SECTIONS[kind]
    assert getattr(found, section).calibration_id == record_id
    assert f'{section}.calibration_id = "{record_id}" (before: not given)' in done.output


def test_a_calibration_of_another_tube_is_not_put_into_use(chamber_path):
    record_id = kept(chamber_path)
    chamber_path.write_text(chamber_path.read_text().replace('"SL-07"', '"SL-08"'))
    before = everything(chamber_path)
    done = use(chamber_path, record_id)

    assert done.exit_code == Exit.SETTINGS
    assert "was made with tubing lot 'SL-07', but pump.tubing_lot is 'SL-08'" in done.output
    assert everything(chamber_path) == before


@pytest.mark.parametrize(("kind", "written"), [
    ("pump", 'pump = { ml_per_step = 0.005, ml_per_step_standard_uncertainty = 0.00004, steps_per_s = 200, '
             'calibrated_on = 2026-02-16, tubing_lot = "SL-07" }'),
    ("lamp", "lamp.ppfd_at_full_duty_umol_m2_s = 300"),
])  # fmt: skip
def test_a_section_that_cannot_take_a_calibration_is_told_and_not_passed_over(chamber_path, kind, written):
    record_id = kept(chamber_path, kind)
    text = re.sub(rf"^\[{kind}\]\n(?:(?!\[).*\n)*", "", chamber_path.read_text(), flags=re.MULTILINE)
    chamber_path.write_text(f"{written}\n{text}")
    read_chamber(chamber_path)
    done = use(chamber_path, record_id)

    assert done.exit_code == Exit.SETTINGS
    assert f"{kind} must stand as a table under the line [{kind}] to take a calibration." in done.output
    assert list(records.folder_of(chamber_path).glob("use-*")) == []


def test_every_fault_is_told_at_once_when_the_file_had_others_already(chamber_path):
    set_limits(chamber_path, **AT_THE_BOARD)
    chamber_path.write_text(chamber_path.read_text().replace("status_lamp = 23", "status_lamp = 18"))
    done = use(chamber_path, kept(chamber_path))

    assert done.exit_code == Exit.SETTINGS
    assert "pins.status_lamp is 18, but pins.lamp has that pin already." in done.output
    assert "limits.dose_max_ml is 60" in done.output
    assert "would fit" not in done.output  # lower limits alone would not help


# -- the plan that is under way ----


@pytest.mark.parametrize(("kind", "settings", "words"), [
    ("lamp", {"ppfd_at_full_duty_umol_m2_s": 150.0}, "photoperiod.ppfd_umol_m2_s is 180, but this chamber's lamp give"),
    ("moisture", {"wet_fraction": 0.27}, "watering.moisture.high_fraction is 0.28, but this chamber's moisture probe"),
    ("pump", {"ml_per_step": 0.42}, "first_wetting.push_rate_max_ml_per_min is 25, but this chamber's pump gives at"),
])  # fmt: skip
def test_a_calibration_with_which_the_run_under_way_could_not_go_on_is_not_put_into_use(
    chamber_path, kind, settings, words
):
    record_id = kept(chamber_path, kind, **settings)
    run_under_way(chamber_path)
    before = everything(chamber_path)
    done = use(chamber_path, record_id)

    assert done.exit_code == Exit.SETTINGS
    assert f"{chamber_path.parent / 'run'}: {words}" in done.output
    assert {each: text for each, text in everything(chamber_path).items() if each.parent.name != "run"} == {
        each: text for each, text in before.items() if each.parent.name != "run"
    }


@pytest.mark.parametrize("how", [{"ended": True}, {"simulated": True}])
def test_a_run_that_is_over_or_simulated_holds_no_calibration_back(chamber_path, how):
    record_id = kept(chamber_path, "lamp", ppfd_at_full_duty_umol_m2_s=150.0)
    run_under_way(chamber_path, **how)

    assert use(chamber_path, record_id).exit_code == Exit.WELL


def test_the_run_of_another_chamber_holds_no_calibration_back(chamber_path):
    record_id = kept(chamber_path, "lamp", ppfd_at_full_duty_umol_m2_s=150.0)
    run_under_way(chamber_path)
    chamber_path.write_text(chamber_path.read_text().replace('name = "Skerry Light"', 'name = "Eastmoor"'))

    assert use(chamber_path, record_id).exit_code == Exit.WELL


def test_lower_limits_are_not_offered_where_the_run_under_way_could_not_go_on_with_them(chamber_path):
    set_limits(chamber_path, **AT_THE_BOARD)
    record_id = kept(chamber_path, ml_per_step=0.0045)  # the board gives 270 ml in a day, and 256 leave the room
    plan = chamber_path.parent / "thirsty.plan.toml"
    plan.write_text(PLAN.read_text().replace("total_ml = 210 ", "total_ml = 260 "))
    settings = read_settings(plan, chamber_path)
    (chamber_path.parent / "run").mkdir()
    Journal.create(chamber_path.parent / "run" / "journal.sqlite", "20260301T0800Z", settings, "0.1.0", False).close()

    for more in ((), ("--fit-limits",)):
        done = use(chamber_path, record_id, *more)
        assert done.exit_code == Exit.SETTINGS
        assert "would fit" not in done.output
        assert list(records.folder_of(chamber_path).glob("use-*")) == []


# -- all or nothing ----


@pytest.mark.parametrize("broken", ["write", "fsync", "replace", "fsync_of_folder"])
def test_a_change_that_breaks_off_anywhere_leaves_nothing_of_it(chamber_path, monkeypatch, broken):
    record_id = kept(chamber_path)
    before = everything(chamber_path)
    calls = []

    def full(*args):
        raise OSError(28, "No space left on device")

    def full_the_second_time(handle):
        calls.append(handle)
        if len(calls) == 2:
            full()

    if broken == "write":
        real = os.fdopen
        monkeypatch.setattr(os, "fdopen", lambda handle, mode: _Full(real(handle, mode)))
    else:
        what = full_the_second_time if broken == "fsync_of_folder" else full
        monkeypatch.setattr(os, broken.removesuffix("_of_folder"), what)
    done = use(chamber_path, record_id)
    monkeypatch.undo()

    assert done.exit_code == Exit.SETTINGS
    assert "the record cannot be written (No space left on device)" in done.output
    assert everything(chamber_path) == before
    assert read_chamber(chamber_path).pump.calibration_id == ""


class _Full:
    """A file on a disk that takes nothing more."""

    def __init__(self, file):
        self._file = file

    def __enter__(self):
        return self

    def __exit__(self, *args):
        self._file.close()

    def write(self, content):
        self._file.write(content[: len(content) // 2])
        raise OSError(28, "No space left on device")


class PowerCut(BaseException):
    """Nothing of the program runs after this."""


@pytest.mark.parametrize("cut_in", ["fsync", "replace"])
def test_a_power_cut_in_the_middle_leaves_the_chamber_as_it_was_and_the_next_use_works(
    chamber_path, monkeypatch, cut_in
):
    record_id = kept(chamber_path)

    def cut(*args, **kwargs):
        raise PowerCut

    monkeypatch.setattr(os, cut_in, cut)
    monkeypatch.setattr("pathlib.Path.unlink", cut)  # what is left lying there is left
    with pytest.raises(PowerCut):
        put_into_use(chamber_path, record_id, "LK", AT_UTC)
    monkeypatch.undo()

    assert len(list(records.folder_of(chamber_path).glob("use-*.new"))) == 1
    assert read_chamber(chamber_path).pump.calibration_id == ""
    put_into_use(chamber_path, record_id, "LK", AT_UTC)
    assert read_chamber(chamber_path).pump.calibration_id == record_id
    assert records.read_all(records.folder_of(chamber_path), records.USE)[0]["id"].endswith("-2")


# -- the page ----


def client_and_site(chamber_path):
    rehearse(read_settings(PLAN, chamber_path), chamber_path.parent / "run", days=0.1)
    site = make_site(chamber_path.parent / "run")
    site.workbench = Workbench(chamber_path, chamber_path.parent)
    headers = {"origin": "http://localhost", "sec-fetch-site": "same-origin"}
    client = TestClient(build_app(site), base_url="http://localhost", headers=headers)
    client.post("/sign-in", data={"role": "technician", "initials": "MK", "code": CODES["technician"]})
    return client, site


@pytest.mark.parametrize(("kind", "settings", "english", "german"), [
    ("pump", {}, "limits.dose_max_ml = 56.5 would fit and stay 5 % below", "limits.dose_max_ml = 56.5 passt und blei"),
    ("lamp", {"ppfd_at_full_duty_umol_m2_s": 150.0}, "but this chamber&#39;s lamp gives at most 150 ",
     "die Lampe dieser Kammer gibt aber höchstens 150 "),
])  # fmt: skip
def test_the_page_puts_nothing_into_use_with_which_the_next_start_would_be_refused(
    chamber_path, kind, settings, english, german
):
    set_limits(chamber_path, **AT_THE_BOARD)
    client, _ = client_and_site(chamber_path)
    record_id = kept(chamber_path, kind, **settings)
    for language, words in (("en", english), ("de", german)):
        mark = client.get(f"/steps?lang={language}").text.split('name="form_mark" value="')[1].split('"')[0]
        answer = client.post("/technician/use", data={"form_mark": mark, "calibration": record_id})

        assert answer.status_code == 409
        assert words in answer.text
        assert '<span lang="en">' not in answer.text
    assert list(records.folder_of(chamber_path).glob("use-*")) == []


def test_a_run_that_is_over_holds_nothing_back_on_the_page(chamber_path):
    client, site = client_and_site(chamber_path)
    journal = Journal.open(site.run.folder / "journal.sqlite")
    journal.append(m.PhaseRecord(journal.last_reading().at, m.ENDED, 0))
    journal.close()
    record_id = kept(chamber_path, "lamp", ppfd_at_full_duty_umol_m2_s=150.0)
    mark = client.get("/steps").text.split('name="form_mark" value="')[1].split('"')[0]
    client.post("/technician/use", data={"form_mark": mark, "calibration": record_id})

    assert read_chamber(chamber_path).lamp.calibration_id == record_id


def test_a_simulated_calibration_in_use_is_told_to_start_no_real_run(chamber_path):
    folder = records.folder_of(chamber_path)
    record = records.read(folder, kept(chamber_path))
    content = {key: record[key] for key in ("at_utc", "by", "accepted", "refused_because", "settings", "tubing_lot")}
    simulated = records.keep(
        folder, "pump", AT_UTC, content | {"simulated": True, "result": record["result"], "data": {}}
    )

    done = use(chamber_path, simulated)
    assert done.exit_code == Exit.WELL
    assert "measured on a simulated chamber: no real run starts with it" in done.output
