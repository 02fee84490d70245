"""The bench from the page: a session begun and ended, portions asked for, masses kept, a check of one portion, a
balance, and the check of all parts.
"""

import json
import os
import pty
import re
import shutil
import signal
import threading
import time
import tty

import click
import pytest
import serial
from click.testing import CliRunner
from starlette.testclient import TestClient

from controller.bench import records
from controller.bench.bench_chamber import open_bench
from controller.bench.session_file import CONDITIONS, END_ASKED, GIVEN, TYPED, WEIGHED, rows_of
from controller.check_record import CheckRecord
from controller.cli import main
from controller.commands.at_the_balance import at_the_balance
from controller.commands.terminal import Exit
from controller.control import model as m
from controller.errors import ChamberError
from controller.records.journal import Journal
from controller.settings import example_path, read_chamber, read_settings
from controller.web.app import build_app
from controller.web.session_process import IN_TERMINAL, NO_SESSION, OPEN, OVER, REFUSED, SessionProcess
from controller.web.sessions import COOKIE
from controller.web.workbench import Workbench
from tests.benches import workbench_here
from tests.journals import HOUR_MS, at, fill, hydrate, new_journal
from tests.page_server import make_site
from tests.test_bench_session import opened

BASE = "http://localhost"
OWN = {"origin": BASE, "sec-fetch-site": "same-origin"}
CONDITIONS_TYPED = {"water_c": "20", "pressure_kpa": "101,3", "evaporated_g": "0", "resolution_g": "0,01"}
WITHIN_S = 60.0  # far more than it takes; a busy computer is slow


@pytest.fixture(scope="module")
def run_of_chamber(tmp_path_factory):
    """A chamber file and a small run beside it, to be copied."""
    folder = tmp_path_factory.mktemp("bench")
    shutil.copy(example_path("skerry-light.chamber.toml"), folder / "skerry.chamber.toml")
    plan = read_settings(example_path("skerry-light.plan.toml"), folder / "skerry.chamber.toml")
    (folder / "runs" / "run").mkdir(parents=True)
    journal = new_journal(folder / "runs" / "run", plan)
    journal.append(m.BootRecord(at(0), "0.1.0"))
    hydrate(journal)
    fill(journal, 0, HOUR_MS)
    journal.close()
    return folder


@pytest.fixture
def bench(run_of_chamber, tmp_path):
    """The page's site; its sessions live in this process, as fast as they can."""
    shutil.copytree(run_of_chamber, tmp_path, dirs_exist_ok=True)
    site = make_site(tmp_path / "runs" / "run")
    site.run.simulated = True
    site.workbench = workbench_here(tmp_path / "skerry.chamber.toml", tmp_path / "runs")
    here = site.workbench.session
    yield site
    here.close()


class Technician:
    """Somebody who works with the page as a browser does: one form a page, with its mark."""

    def __init__(self, site, initials="MK"):
        self.site = site
        self.client = TestClient(build_app(site), base_url=BASE, headers=OWN)
        cookie = site.sessions.begin("technician", initials)  # the code itself is checked in test_page.py
        self.client.cookies.set(COOKIE, cookie)
        self.mark = site.sessions.find(cookie).form_mark
        self.name = ""

    def post(self, path, **fields):
        return self.client.post(path, data={"form_mark": self.mark, **fields})

    def begin(self, **fields):
        answer = self.post("/technician/session", **fields)
        self.name = answer.url.path.split("/")[3] if "session-" in answer.url.path else ""
        return answer

    def do(self, act="", **fields):
        return self.post(f"/technician/pump/{self.name}{act}", **fields)

    @property
    def folder(self):
        return self.site.workbench.folder / self.name


def text_of(answer):
    return answer.text.replace("&#39;", "'")


def of_kind(site, kind):
    return records.read_all(site.workbench.folder, kind)


# -- a session ----


