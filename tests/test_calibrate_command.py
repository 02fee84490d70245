"""A technician's session from prompt to certificate, and the records that it leaves."""

import json
import os
import pty
import random
import re
import shutil
import sys
import threading
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner

from controller.bench import records
from controller.bench.ageing import Point, judge_factors
from controller.bench.balance import Balance
from controller.bench.masses import balance_pattern
from controller.bench.taking import put_into_use
from controller.cli import main
from controller.commands.terminal import Exit
from controller.errors import SettingsError
from controller.settings import example_path, read_chamber

SCATTERED_G = [4.0, 19.1, 20.9, 6.0, 5.5, 21.5, 18.8, 4.4, 5.9, 20.3]
BENCH = ["--by", "LK", "--water-c", "20", "--pressure-kpa", "101.325", "--simulated"]


@pytest.fixture
def chamber_path(tmp_path):
    return Path(shutil.copy(example_path("skerry-light.chamber.toml"), tmp_path / "skerry-light.chamber.toml"))


def wardian(*arguments, typed=""):
    return CliRunner().invoke(main, [str(each) for each in arguments], input=typed)


def calibrated(chamber_path, *more, typed="\n" * 40):
    return wardian("calibrate", "pump", "--chamber", chamber_path, *BENCH, *more, typed=typed)


def newest(chamber_path, kind="pump"):
    return records.read_all(records.folder_of(chamber_path), kind)[-1]


def test_a_technicians_session_from_prompt_to_certificate_to_use(chamber_path):
    done = calibrated(chamber_path, "--instruments", "balance 3, thermometer 7, barometer 2")
    assert done.exit_code == Exit.WELL, done.output
    for words in ("Prime", "Tare", "10 portions", "Portion 10", "ml a step", "Good enough"):
        assert words in done.output
    record = newest(chamber_path)
    assert len(record["data"]["weighings"]) == 10
    page = (records.folder_of(chamber_path) / f"{record['id']}.html").read_text()
    for words in (
        record["id"], record["data_sha256"], "Uncertainty budget", "JCGM 100:2008", "ISO 8655", "balance 3",
        "simulated chamber", "water temperature", "evaporation", "<svg", "extra-low-voltage", "no mains", "Local codes",
    ):  # fmt: skip
        assert words in page
    assert not re.search(r'(src|href)="(?!#)|@import|url\(http', page)

    before = read_chamber(chamber_path).pump
    used = wardian("calibrate", "use", record["id"], "--chamber", chamber_path, "--by", "LK")
    assert used.exit_code == Exit.WELL, used.output
    after = read_chamber(chamber_path).pump
    assert after.calibration_id == record["id"]
    assert after.ml_per_step == pytest.approx(record["result"]["ml_per_step"], rel=1e-6)
    assert after.ml_per_step != before.ml_per_step
    checked = wardian("calibrate", "check", "--chamber", chamber_path, *BENCH, typed="\n\n\n")
    assert checked.exit_code == Exit.WELL, checked.output
    listed = wardian("calibrate", "list", "--chamber", chamber_path)
    assert f"in use  {record['id']}" in listed.output
    assert "calibrate again" not in listed.output
    charts = (records.folder_of(chamber_path) / "ageing.html").read_text()
    for words in (record["id"], newest(chamber_path, "check")["id"], "Nothing asks for a new tube", "<svg"):
        assert words in charts
    shown = wardian("calibrate", "show", record["id"], "--chamber", chamber_path)
    assert shown.output.splitlines()[-1].endswith(f"{record['id']}.html")


def test_the_factor_found_is_the_simulated_pumps_own(chamber_path):
    calibrated(chamber_path)
    found = newest(chamber_path)["result"]
    true = 0.005 + random.Random(1).gauss(0.0, 0.00004)  # the first draw of the simulated physics
    assert abs(found["ml_per_step"] - true) <= 1.5 * found["expanded_ml_per_step"]


