"""The technician's pages: calibrations with their validity and certificates, charts, checks, and guided procedures."""

import json
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner
from starlette.testclient import TestClient

from controller.acceptance.definition import BY_NAME, TESTS
from controller.acceptance.judging import Outcome
from controller.acceptance.record import BenchRecord
from controller.bench import records
from controller.check import Finding
from controller.check_record import CheckRecord
from controller.cli import main
from controller.commands.terminal import Exit
from controller.rehearse import rehearse
from controller.settings import example_path, read_settings
from controller.web.app import build_app
from controller.web.forms import FormFault
from controller.web.technician import A_YEAR, PAPER_POLICY
from controller.web.workbench import READINGS_MAX, Workbench, rows_in
from tests.page_server import CODES, make_site

BASE = "http://localhost"
OWN = {"origin": BASE, "sec-fetch-site": "same-origin"}
PLAN, CHAMBER = example_path("skerry-light.plan.toml"), example_path("skerry-light.chamber.toml")
PAGES = [
    "/technician", "/technician/chart", "/technician/checks", "/technician/pump", "/technician/one-portion",
    *(f"/technician/calibrate/{kind}" for kind in ("moisture", "lamp", "humidity", "temperature")),
]  # fmt: skip
PROBE = "counts;water_content_fraction\n2950;0,05\n2500;0,13\n2100;0,21\n1700;0,30\n1340;0,38\n"
AT_20_C = ["--water-c", "20", "--pressure-kpa", "101.3"]


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """A chamber file whose simulated pump was calibrated and checked in the terminal, and a rehearsed run."""
    folder = tmp_path_factory.mktemp("measured")
    chamber = folder / "skerry.chamber.toml"
    shutil.copy(CHAMBER, chamber)
    common = ["--chamber", str(chamber), "--by", "LK", "--simulated", *AT_20_C]
    done = CliRunner().invoke(main, ["calibrate", "pump", *common, "--times", "3"], input="\n" * 40)
    assert done.exit_code == Exit.WELL, done.output
    assert CliRunner().invoke(main, ["calibrate", "check", *common], input="\n" * 10).exit_code == Exit.WELL
    rehearse(read_settings(PLAN, chamber), folder / "run", days=0.2)
    return folder


@pytest.fixture
def bench(measured, tmp_path):
    """A copy to write into: its site, with the chamber file."""
    shutil.copytree(measured, tmp_path, dirs_exist_ok=True)
    site = make_site(tmp_path / "run")
    site.workbench = Workbench(tmp_path / "skerry.chamber.toml", tmp_path)
    return site


def client_of(site, role="technician", initials="MK"):
    client = TestClient(build_app(site), base_url=BASE, headers=OWN)
    if role:
        client.post("/sign-in", data={"role": role, "initials": initials, "code": CODES[role]})
    return client


def mark_of(client):
    return client.get("/steps").text.split('name="form_mark" value="')[1].split('"')[0]


def of_kind(site, kind):
    return records.read_all(site.workbench.folder, kind)


# -- who ----


def test_only_a_technician_sees_and_does_these_things(bench):
    record_id = of_kind(bench, "pump")[0]["id"]
    papers = [f"/technician/records/{record_id}", f"/technician/records/{record_id}/certificate.html"]
    acts = ["/technician/use", "/technician/session", "/technician/checks", "/technician/calibrate/moisture"]
    acts += [f"/technician/pump/session-x{way}" for way in ("", "/one-portion", "/portion", "/masses", "/end")]
    for role, status in (("", 401), ("pupil", 403), ("operator", 403)):
        client = client_of(bench, role)
        for path in [*PAGES, *papers]:
            assert client.get(path).status_code == status, (role, path)
        mark = mark_of(client) if role else "x" * 43
        for path in acts:
            answer = client.post(path, data={"form_mark": mark, "calibration": record_id})
            assert answer.status_code == status, (role, path)
        assert "/technician" not in client.get("/").text
    technician = client_of(bench)
    for path in acts:
        assert technician.post(path, data={"form_mark": "forged"}).status_code == 403, path
    assert of_kind(bench, records.USE) == []