@pytest.mark.guards("H12", "host", "90938667")
def test_portions_asked_on_the_page_are_given_by_the_sessions_law_weighed_and_certified(bench):
    technician = Technician(bench)
    answer = technician.begin()
    assert "The session is open." in answer.text
    assert "Water beside electronics" in answer.text
    priming = technician.do("/portion", volume_ml="20", weighed="no")
    assert "The portion is under way" in priming.text
    answers = [technician.do("/portion", volume_ml=size, weighed="yes") for size in ("5", "20") * 3]
    assert [each.status_code for each in answers] == [200] * 6
    assert all("MK" in sentence and "given" in sentence for sentence in bench.workbench.session.said)

    for place in range(1, 7):
        assert "The balance was read" in technician.do("/masses", read=str(place)).text
    answer = technician.do(instruments="balance B-1", **CONDITIONS_TYPED, **masses_on(answer_of(technician)))

    (record,) = of_kind(bench, "pump")
    assert (record["by"], record["session"], record["simulated"]) == ("MK", technician.name, True)
    assert record["instruments"] == "balance B-1"
    assert [each["steps"] for each in record["data"]["weighings"]] == [1_000, 4_000] * 3
    assert [each["mass_g"] for each in record["data"]["weighings"][:2]] == pytest.approx([5.0, 20.0], abs=0.3)
    assert record["accepted"]
    assert "It is worked out and kept." in answer.text
    # seven portions turned the tube for 95 s: (4000 + 3 x 1000 + 3 x 4000) steps at 200 a second
    assert record["turned_h"] == pytest.approx(95 / 3600, abs=0.001)


def answer_of(technician):
    return technician.client.get(f"/technician/pump/{technician.name}").text


def masses_on(text):
    """What stands in the mass fields of a page."""
    return dict(re.findall(r'<input name="(mass_\d+_g)"[^>]*value="([^"]*)"', text))


@pytest.mark.parametrize(
    ("volume_ml", "status"), [("55", 200), ("55.1", 400), ("0.1", 200), ("0.09", 400), ("", 400), ("much", 400)]
)
def test_a_portion_keeps_to_the_chambers_bounds(bench, volume_ml, status):
    technician = Technician(bench)
    technician.begin()
    answer = technician.do("/portion", volume_ml=volume_ml)

    assert answer.status_code == status
    assert len(rows_of(technician.folder, GIVEN)) == (1 if status == 200 else 0)
    if status != 200:
        assert "volume_ml" in answer.text or "How much is the portion to be?" in answer.text


@pytest.mark.guards("H12", "host", "90938667")
def test_no_session_no_portion_and_the_runs_own_journal_is_never_asked(bench):
    technician = Technician(bench)
    technician.begin()
    assert "The session has ended." in technician.do("/end").text
    answer = technician.do("/portion", volume_ml="5")

    assert answer.status_code == 409
    assert "This session has ended: no portion was asked for." in answer.text
    assert rows_of(technician.folder, GIVEN) == []
    with bench.run.journal() as journal:
        assert list(journal.records(m.Request)) == []
    assert bench.ask_with.__self__.sent == []


def test_a_refused_portion_is_told_in_the_laws_words(bench):
    technician = Technician(bench)
    technician.begin()
    for _ in range(4):
        technician.do("/portion", volume_ml="55")
    assert technician.do("/portion", volume_ml="55").status_code == 200  # 275 ml, all of a day
    answer = technician.do("/portion", volume_ml="1")

    assert answer.status_code == 409
    assert "24 hours is used up" in answer.text


def test_who_ended_a_session_and_when_is_written_down(bench):
    technician = Technician(bench)
    technician.begin()
    assert Technician(bench, "AB").post(f"/technician/pump/{technician.name}/end").status_code == 200

    (asked,) = rows_of(technician.folder, END_ASKED)
    assert asked["by"] == "AB"
    journal = Journal.open(technician.folder / "journal.sqlite")
    (request,) = journal.records(m.Request)
    assert (request.request, request.asked_by, journal.answer_to(request.request_id).granted) == (m.END_RUN, "AB", True)
    journal.close()
    page = technician.client.get("/technician/pump").text
    assert "The last session has ended: somebody asked for its end." in page
    again = technician.do("/end")
    assert again.status_code == 200
    assert len(rows_of(technician.folder, END_ASKED)) == 1