def test_a_run_takes_the_calibration_and_its_exports_name_it(chamber_path, tmp_path):
    calibrated(chamber_path)
    record = newest(chamber_path)
    wardian("calibrate", "use", record["id"], "--chamber", chamber_path, "--by", "LK")
    rehearsed = wardian("rehearse", "--chamber", chamber_path, "--days", "0.05", "--out", tmp_path / "run")
    assert rehearsed.exit_code == Exit.WELL, rehearsed.output
    assert record["id"] in (tmp_path / "run" / "events.csv").read_text()
    sheets = "".join(path.read_text() for path in (tmp_path / "run").glob("water*.txt"))
    assert record["id"] in re.sub(r"\s+", "", sheets)


@pytest.mark.guards("H9", "host", "ef8570cc")
def test_a_calibration_of_a_simulated_chamber_is_never_used_on_a_real_one(chamber_path, tmp_path):
    calibrated(chamber_path)
    wardian("calibrate", "use", newest(chamber_path)["id"], "--chamber", chamber_path, "--by", "LK")
    plan = example_path("skerry-light.plan.toml")
    done = wardian("run", plan, "--chamber", chamber_path, "--out", tmp_path / "run")
    assert done.exit_code == Exit.SETTINGS
    assert "simulated chamber" in done.output


def test_a_typing_mistake_is_told_and_asked_again_and_nothing_is_lost(chamber_path):
    typed = "\n\n" + "5,04\n-5\nfive\n" + "\n" * 40
    done = calibrated(chamber_path, typed=typed)
    assert done.exit_code == Exit.WELL, done.output
    for words in ("5,04 has a decimal comma; write 5.04", "mass_g is -5", "'five' is not a number of grams"):
        assert words in done.output
    record = newest(chamber_path)
    kept = (records.folder_of(chamber_path) / record["session"] / "bench.jsonl").read_text().splitlines()
    texts = [json.loads(line)["text"] for line in kept if '"typed"' in line]
    assert texts[:3] == ["5,04", "-5", "five"]


def test_a_pressure_in_hectopascals_moves_no_water(chamber_path):
    arguments = [each if each != "101.325" else "1013" for each in BENCH]
    done = wardian("calibrate", "pump", "--chamber", chamber_path, *arguments)
    assert done.exit_code == Exit.SETTINGS
    assert "1013 hPa is 101.3 kPa" in done.output
    assert not records.folder_of(chamber_path).exists()


def test_a_faulty_file_loses_no_portion_and_a_mended_one_finishes(chamber_path, tmp_path):
    masses = tmp_path / "masses.csv"
    masses.write_text("mass_g\n5.04\n")
    done = calibrated(chamber_path, "--masses", masses)
    assert done.exit_code == Exit.SETTINGS
    assert "holds 1 masses, but 10 portions were given" in done.output
    (session,) = records.folder_of(chamber_path).glob("session-*")
    good = [5.02, 20.1, 20.08, 5.03, 5.01, 20.09, 20.11, 5.02, 5.02, 20.1]
    masses.write_text("mass_g\n" + "\n".join(map(str, good)) + "\n")
    done = calibrated(chamber_path, "--masses", masses, "--session", session)
    assert done.exit_code == Exit.WELL, done.output
    assert [each["mass_g"] for each in newest(chamber_path)["data"]["weighings"]] == good


GOOD_G = [5.02, 20.1, 20.08, 5.03, 5.01, 20.09, 20.11, 5.02, 5.02, 20.1]


@pytest.mark.parametrize(
    ("masses", "sentence"),
    [
        (GOOD_G[:2], "holds 2 masses, but 10 portions were given."),
        ([-5.02, *GOOD_G[1:]], "portion 1: mass_g is -5.02, but must be above 0 and at most 5000."),
        ([5.02] * 10, "the masses do not rise with the steps"),
        (["5,02", *GOOD_G[1:]], "line 2 has 2 cells, but the first line names 1; a number with a decimal comma"),
        (["heavy", *GOOD_G[1:]], "line 2, mass_g: 'heavy' is not a number."),
        (["nan", *GOOD_G[1:]], "line 2, mass_g: 'nan' is not a number."),
    ],
    ids=["two portions only", "negative", "not rising", "decimal comma", "a word", "no number"],
)
def test_bad_masses_are_told_in_one_sentence_and_the_portions_are_not_lost(chamber_path, tmp_path, masses, sentence):
    path = tmp_path / "masses.csv"
    path.write_text("mass_g\n" + "\n".join(map(str, masses)) + "\n")
    done = calibrated(chamber_path, "--masses", path)
    assert done.exit_code == Exit.SETTINGS
    told = done.stderr.strip().splitlines()
    assert len(told) == 1, told
    assert sentence in told[0]
    assert not list(records.folder_of(chamber_path).glob("pump-*"))
    (session,) = records.folder_of(chamber_path).glob("session-*")
    path.write_text("mass_g\n" + "\n".join(map(str, GOOD_G)) + "\n")
    done = calibrated(chamber_path, "--masses", path, "--session", session)
    assert done.exit_code == Exit.WELL, done.output
    assert [each["mass_g"] for each in newest(chamber_path)["data"]["weighings"]] == GOOD_G