def test_a_page_without_a_chamber_file_says_so_in_one_sentence(bench):
    bench.workbench = None
    client = client_of(bench)
    mark = mark_of(client)

    for path in PAGES:
        answer = client.get(path)
        assert answer.status_code == 409
        assert "started without a chamber file" in answer.text
    answer = client.post("/technician/use", data={"form_mark": mark, "calibration": "pump-x"})
    assert answer.status_code == 400


# -- what there is ----


def test_calibrations_are_listed_with_validity_and_which_one_is_in_use(bench):
    client = client_of(bench)
    record = of_kind(bench, "pump")[0]
    before = client.get("/technician").text
    assert f"/technician/records/{record['id']}" in before
    assert "for tubing lot SL-07" in before
    assert before.count("the figures of the chamber file") == 3

    answer = client.post("/technician/use", data={"form_mark": mark_of(client), "calibration": record["id"]})

    assert "the chamber takes this from its next start" in answer.text
    (use,) = of_kind(bench, records.USE)
    assert (use["by"], use["data"]["calibration_id"]) == ("MK", record["id"])
    assert client.get("/technician").text.count("the figures of the chamber file") == 2
    assert read_settings(PLAN, bench.workbench.chamber_path).chamber.pump.calibration_id == record["id"]


def test_a_changed_tube_and_a_year_make_a_calibration_invalid(bench):
    chamber = bench.workbench.chamber_path
    chamber.write_text(chamber.read_text().replace('tubing_lot = "SL-07"', 'tubing_lot = "SL-08"'))
    client = client_of(bench)
    assert "NOT VALID: made with tubing lot SL-07, the tube now is SL-08" in client.get("/technician").text

    data = {"form_mark": mark_of(client), "reference_u_c": "0.05", "readings": "20.1 20.0\n" * 3 + "20.2 20.0\n" * 3}
    client.post("/technician/calibrate/temperature", data=data)
    made = datetime.fromisoformat(of_kind(bench, "temperature")[0]["at_utc"])
    for after, words in ((A_YEAR, "(a year is"), (A_YEAR + timedelta(days=1), "EXPIRED on")):
        bench.run.clock_ms = lambda at=made + after: round(at.timestamp() * 1000)
        text = client.get("/technician").text
        assert words in text
        assert ("EXPIRED" in text) == (words == "EXPIRED on")


def test_a_simulated_pump_is_not_put_into_use_for_a_real_run(bench):
    bench.run.simulated = False
    client = client_of(bench)
    record_id = of_kind(bench, "pump")[0]["id"]
    answer = client.post("/technician/use", data={"form_mark": mark_of(client), "calibration": record_id})

    assert answer.status_code == 409
    assert "was measured on a simulated chamber and is not used on a real one" in answer.text
    assert of_kind(bench, records.USE) == []


@pytest.mark.parametrize("name", ["pump-20200101T000000Z", "../run/journal", "", "x" * 99])
def test_what_is_no_calibration_is_not_put_into_use(bench, name):
    client = client_of(bench)
    answer = client.post("/technician/use", data={"form_mark": mark_of(client), "calibration": name})

    assert answer.status_code == 409
    assert "there is no such calibration" in answer.text
    assert of_kind(bench, records.USE) == []


def test_a_certificate_is_opened_and_downloaded_and_can_do_nothing_but_draw(bench):
    client = client_of(bench)
    record = of_kind(bench, "pump")[0]
    kept = (bench.workbench.folder / f"{record['id']}.html").read_bytes()
    opened = client.get(f"/technician/records/{record['id']}/certificate.html")
    saved = client.get(f"/technician/records/{record['id']}/certificate.html?download=yes")

    assert opened.content == saved.content == kept
    assert "content-disposition" not in opened.headers
    assert saved.headers["content-disposition"] == f'attachment; filename="{record["id"]}.html"'
    assert opened.headers["content-security-policy"] == PAPER_POLICY
    assert PAPER_POLICY.startswith("sandbox; default-src 'none'")
    assert client.get(f"/technician/records/{record['id']}/certificate.json").json() == record


@pytest.mark.parametrize(
    "path",
    [
        "pump-20200101T000000Z", "pump-20200101T000000Z/certificate.html", "..%2F..%2Fskerry.chamber/certificate.toml",
        "%2e%2e/certificate.json", "session-1/certificate.json", "ageing/certificate.html",
    ],
)  # fmt: skip
def test_no_name_of_a_record_leads_anywhere_else(bench, path):
    answer = client_of(bench).get(f"/technician/records/{path}")

    assert answer.status_code == 404
    assert b"tubing_lot" not in answer.content