@pytest.mark.parametrize("name", ["session-x", "session-20260101T000000000000Z", "%2e%2e%2frun", "lock"])
@pytest.mark.parametrize("act", ["", "/one-portion", "/portion", "/masses", "/end"])
def test_nothing_is_done_in_a_session_that_is_not_there(bench, name, act):
    answer = Technician(bench).post(f"/technician/pump/{name}{act}", volume_ml="5")

    assert answer.status_code == 404


@pytest.mark.guards("H12", "host", "90938667")
def test_a_session_that_nobody_asks_ends_by_itself_and_has_given_no_water(bench, tmp_path):
    idle = open_bench(bench.workbench.chamber_path, "LK", simulated=True, runs=tmp_path)
    said = []
    why = idle.serve(1.0, said.append)
    physics = idle.vessel._physics
    over = idle.session.is_over
    idle.close()

    assert why == "Nothing was asked for in 1 min."
    assert (said, over, physics.pumped_ml) == (["Ready."], True, 0.0)
    assert "nobody asked for anything" in Technician(bench).client.get("/technician/pump").text


def test_a_request_gives_a_session_another_span_without_one(bench, tmp_path):
    busy = open_bench(bench.workbench.chamber_path, "LK", simulated=True, runs=tmp_path)
    began_ms = busy.session._chamber.now().monotonic_ms
    take, taken = busy.take_requests, []

    def once():
        taken.append(busy.session.idle_s)
        if len(taken) == 50:
            reading = busy.session.journal.last_reading()
            busy.session.journal.ask(m.Request(reading.at, 0, m.GIVE_PORTION, "MK", subject="2000"))
        return take()

    busy.take_requests = once
    busy.serve(1.0, lambda _: None)
    lived_s = (busy.session._chamber.now().monotonic_ms - began_ms) / 1000
    busy.close()

    # some 50 s, then a portion of 10 s, then a minute
    assert 115 <= lived_s <= 130


@pytest.mark.parametrize(("idle_min", "code"), [("0.99", 2), ("481", 2), ("nan", 2)])
def test_the_span_without_a_request_is_bounded(bench, idle_min, code):
    words = ["calibrate", "portions", "--chamber", str(bench.workbench.chamber_path), "--by", "LK", "--simulated"]

    assert CliRunner().invoke(main, [*words, "--idle-min", idle_min]).exit_code == code


def test_while_somebody_weighs_in_the_terminal_the_page_begins_nothing(bench, tmp_path):
    terminal = open_bench(bench.workbench.chamber_path, "LK", simulated=True, runs=tmp_path)
    try:
        technician = Technician(bench)
        assert bench.workbench.session.standing().state == IN_TERMINAL
        answer = technician.begin()
        assert "Somebody weighs in the terminal just now" in answer.text
        assert "Begin a session</button>" not in technician.client.get("/technician/pump").text
    finally:
        terminal.close()
    assert bench.workbench.session.standing().state == NO_SESSION


def test_every_page_of_the_bench_speaks_german_as_well_and_warns_of_water_and_mains(bench):
    technician = Technician(bench)
    pages = ["/technician/pump", "/technician/one-portion"]
    text = {path: technician.client.get(f"{path}?lang=de").text for path in pages}
    technician.begin()
    technician.do("/portion", volume_ml="5")
    here = f"/technician/pump/{technician.name}"
    text |= {path: technician.client.get(f"{path}?lang=de").text for path in [*pages, here, f"{here}/one-portion"]}

    for path, each in text.items():
        assert "Wasser neben Elektronik" in each, path
        assert "Netzstecker" in each, path
        assert "Water beside" not in each, path
    assert "Waage ablesen" in text[here]
    refused = technician.do("/portion", volume_ml="")
    assert "Wie groß soll die Portion sein?" in refused.text


# -- a session as a process of its own ----


def until(true, what):
    """Wait for something that another process does."""
    end_s = time.monotonic() + WITHIN_S
    while not true():
        assert time.monotonic() < end_s, f"not within {WITHIN_S:g} s: {what}"
        time.sleep(0.05)