def test_water_of_70_degrees_moves_no_water(chamber_path):
    arguments = [each if each != "20" else "70" for each in BENCH]
    done = wardian("calibrate", "pump", "--chamber", chamber_path, *arguments)
    assert done.exit_code == Exit.SETTINGS
    assert done.stderr.strip() == "water_temperature_c is 70, but must be from 5 to 40 (degrees Celsius)."
    assert not records.folder_of(chamber_path).exists()


def test_the_bounds_of_the_chamber_file_decide_and_the_refusal_names_their_key(chamber_path):
    text = chamber_path.read_text()
    chamber_path.write_text(text + "\n[acceptance]\npump_random_error_max_pct = 0.05\n")
    done = calibrated(chamber_path)
    assert done.exit_code == Exit.FOUND_WANTING
    assert "at most 0.05 % is accepted (acceptance.pump_random_error_max_pct)" in done.output
    record = newest(chamber_path)
    assert record["data"]["acceptance"]["random_error_max_pct"] == 0.05
    assert (
        "(acceptance.pump_random_error_max_pct)"
        in wardian("calibrate", "use", record["id"], "--chamber", chamber_path, "--by", "LK").output
    )
    chamber_path.write_text(text + "\n[acceptance]\npump_random_error_max_pct = 20.1\n")
    with pytest.raises(
        SettingsError, match=r"skerry-light\.chamber\.toml: acceptance\.pump_random_error_max_pct is 20\.1"
    ):
        read_chamber(chamber_path)


def test_a_calibration_becomes_paper(chamber_path):
    try:
        import weasyprint
    except (ImportError, OSError) as error:  # the package, or Pango, which it asks of the system
        pytest.skip(f"no paper here: {error}")
    done = calibrated(chamber_path, "--pdf")
    assert done.exit_code == Exit.WELL, done.output
    page = records.folder_of(chamber_path) / f"{newest(chamber_path)['id']}.html"
    paper = page.with_suffix(".pdf")
    assert str(paper) in done.output
    assert paper.read_bytes().startswith(b"%PDF-")
    sheets = weasyprint.HTML(filename=str(page)).render().pages
    assert [(round(each.width * 25.4 / 96), round(each.height * 25.4 / 96)) for each in sheets] == [(210, 297)] * 2