def test_a_record_that_was_changed_is_told_by_name_and_breaks_nothing(bench):
    record = of_kind(bench, "pump")[0]
    record["data"]["weighings"][0]["mass_g"] += 1.0
    (bench.workbench.folder / f"{record['id']}.json").write_text(json.dumps(record))
    answer = client_of(bench).get("/technician")

    assert answer.status_code == 409
    assert f"{record['id']}.json: its data no longer match" in answer.text


# -- chart, check, acceptance ----


def test_the_control_chart_draws_every_factor_and_crosses_the_one_that_left(bench):
    folder, began = bench.workbench.folder, datetime.now(UTC) + timedelta(days=1)
    client = client_of(bench)
    text = client.get("/technician/chart").text
    assert "Limits are drawn from 6 points on" in text
    assert "These are of a simulated pump" in text
    assert text.count("<circle") == 2  # one calibration, one check
    for number, factor in enumerate([0.00500, 0.00501, 0.00499, 0.005, 0.00501, 0.00530]):
        at_utc = began + timedelta(days=number)
        content = {
            "at_utc": at_utc.isoformat(), "by": "LK", "accepted": True, "simulated": False, "tubing_lot": "SL-07",
            "result": {"ml_per_step": factor, "ml_per_step_standard_uncertainty": 0.00001}, "data": {"number": number},
        }  # fmt: skip
        records.keep(folder, "check", at_utc, content)
    text = client.get("/technician/chart").text

    assert text.count("<circle") + text.count('class="outside"') == 12  # the 6 real factors, on both charts
    assert "simulated" not in text
    assert 1 <= text.count('class="outside"') <= 2
    assert "outside the limits of those before it: calibrate again" in text
    assert text.count("✕ outside") == 1


def test_the_last_check_and_every_acceptance_test_are_shown(bench):
    chamber = bench.workbench.chamber_path
    client = client_of(bench)
    assert "None is kept yet." in client.get("/technician/checks").text
    kept = CheckRecord(chamber)
    kept.add([Finding("disk", True, "old words")], datetime(2026, 3, 1, tzinfo=UTC))
    findings = [Finding("board", False, "no board answers"), Finding("disk", True, "has 3.0 GB free")]
    kept.add(findings, datetime(2026, 3, 2, 9, 30, tzinfo=UTC))
    with kept.path.open("a") as file:
        file.write('{"at_utc": "2026-03-03T')  # a power cut in the middle of a line
    first, second = TESTS[:2]
    attempts = BenchRecord(chamber)
    attempts.add(first, {}, Outcome(False, "the loops are missing"), "LK")
    attempts.add(first, {}, Outcome(True, "all answers are yes"), "LK")
    attempts.add(second, {}, Outcome(False, "nothing was seen"), "AB", "cable out")
    text = client.get("/technician/checks").text

    assert "2026-03-02 09:30" in text
    assert "no board answers" in text
    assert "old words" not in text
    assert f"1 of {len(BY_NAME)} passed." in text
    assert "2 attempts" in text
    assert "cable out" in text
    assert text.count("not yet") == len(TESTS) - 2


def test_wardian_check_keeps_what_it_found(bench, tmp_path, monkeypatch):
    findings = [Finding("board", False, "no board answers")]
    monkeypatch.setattr("controller.commands.running.check_chamber", lambda chamber, folder: iter(findings))
    arguments = ["check", "--chamber", str(bench.workbench.chamber_path), "--out", str(tmp_path)]

    assert CliRunner().invoke(main, arguments).exit_code == Exit.FOUND_WANTING
    assert CheckRecord(bench.workbench.chamber_path).last().findings == tuple(findings)
    shutil.rmtree(tmp_path / "none", ignore_errors=True)
    monkeypatch.setattr(CheckRecord, "add", lambda *_: (_ for _ in ()).throw(PermissionError(13, "Permission denied")))
    done = CliRunner().invoke(main, arguments)
    assert done.exit_code == Exit.FOUND_WANTING
    assert "could not be kept (Permission denied)" in done.output.replace("\n", " ")


# -- guided procedures ----