@pytest.mark.guards("H12", "host", "90938667")
def test_the_process_of_a_session_outlives_the_page_is_the_only_one_and_ends_when_told(bench):
    bench.workbench = Workbench(bench.workbench.chamber_path, bench.workbench.runs)
    technician = Technician(bench)
    technician.begin()
    until(lambda: bench.workbench.session.standing().state == OPEN, "a session")
    technician.name = bench.workbench.session.standing().name
    pid = bench.workbench.session._process.pid

    bench.workbench = Workbench(bench.workbench.chamber_path, bench.workbench.runs)  # a page that was started anew
    anew = Technician(bench)
    assert anew.begin().status_code == 200
    assert anew.name == technician.name  # there is one, and it is shown
    assert os.getpgid(pid) == pid  # what ends the page's group does not end it
    os.kill(pid, signal.SIGTERM)
    os.waitpid(pid, 0)

    standing = bench.workbench.session.standing()
    assert (standing.state, standing.how) == (OVER, "stopped")
    assert "it was told to stop" in anew.client.get("/technician/pump").text


def test_a_session_that_may_not_begin_says_why_in_its_own_words(bench):
    wet, chamber = opened(bench.workbench.folder / "session-20260101T000000000000Z")
    wet.get_ready()
    chamber.box.physics.leaking = True
    for _ in range(5):
        wet._second()
    (bench.workbench.folder / "simulated-board").write_bytes(chamber.saved_line)
    wet.close()
    bench.workbench = Workbench(bench.workbench.chamber_path, bench.workbench.runs)
    technician = Technician(bench)
    technician.begin()
    until(lambda: bench.workbench.session.standing().state == REFUSED, "a refusal")

    text = technician.client.get("/technician/pump").text
    assert "The session did not begin:" in text
    assert "The leak probe is wet" in text
    assert "Traceback" not in text


def test_a_session_that_hangs_is_told_by_a_signal_and_only_such_a_process_is(bench, monkeypatch):
    technician = Technician(bench)
    technician.begin()
    told = []
    monkeypatch.setattr("controller.web.session_process.os.kill", lambda pid, number: told.append((pid, number)))
    process = SessionProcess(
        bench.workbench.chamber_path, bench.workbench.folder, bench.workbench.runs, pause=lambda _: None
    )
    ticks = iter(range(10_000))
    process._clock = lambda: float(next(ticks))
    standing = process.end(technician.name, "MK", 0, lambda journal, wish: None)

    assert standing.state == OPEN  # it did not end, and that is what is said
    assert told == []  # its number belongs to no session's process: this one is pytest
    monkeypatch.setattr("controller.web.session_process.Path.read_bytes", lambda path: b"calibrate\0portions\0")
    process.end(technician.name, "MK", 0, lambda journal, wish: None)
    assert told == [(os.getpid(), signal.SIGTERM)]


# -- masses ----


def test_everything_typed_is_kept_at_once_and_stands_there_again(bench):
    technician = Technician(bench)
    technician.begin()
    technician.do("/portion", volume_ml="5")
    technician.do("/portion", volume_ml="5", mass_1_g="4,98", water_c="21,5")
    technician.do("/masses", mass_2_g="4.9x", instruments="balance <1>")

    assert masses_on(Technician(bench, "AB").client.get(f"/technician/pump/{technician.name}").text) == {
        "mass_1_g": "4,98", "mass_2_g": "4.9x"
    }  # fmt: skip
    page = answer_of(technician)
    assert 'name="water_c" inputmode="decimal" required value="21,5"' in page
    assert 'value="balance &lt;1&gt;"' in page
    assert [(r["portion"], r["mass_g"], r["by"]) for r in rows_of(technician.folder, WEIGHED)] == [(1, 4.98, "MK")]
    assert [(r["portion"], r["text"]) for r in rows_of(technician.folder, TYPED)] == [(1, "4,98"), (2, "4.9x")]
    before = len(rows_of(technician.folder, TYPED, WEIGHED, CONDITIONS))
    technician.do("/masses", mass_1_g="4,98", mass_2_g="4.9x", water_c="21,5")
    assert len(rows_of(technician.folder, TYPED, WEIGHED, CONDITIONS)) == before  # nothing new, nothing added


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        ({"mass_1_g": ""}, "Portion 1 has no mass"),
        ({"mass_1_g": "-0.1"}, "Mass of portion 1, g: -0.1; it must be from 0 to 1000."),
        ({"mass_1_g": "1000.1"}, "Mass of portion 1, g: 1000.1; it must be from 0 to 1000."),
        ({"mass_1_g": "0"}, "mass_g is 0, but must be above 0"),
        ({"mass_1_g": "5 g"}, "Mass of portion 1, g: 5 g is not a number."),
        ({"mass_1_g": "5", "water_c": "40.1"}, "Temperature of the water, °C: 40.1; it must be from 5 to 40."),
        ({"mass_1_g": "5", "water_c": ""}, "Temperature of the water, °C: it is needed, from 5 to 40."),
        ({"mass_1_g": "5", "portion": ""}, "It does not say which portion is meant"),
        ({"mass_1_g": "5", "portion": "2"}, "portion: 2; it must be from 1 to 1."),
        (
            {"mass_1_g": "5", "instruments": "x" * 301},
            "Balance, thermometer, barometer: 301 characters; at most 300 can be kept.",
        ),
    ],
)
def test_what_cannot_be_meant_is_told_on_the_page_in_one_sentence_and_no_check_is_kept(bench, fields, sentence):
    technician = Technician(bench)
    technician.begin()
    technician.do("/portion", volume_ml="5")
    answer = technician.do("/one-portion", **{"way": "one-portion", "portion": "1", **CONDITIONS_TYPED, **fields})

    assert answer.status_code == 400
    assert sentence in text_of(answer)
    assert "Weigh the last portion" in answer.text
    assert of_kind(bench, "check") == []