def test_without_the_library_for_paper_the_certificate_is_there_all_the_same(chamber_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    done = calibrated(chamber_path, "--pdf")
    assert done.exit_code == Exit.WELL
    assert "wardian[paper]" in done.output
    assert (records.folder_of(chamber_path) / f"{newest(chamber_path)['id']}.html").exists()


def test_hours_come_from_the_sessions_and_are_written_into_the_record(chamber_path):
    calibrated(chamber_path)
    # by hand: one portion of 20 ml to prime, five of 5 ml and five of 20 ml, 29000 steps at 200 a second: 145 s
    assert newest(chamber_path)["turned_h"] == pytest.approx(145 / 3600, abs=0.001)
    listed = wardian("calibrate", "list", "--chamber", chamber_path, "--turned-h", "81")
    assert "lot SL-07, 0.04 h turned" in listed.output
    assert "The tube has turned 81.04 h of 100 h." in listed.output
    assert "have a new one ready" in listed.output


def test_the_charts_of_a_pump_are_drawn_with_their_limits_and_what_lies_outside(chamber_path):
    folder = records.folder_of(chamber_path)
    factors = [0.00500, 0.00501, 0.00500, 0.00499, 0.00500, 0.00501, 0.00530]
    for number, factor in enumerate(factors):
        at_utc = datetime(2026, 3, 1, 10, 0, number, tzinfo=UTC)
        result = {"ml_per_step": factor, "ml_per_step_standard_uncertainty": 0.000005}
        content = {
            "at_utc": at_utc.isoformat(), "by": "LK", "accepted": True, "refused_because": [], "tubing_lot": "SL-07",
            "words": ["a check"], "result": result, "data": {"number": number},
        }  # fmt: skip
        records.keep(folder, "check", at_utc, content)
    listed = wardian("calibrate", "list", "--chamber", chamber_path)
    assert listed.exit_code == Exit.WELL, listed.output
    assert "outside the limits" in listed.output
    page = (folder / "ageing.html").read_text()
    # By hand, of the six before the newest: mean 5.00167 ul, mean moving range 0.01 ul, limits 3 x 0.01 / 1.128 away.
    for words in (
        "upper limit 5.028",
        "centre 5.002",
        "lower limit 4.975",
        ">out<",
        "NIST/SEMATECH",
        "calibrate again",
    ):
        assert words in page
    assert page.count(">out<") == 2  # of the single factors and of the moving average
    assert not re.search(r'(src|href)="(?!#)|@import|url\(http', page)


@pytest.mark.guards("H9", "host", "ef8570cc")
def test_a_failing_calibration_is_kept_and_refused_for_use(chamber_path, tmp_path):
    masses = tmp_path / "masses.csv"
    masses.write_text(
        "mass_g\n" + "\n".join(["4.0", "19.1", "20.9", "6.0", "5.5", "21.5", "18.8", "4.4", "5.9", "20.3"]) + "\n"
    )
    done = calibrated(chamber_path, "--masses", masses)
    assert done.exit_code == Exit.FOUND_WANTING
    assert "Refused for use" in done.output
    record = newest(chamber_path)
    assert not record["accepted"]
    page = (records.folder_of(chamber_path) / f"{record['id']}.html").read_text()
    assert "Refused for use" in page
    done = wardian("calibrate", "use", record["id"], "--chamber", chamber_path, "--by", "LK")
    assert done.exit_code == Exit.SETTINGS
    assert "refused for use" in done.output
    assert read_chamber(chamber_path).pump.calibration_id == ""


def test_a_quick_check_goes_onto_the_chart(chamber_path):
    done = wardian("calibrate", "check", "--chamber", chamber_path, *BENCH, typed="\n\n\n")
    assert done.exit_code == Exit.WELL, done.output
    assert "% from the factor in use" in done.output
    listed = wardian("calibrate", "list", "--chamber", chamber_path, "--json")
    assert [each["kind"] for each in json.loads(listed.output)] == ["check"]


def kept(folder, second=0, **changes):
    content = {
        "at_utc": f"2026-03-01T10:00:{second:02d}+00:00",
        "by": "LK",
        "accepted": True,
        "refused_because": [],
        "tubing_lot": "SL-07",
        "result": {"ml_per_step": 0.0051, "ml_per_step_standard_uncertainty": 0.00001},
        "settings": {"ml_per_step": 0.0051, "ml_per_step_standard_uncertainty": 0.00001, "calibrated_on": "2026-03-01"},
        "data": {"weighings": [1, 2]},
    }
    return records.keep(folder, "pump", datetime(2026, 3, 1, 10, 0, second, tzinfo=UTC), {**content, **changes})


def test_records_are_never_overwritten(tmp_path):
    assert kept(tmp_path) == "pump-20260301T100000Z"
    assert kept(tmp_path) == "pump-20260301T100000Z-2"


@pytest.mark.guards("H9", "host", "ef8570cc")
def test_a_record_that_was_changed_is_found_out(tmp_path):
    path = tmp_path / f"{kept(tmp_path)}.json"
    path.write_text(path.read_text().replace("2\n", "3\n"))
    with pytest.raises(SettingsError, match="no longer match their SHA-256"):
        records.read(tmp_path, path.stem)


def test_the_last_use_wins_and_an_earlier_calibration_can_be_used_again(tmp_path):
    first, second = kept(tmp_path), kept(tmp_path, 1)
    for number, each in enumerate((first, second, first)):
        use = records.Use(records.usable(tmp_path, each), {})
        records.keep_use(tmp_path, use, "LK", datetime(2026, 3, 2, 10, 0, number, tzinfo=UTC))
    assert records.in_use(tmp_path)["pump"]["id"] == first
    assert len(list(tmp_path.glob("use-*.json"))) == 3


def test_an_unknown_id_is_told_with_those_that_exist(tmp_path):
    known = kept(tmp_path)
    with pytest.raises(SettingsError, match=known):
        records.read(tmp_path, "pump-20200101T000000Z")
    with pytest.raises(SettingsError, match="there is no such calibration"):
        records.read(tmp_path, "../secret")


def test_using_a_calibration_changes_only_its_own_keys_of_the_chamber_file(chamber_path):
    folder = records.folder_of(chamber_path)
    put_into_use(chamber_path, kept(folder), "LK", datetime(2026, 3, 2, tzinfo=UTC))
    before, after = chamber_path.read_text(), records.applied(chamber_path.read_text(), chamber_path)
    changed = [b for a, b in zip(before.splitlines(), (x for x in after.splitlines() if "calibration_id" not in x),
               strict=True) if a != b]  # fmt: skip
    assert [line.split(" ")[0] for line in changed] == [
        "ml_per_step", "ml_per_step_standard_uncertainty", "calibrated_on",
    ]  # fmt: skip
    assert read_chamber(chamber_path).pump.ml_per_step == 0.0051
    assert chamber_path.read_text() == before


def test_a_balance_is_read_over_its_line():
    master, slave = pty.openpty()
    balance = Balance(os.ttyname(slave), 9600, balance_pattern(r"([+-]?\d+\.\d+)\s*g"), b"?\r\n")

    def answer():
        asked = b""
        while b"?" not in asked:
            asked += os.read(master, 16)
        os.write(master, b"Hello\r\nST,+5.043 g\r\n")

    thread = threading.Thread(target=answer)
    thread.start()
    try:
        assert balance.read_g() == 5.043
    finally:
        thread.join()
        balance.close()
        os.close(master)
        os.close(slave)


def point(number, ml_per_step, lot="A"):
    return Point(datetime(2026, 3, 1 + number, tzinfo=UTC), ml_per_step, 0.00001, lot, f"pump-{number}")


def test_a_sudden_change_lies_outside_the_individuals_limits():
    steady = [point(n, 0.005 + 1e-6 * (-1) ** n) for n in range(6)]
    assert judge_factors(steady, "A").advice == ()
    moved = [*steady, point(6, 0.0051)]
    assert any("outside the limits" in words for words in judge_factors(moved, "A").advice)


def test_a_slow_drift_is_seen_by_the_moving_average():
    steady = [point(n, 0.005 + 1e-6 * (-1) ** n) for n in range(10)]
    drifting = [*steady, *(point(10 + n, 0.005 + 4e-6) for n in range(6))]
    assert any("drifts" in words for words in judge_factors(drifting, "A").advice)


def test_a_new_tube_begins_a_new_chart():
    old = [point(n, 0.005, "A") for n in range(6)]
    assert len(judge_factors([*old, point(7, 0.0055, "B")], "B").points) == 1


@pytest.mark.guards("H9", "host", "ef8570cc")
def test_a_run_does_not_begin_with_a_new_tube_and_the_old_tubes_calibration(chamber_path, tmp_path):
    calibrated(chamber_path)
    wardian("calibrate", "use", newest(chamber_path)["id"], "--chamber", chamber_path, "--by", "LK")
    chamber_path.write_text(chamber_path.read_text().replace('"SL-07"', '"SL-08"'))
    plan = example_path("skerry-light.plan.toml")
    done = wardian("run", plan, "--chamber", chamber_path, "--simulated", "--out", tmp_path / "run")
    assert done.exit_code == Exit.SETTINGS
    assert "made with tubing lot 'SL-07', but pump.tubing_lot is 'SL-08'" in done.output
    assert not (tmp_path / "run").exists()