def test_a_probe_is_calibrated_from_pasted_readings_with_who_and_a_verdict(bench):
    client = client_of(bench, initials="-x")
    answer = client.post("/technician/calibrate/moisture", data={"form_mark": mark_of(client), "readings": PROBE})

    (record,) = of_kind(bench, "moisture")
    assert record["by"] == "-x"
    assert [row["counts"] for row in record["data"]["readings"]] == [2950, 2500, 2100, 1700, 1340]
    assert [row["water_content_fraction"] for row in record["data"]["readings"]] == [0.05, 0.13, 0.21, 0.3, 0.38]
    assert "It is worked out and kept." in answer.text
    assert "within its limits" in answer.text
    assert client.get(f"/technician/records/{record['id']}/certificate.html").status_code == 200


def test_the_page_works_out_what_the_terminal_works_out(bench, tmp_path):
    client = client_of(bench)
    rows = "elapsed_min,relative_humidity_pct\n" + "".join(f"{10 * n},{75.2 + 0.1 * (n % 2)}\n" for n in range(6))
    form = {"form_mark": mark_of(client), "salt": "NaCl", "air_c": "25"}
    client.post("/technician/calibrate/humidity", data=form, files={"file": ("salt.csv", rows.encode(), "text/csv")})
    (tmp_path / "salt.csv").write_text(rows)
    common = ["--chamber", str(bench.workbench.chamber_path), "--by", "LK", "--readings", str(tmp_path / "salt.csv")]
    CliRunner().invoke(main, ["calibrate", "humidity", *common, "--salt", "NaCl", "--air-c", "25"])
    here, there = of_kind(bench, "humidity")

    assert here["result"] == there["result"]
    assert here["data_sha256"] == there["data_sha256"]
    # 75.29 % over NaCl at 25 C: Greenspan (1977), J. Res. Natl. Bur. Stand. 81A:89, Table 2
    assert here["result"]["reference"] == pytest.approx(75.29, abs=0.01)


def test_a_lamp_that_is_not_straight_is_kept_and_refused_for_use(bench):
    client = client_of(bench)
    rows = "\n".join(f"{place} {duty} {ppfd}" for place in (1, 2) for duty, ppfd in ((0.25, 150), (0.5, 220), (1, 300)))
    form = {"form_mark": mark_of(client), "light_h": "16", "duty_fraction": "0,6", "readings": rows}
    answer = client.post("/technician/calibrate/lamp", data=form)
    (record,) = of_kind(bench, "lamp")

    assert not record["accepted"]
    assert "refused for use" in answer.text
    assert "Let the chamber take it" not in answer.text
    again = client.post("/technician/use", data={"form_mark": form["form_mark"], "calibration": record["id"]})
    assert again.status_code == 409


@pytest.mark.parametrize(
    ("kind", "form", "words"),
    [
        ("moisture", {"readings": ""}, "Readings: there are none."),
        ("moisture", {"readings": "1740"}, "line 1 has 1 cells; 2 are needed: counts, water_content_fraction."),
        ("moisture", {"readings": "1740, 0.2\n1800, wet"}, "line 2, water_content_fraction: wet is not a number."),
        ("moisture", {"readings": "5000, 0.2\n1800, 0.3"}, "sample 1: counts is 5000, but must be from 0 to 4095."),
        ("moisture", {"readings": "nan, 0.2\n1800, 0.3"}, "nan&#39; is not a number"),
        ("humidity", {"salt": "sugar", "air_c": "25", "readings": "0 75"}, "salt: it must be one of LiCl"),
        ("humidity", {"salt": "NaCl", "air_c": "50.1", "readings": "0 75"}, ": 50.1; it must be from 0 to 50."),
        ("humidity", {"salt": "NaCl", "readings": "0 75"}, "sensor, °C: it is needed, from 0 to 50."),
        ("humidity", {"salt": "NaCl", "air_c": "25", "readings": "0 75"}, "a humidity check needs 6 or more"),
        ("lamp", {"light_h": "24.1", "duty_fraction": "1", "readings": "1 1 1"}, "Light a day, h: 24.1; it must"),
    ],
)  # fmt: skip
def test_readings_that_cannot_be_are_refused_in_one_sentence_and_nothing_is_kept(bench, kind, form, words):
    client = client_of(bench)
    answer = client.post(f"/technician/calibrate/{kind}", data={"form_mark": mark_of(client), **form})

    assert answer.status_code == 400
    assert words in answer.text
    assert "/tmp" not in answer.text
    assert of_kind(bench, kind) == []