def test_a_quick_check_goes_onto_the_chart_with_its_verdict(bench):
    technician = Technician(bench)
    assert "Quick check of the pump" in technician.client.get("/technician/one-portion").text
    answer = technician.begin(way="one-portion")
    assert answer.url.path.endswith("/one-portion")
    technician.do("/portion", way="one-portion", volume_ml="5")
    answer = technician.do("/portion", way="one-portion", volume_ml="20")
    assert 'name="mass_2_g"' in answer.text
    assert 'name="mass_1_g"' not in answer.text
    answer = technician.do("/one-portion", way="one-portion", portion="2", mass_2_g="19,94", **CONDITIONS_TYPED)

    (record,) = of_kind(bench, "check")
    assert answer.url.path == "/technician/chart"
    assert "The check is worked out" in answer.text
    assert (record["by"], record["simulated"], record["session"]) == ("MK", True, technician.name)
    assert (record["data"]["steps"], record["data"]["mass_g"]) == (4_000, 19.94)
    # water at 20 C and 101.3 kPa: Z = 1.0029 ul/mg (ISO 8655-6, table A.1), so 19.94 g are 19.998 ml
    assert record["result"]["ml_per_step"] == pytest.approx(19.94 * 1.0029 / 4_000, rel=2e-4)
    assert record["result"]["difference_pct"] == pytest.approx(-0.01, abs=0.02)
    assert "\u22120.02 % from the factor in use" in answer.text
    assert "Nothing asks for a new calibration." in answer.text
    assert answer.text.count("<circle") == 1


def test_the_terminal_checks_a_portion_of_an_earlier_session(bench, tmp_path):
    technician = Technician(bench)
    technician.begin()
    for size_ml in ("5", "20"):
        technician.do("/portion", volume_ml=size_ml)
    technician.do("/end")
    (tmp_path / "mass.csv").write_text("mass_g\n4.99\n")
    words = ["calibrate", "check", "--chamber", str(bench.workbench.chamber_path), "--by", "LK", "--water-c", "20",
             "--pressure-kpa", "101.3", "--masses", str(tmp_path / "mass.csv"), "--simulated",
             "--session", str(technician.folder)]  # fmt: skip

    assert CliRunner().invoke(main, [*words, "--portion", "1"]).exit_code == Exit.WELL
    assert CliRunner().invoke(main, words).exit_code == Exit.WELL
    assert [each["data"]["steps"] for each in of_kind(bench, "check")] == [1_000, 4_000]
    refused = CliRunner().invoke(main, [*words, "--portion", "3"])
    assert refused.exit_code == Exit.SETTINGS
    assert "has no portion 3; it gave 2 to be weighed" in " ".join(refused.output.split())
    assert CliRunner().invoke(main, [*words[:-2], "--portion", "1"]).exit_code == Exit.USAGE


# -- a balance on a line ----


@pytest.fixture
def line():
    """A pseudo-terminal: the balance's end, and the name of the other."""
    balance, computer = pty.openpty()
    tty.setraw(computer)
    yield balance, os.ttyname(computer)
    os.close(balance)
    os.close(computer)


@pytest.fixture
def real_session(bench, line):
    """A technician in a session that is no simulation, with one portion given, and a balance in the chamber file."""
    technician = Technician(bench)
    technician.name = "session-20260102T000000000000Z"
    session, _ = opened(technician.folder)
    session.get_ready()
    closed = session.give(1_000)
    session.note(GIVEN, portion=1, dose_id=closed.dose_id, steps=1_000)
    session.close()
    (technician.folder / "journal.sqlite").unlink()
    settings = session._settings
    Journal.create(technician.folder / "journal.sqlite", technician.name, settings, "0.1.0", False).close()
    with bench.workbench.chamber_path.open("a") as file:
        file.write(f'\n[balance]\nport = "{line[1]}"\nask = "W"\n')
    return technician


def test_a_balance_on_a_line_is_asked_from_the_page_and_everything_typed_stays(bench, real_session, line):
    def answer():
        asked = b""
        while b"W\r\n" not in asked:
            asked += os.read(line[0], 16)
        os.write(line[0], b"ready\r\nN +  5.043 g\r\nN +  9.999 g\r\n".replace(b"+  ", b"+"))

    asked = threading.Thread(target=answer)
    asked.start()
    page = real_session.do("/masses", read="1", mass_1_g="9", pressure_kpa="100,2")
    asked.join(10)

    assert masses_on(page.text) == {"mass_1_g": "5.043"}
    assert 'value="100,2"' in page.text
    assert [(row["text"], row.get("source")) for row in rows_of(real_session.folder, TYPED)] == [
        ("9", None), ("5.043", "balance")
    ]  # fmt: skip
    assert rows_of(real_session.folder, WEIGHED)[-1]["mass_g"] == 5.043


@pytest.mark.parametrize(
    ("sent", "sentence"),
    [
        (b"-0.02 g\r\n", "The balance shows -0.02 g; a portion must be above 0 and at most 1000 g."),
        (b"0.00 g\r\n", "The balance shows 0 g"),
        (b"1000.01 g\r\n", "a portion must be above 0 and at most 1000 g"),
        (b"overload\r\n", "The balance gave no mass in 0.05 s; its last line was 'overload'."),
        (b"", "The balance gave no mass in 0.05 s; it sent nothing."),
    ],
)
def test_a_balance_without_a_mass_is_told_and_loses_nothing(real_session, line, monkeypatch, sent, sentence):
    monkeypatch.setattr("controller.bench.balance.READ_WITHIN_S", 0.05 if b"g" not in sent else 10.0)
    answer = threading.Thread(target=lambda: (os.read(line[0], 16), os.write(line[0], sent)))
    answer.start()
    page = real_session.do("/masses", read="1", mass_1_g="4,9")
    answer.join(10)

    assert page.status_code in (400, 409)
    assert sentence in text_of(page)
    assert masses_on(page.text) == {"mass_1_g": "4,9"}


def test_a_balance_that_is_not_there_and_none_in_the_file_are_told(bench, real_session):
    chamber = bench.workbench.chamber_path
    chamber.write_text(chamber.read_text().split("\n[balance]")[0] + '\n[balance]\nport = "/dev/none"\n')
    answer = real_session.do("/masses", read="1", mass_1_g="4,9")
    assert (answer.status_code, "The balance at /dev/none cannot be opened" in answer.text) == (409, True)
    chamber.write_text(chamber.read_text().split("\n[balance]")[0])
    answer = real_session.do("/masses", read="1")
    assert (answer.status_code, "The chamber file names no balance" in answer.text) == (400, True)
    assert "Read the balance" not in answer.text
    for place in ("0", "2", "1.5", "x"):
        assert real_session.do("/masses", read=place).status_code == 400