def test_readings_are_understood_as_people_and_spreadsheets_write_them():
    columns = ("a", "b")
    wanted = [["a", "b"], ["1740", "0.25"]]
    for text in ("1740,0.25", "1740, 0.25", "1740;0,25", "1740\t0,25", "1740 0,25", "\ufeffa,b\r\n1740,0.25\r\n\r\n"):
        assert rows_in(text, columns) == wanted, text
    assert rows_in("b;a\n0,25;1740", columns) == [["b", "a"], ["0.25", "1740"]]
    assert len(rows_in("1 2\n" * READINGS_MAX, columns)) == READINGS_MAX + 1
    with pytest.raises(FormFault, match=f"at most {READINGS_MAX}"):
        rows_in("1 2\n" * (READINGS_MAX + 1), columns)


def test_a_file_that_is_no_text_and_readings_twice_are_refused(bench):
    client = client_of(bench)
    mark = mark_of(client)
    files = {"file": ("r.csv", b"\xff\xfe\x00", "text/csv")}

    answer = client.post("/technician/calibrate/moisture", data={"form_mark": mark}, files=files)
    assert (answer.status_code, "not UTF-8 text" in answer.text) == (400, True)
    form = {"form_mark": mark, "readings": PROBE}
    answer = client.post("/technician/calibrate/moisture", data=form, files={"file": ("r.csv", b"1,2", "text/csv")})
    assert (answer.status_code, "send one of them" in answer.text) == (400, True)


# -- the pump ----


def weighed(client, site, name, **changes):
    portions = client.get(f"/technician/pump/{name}").text.count('name="mass_')
    masses = {f"mass_{n}_g": ("4,99" if n % 2 else "19,95") for n in range(1, portions + 1)}
    figures = {"water_c": "20", "pressure_kpa": "101,3", "evaporated_g": "0", "resolution_g": "0,01"}
    form = {"form_mark": mark_of(client), **figures, **masses, **changes}
    return client.post(f"/technician/pump/{name}", data=form)


def test_a_missing_or_impossible_mass_is_named_and_nothing_is_kept(bench):
    client = client_of(bench)
    (name,) = {record["session"] for record in of_kind(bench, "pump")}

    answer = weighed(client, bench, name, mass_4_g="")
    assert (answer.status_code, "Portion 4 has no mass" in answer.text) == (400, True)
    answer = weighed(client, bench, name, mass_2_g="-1")
    assert (answer.status_code, "Mass of portion 2, g: -1; it must be from 0 to 1000." in answer.text) == (400, True)
    answer = weighed(client, bench, name, mass_2_g="0")
    assert (answer.status_code, "portion 2: mass_g is 0, but must be above 0" in answer.text) == (400, True)
    answer = weighed(client, bench, name, pressure_kpa="1013")
    assert (answer.status_code, "kPa: 1013; it must be from 60 to 110." in answer.text) == (400, True)
    assert len(of_kind(bench, "pump")) == 1


@pytest.mark.parametrize("name", ["session-x", "session-20260101T000000000000Z", "%2e%2e%2frun"])
def test_there_is_no_session_outside_the_chambers_folder(bench, name):
    client = client_of(bench)

    assert client.get(f"/technician/pump/{name}").status_code == 404


def test_a_shut_down_procedure_is_told_and_the_page_stays_up(bench, monkeypatch):
    monkeypatch.setattr("controller.web.workbench.WITHIN_S", 0.01)
    client = client_of(bench)
    answer = client.post("/technician/calibrate/moisture", data={"form_mark": mark_of(client), "readings": PROBE})

    assert answer.status_code == 400
    assert "not worked out within" in answer.text
    assert Path(bench.workbench.folder).is_dir()


def test_a_damaged_session_is_named_and_hides_no_other(bench):
    client = client_of(bench)
    whole = min(bench.workbench.folder.glob("session-*Z"))
    damaged = bench.workbench.folder / "session-20260101T000000000000Z"
    shutil.copytree(whole, damaged)
    (damaged / "bench.jsonl").write_text('{"what": "giv')
    text = client.get("/technician/pump").text

    assert f"{damaged.name}/bench.jsonl" in text
    assert f"/technician/pump/{whole.name}" in text
    assert client.get(f"/technician/pump/{damaged.name}").status_code == 409