@pytest.mark.parametrize(
    ("table", "sentence"),
    [
        ("baud = 9600", "balance.port is missing"),
        ('port = "x"\nbaud = 299', "balance.baud is 299"),
        ('port = "x"\nbaud = 4000001', "balance.baud is 4000001"),
        ('port = "x"\npattern = "("', "balance.pattern: '(' is not a regular expression"),
        ('port = "x"\npattern = "g"', "balance.pattern: 'g' needs a group in round brackets around the mass."),
        ('port = "x"\nask = "' + "W" * 41 + '"', "balance.ask is"),
        ('port = "x"\nask = "\u00e4"', 'balance.ask is "\u00e4", but must be ASCII text of at most 40 characters'),
        ('port = "x"\nparity = "even"', "balance.parity is not a key of a chamber"),
    ],
)
def test_a_faulty_balance_in_the_chamber_file_is_told_with_file_key_and_bound(bench, table, sentence):
    path = bench.workbench.chamber_path
    path.write_text(path.read_text() + f"\n[balance]\n{table}\n")
    done = CliRunner().invoke(main, ["calibrate", "list", "--chamber", str(path)])

    assert done.exit_code == Exit.SETTINGS
    assert f"{path.name}: {sentence.split()[0]}" in done.output
    assert sentence in done.output


def test_the_balance_of_the_example_is_a_balance_once_it_is_no_comment(tmp_path):
    text = example_path("skerry-light.chamber.toml").read_text()
    head, _, table = text.partition("# [balance]")
    path = tmp_path / "my.chamber.toml"
    path.write_text(head + "\n[balance]\n" + table.replace("# ", ""))

    found = read_chamber(path).balance
    assert (found.port, found.baud, found.ask) == ("/dev/ttyUSB0", 9600, "")
    assert found == type(found)(port=found.port)  # the example shows the defaults


@pytest.mark.parametrize(
    ("more", "is_read"),
    [([], True), (["--balance", ""], False), (["--simulated"], False), (["--balance", "/dev/none"], None)],
)
def test_the_terminal_reads_the_balance_of_the_chamber_file_unless_told_otherwise(bench, line, more, is_read):
    path = bench.workbench.chamber_path
    path.write_text(path.read_text() + f'\n[balance]\nport = "{line[1]}"\nbaud = 4800\nask = "W"\n')
    found = []

    @click.command()
    @at_the_balance
    def weigh(said):
        found.append(said.balance(read_chamber(said.chamber_path)))

    words = ["--chamber", str(path), "--by", "LK", "--water-c", "20", "--pressure-kpa", "101.3", *more]
    done = CliRunner().invoke(weigh, words)

    if is_read is None:
        assert isinstance(done.exception, ChamberError)
        assert "The balance at /dev/none cannot be opened" in str(done.exception)
    elif is_read:
        assert (found[0]._line.port, found[0]._line.baudrate, found[0]._ask) == (line[1], 4800, b"W\r\n")
        found[0].close()
    else:
        assert found == [None]


# -- the check of all parts ----


def test_all_parts_are_checked_from_the_page_and_a_line_that_is_held_is_told_in_the_checks_words(bench, line):
    path = bench.workbench.chamber_path
    path.write_text(path.read_text().replace('"/dev/ttyACM0"', f'"{line[1]}"'))
    technician = Technician(bench)
    with serial.Serial(line[1], exclusive=True) as controller:  # as a controller holds its board
        answer = technician.post("/technician/checks")
        os.write(line[0], b"x")
        assert controller.read(1) == b"x"

    kept = CheckRecord(path).last()
    assert kept.by == "MK"
    board = next(each for each in kept.findings if each.part == "board")
    assert "cannot be reached" in board.words
    assert "All parts were looked at" in answer.text
    assert board.words in text_of(answer)
    assert json.loads(CheckRecord(path).path.read_text())["by"] == "MK"


def test_a_check_that_cannot_be_kept_says_why(bench):
    bench.workbench.chamber_path.write_text("nonsense")
    answer = Technician(bench).post("/technician/checks")

    assert answer.status_code == 400
    assert "this is not TOML" in answer.text
    assert CheckRecord(bench.workbench.chamber_path).last() is None
