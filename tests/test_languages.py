"""The page in every language: each sentence it can show has words, and a crawl in German meets no English."""

import ast
import os
import re
import shutil
from datetime import UTC, datetime
from html import unescape
from pathlib import Path

import pytest
from click.testing import CliRunner
from starlette.testclient import TestClient

from controller.acceptance.definition import TESTS
from controller.acceptance.judging import Outcome, judge_answers
from controller.acceptance.record import BenchRecord
from controller.bench import records
from controller.bench.hygrometer import check_humidity
from controller.bench.masses import number_in
from controller.bench.moisture import samples_of
from controller.check import Finding, check_chamber
from controller.check_record import CheckRecord
from controller.cli import main
from controller.control import alarms
from controller.control import model as m
from controller.control.words import PHASE_WORDS, REFUSAL_WORDS, TRIP_WORDS, WATERING_WORDS, watering_words
from controller.errors import SettingsError
from controller.judging.kinds import expected, keys_of, table_of
from controller.plan import Chamber, Plan
from controller.settings import example_path, read_chamber, read_settings
from controller.web.app import build_app
from controller.web.downloads import Downloads
from controller.web.sentences import Sentences, entry_of, pairs_in, parts_of
from controller.web.tables import TABLES, Choice
from controller.web.technician_readings import PROCEDURES
from controller.web.texts import FOLDER, LANGUAGES, Texts
from controller.web.workbench import Workbench, rows_in
from tests import examples
from tests.journals import HOUR_MS, at, fill, hydrate, new_journal
from tests.page_server import CODES, make_site
from tests.said import PLACE, is_prose, sentences_of

ROOT = Path(__file__).parent.parent
BASE = "http://localhost"
OTHER = LANGUAGES[1:]
PAPERS = {"certificate.py", "pictures.py"}  # certificates are in English
SOURCES = sorted(path for path in {
    *ROOT.glob("controller/bench/*.py"), *ROOT.glob("controller/acceptance/*.py"), *ROOT.glob("controller/web/*.py"),
    *(ROOT / "controller" / name for name in (
        "check.py", "alerts/causes.py",
        "settings.py", "plan.py", "chamber/real.py", "chamber/air_sensor.py", "control/words.py",
        "control/hands_on.py", "control/asked_clears.py", "control/alarms.py", "control/board_talk.py",
        "control/dose_life.py", "judging/shape.py", "judging/kinds.py", "judging/inside_chamber.py",
        "judging/between.py", "judging/headroom.py", "judging/orders.py",
        "records/columns.py", "records/journal.py",
        "records/disk_words.py", "commands/instruments.py", "commands/weighing.py",
        "commands/at_the_balance.py", "commands/checking.py",
        "commands/portioning.py", "commands/terminal.py",
    )),
} if path.name not in PAPERS or path.parent.name != "bench")  # fmt: skip

# What these files say elsewhere than on the page: (where it is said, patterns of whole files or of sentences).
NOT_ON_THE_PAGE = {
    "on certificates, which are papers in English": (
        r"[AB]: .*", r"air pressure|water temperature|reference thermometer|quantum sensor or meter|factor from lux",
        r"balance, .*", r"evaporation, .*", r"repeatability .*", r"scatter of one portion",
        r"mean of the (readings|differences)", r"humidity over .*", r"sensor warmer .*",
        r"(one reading about|line through) .*", r"two points only: .*",
        r"water content of the samples", r".* Passes within .*", r".* Least squares line .*", r"Line through .*",
        r"(for|at) this .*",
    ),
    "in the terminal": (
        r"--.*", r"Asked for by .*", r"Portion {}, {} steps, asked for by .*", r"Kept as .*", r"CSV file; .*",
        r"the chamber file's, else.*", r"Of the balance\.", r"CSV with a column .*", r"The portion is given: .*",
        r"The session has ended\.",
        r"(Air pressure|Loss|On a|Serial|Temperature of|Text sent|Finds|Chamber file|Print|Your) .*",
        r" *Portion {}:? .*", r"[123]\. .*", r"Fill the tube, .*", r"Everything typed .*", r"Good enough\. .*",
        r"Off the line .*", r"Refused for use: .*", r"The line does not pass .*", r"Water beside electronics: .*",
        r"{} ml a step.*", r"number of millilitres", r"{} {}: (lies outside|write a date) .*", r"Samples weighed .*",
        r"{} is not a number as .*", r"{} must be a finite number\.", r"{task\..*", r"Salt solutions .*",
        r"Do not look into the lamp: .*", r"{} is not an example file; .*", r"{} is not a role; .*", r"The code for .*",
        r"nobody's code", r"{}: the journal cannot be brought to format .*",
    ),
    "on the bench, by wardian check --bench": (
        r"Start (a run|the same) .*", r"(Lay|Lift|Raise|Lower|Press|Pull|Unplug|With|Warm|Let|While|Fill|Sign) .*",
        r"(Only|Hot|Stop-watch|In the middle) .*", r"Do not look into the lamp; .*",
        r"the board reports .*", r"the computer's pin reads wet.*", r"the (lamp stays|pump stands) .*",
        r"(both are|it opens|mass and|every answer|the cut dose) .*",
        r"{} days of readings, .*", r"judged from records",
    ),
    "in records and logs": (
        r"{} was seen by {}\.", r"A trial message was .*", r"The board has restarted\.", r"The board refused dose .*",
        r"The board holds .*", r"The line to the board .*", r"The pump has turned its tube for .*", r"not weighed",
        r"without an offset", r"(given in full|never started|stopped early|ended by a trip: .*)",
        r"the (board restarted|count was lost).*",
        r"found in the board's memory.*", r"The board has told what became of .*",
    ),
    "by the name of its alarm, which has words of its own": (
        r"(Air temperature|Relative humidity) is .*", r"The (air temperature|humidity|moisture reading) cannot be .*",
        r"Board and controller hold .*", r"Nobody knows how much of dose .*", r"The board has not told yet .*",
        r"The board does not answer: its line .*", r"The line is open, but .*", r"The clock claims .*",
        r"The clock has no network time; .*",
        r"The plants ask for water but .*", r"The pump's factor has moved, .*",
        r"This is over\.", r"{} \(noticed by .*",
    ),
    "as parts of others, which are known whole": (
        r" from {} to {}", r"at (least|most) {}", r" is missing; give {}\.", r"good, suspect or missing; .*",
        r"of the good readings of the day",
    ),
    "to the machine": (
        r"(SELECT|INSERT|CREATE|PRAGMA|BEGIN|event LIKE) .*", r".*(row_id|request_id|NOT NULL).*", r".*'(none|self)'.*",
        r".*(charset=|filename=|camera=|hh:mm|<span ).*", r"\nname = .*", r".*is nothing that a place can hold",
        r".*the places of the other .*",
    ),
}  # fmt: skip
EXEMPT = [pattern for patterns in NOT_ON_THE_PAGE.values() for pattern in patterns]


def plain(pattern):
    return pattern.replace(PLACE, "{}")


def canonical(english):
    """A sentence of the catalogue as the sources have it, with nameless places."""
    return "".join(before + ("" if name is None else "{}") for before, name, _ in parts_of(english))


def catalogue(language):
    return pairs_in(FOLDER / f"sentences.{language}.toml")


def entries(language):
    return {canonical(english) for section in catalogue(language).values() for english in section}


@pytest.fixture(scope="module")
def said():
    """File -> every pattern of a text that stands in it."""
    return {str(path.relative_to(ROOT)): {plain(each) for each in sentences_of(path)} for path in SOURCES}


# -- the catalogue and the sources ----


@pytest.mark.parametrize("language", OTHER)
def test_every_sentence_that_reaches_the_page_has_words_in_every_language(said, language):
    laws = (TRIP_WORDS, WATERING_WORDS, REFUSAL_WORDS, PHASE_WORDS)
    known = entries(language).union(*(words.values() for words in laws))
    missing = [
        (file, each)
        for file, patterns in said.items()
        for each in sorted(patterns)
        if is_prose(each) and each not in known and not any(re.fullmatch(e, each, re.DOTALL) for e in EXEMPT)
    ]

    assert missing == []


@pytest.mark.parametrize("language", OTHER)
def test_no_sentence_of_the_catalogue_has_lost_its_source(said, language):
    spoken = set().union(*said.values()) | {"24 hours"}
    sections = {name: pairs for name, pairs in catalogue(language).items() if name not in ("put_together", "system")}

    assert [each for pairs in sections.values() for each in pairs if canonical(each) not in spoken] == []
    assert catalogue(language)["system"].keys() <= {os.strerror(number) for number in range(1, 134)}


def test_nothing_is_exempt_that_is_not_said_or_has_words(said):
    prose = {each for patterns in said.values() for each in patterns if is_prose(each)}

    assert [e for e in EXEMPT if not any(re.fullmatch(e, each, re.DOTALL) for each in prose)] == []
    known = set().union(*(entries(language) for language in OTHER))
    assert [each for each in known if any(re.fullmatch(e, each, re.DOTALL) for e in EXEMPT)] == []


@pytest.mark.parametrize("language", OTHER)
def test_each_pair_has_the_same_places_and_no_sentence_stands_twice(language):
    found = [re.sub(r"{\w+", "{", each) for pairs in catalogue(language).values() for each in pairs]
    for pairs in catalogue(language).values():
        for english, other in pairs.items():
            entry_of(english, other)

    assert sorted(set(found)) == sorted(found)


@pytest.mark.parametrize("language", OTHER)
def test_columns_parts_titles_and_questions_have_words(language):
    texts = Texts(language)
    words = {column.words for table in TABLES.values() for column in table}
    words |= {test.title for test in TESTS} | {each.words for test in TESTS for each in test.questions}
    tree = ast.parse((ROOT / "controller/check.py").read_text())
    calls = [node for node in ast.walk(tree) if isinstance(node, ast.Call) and ast.unparse(node.func) == "Finding"]
    parts = {call.args[0].value for call in calls if isinstance(call.args[0], ast.Constant)}
    assert len(parts) >= 9

    assert [each for each in words | parts if "<span" in texts.said(each)] == []


@pytest.mark.parametrize("language", OTHER)
@pytest.mark.parametrize("table", [Chamber, Plan])
def test_what_any_key_of_a_file_may_hold_has_words(language, table):
    texts, seen = Texts(language), 0

    def look(at_table, path):
        nonlocal seen
        for name, hint in keys_of(at_table).items():
            below = f"{path}.{name}" if path else name
            sentence = f"skerry.chamber.toml: {below} is missing; give {expected(hint, below)}."
            assert "<span" not in texts.said(sentence), sentence
            seen += 1
            if (inner := table_of(hint)) is not None:
                look(inner, below)

    look(table, "")
    assert seen > 20


# -- the page's own texts ----


def calls_of(name):
    for path in sorted(ROOT.glob("controller/web/*.py")):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == name:
                yield path.name, node


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_fault_of_a_form_is_a_text_with_its_places(language):
    texts = Texts(language)
    made_elsewhere = []
    for file, call in calls_of("FormFault"):
        if not isinstance(call.args[0], ast.Constant):
            made_elsewhere.append(file)
            continue
        key = call.args[0].value
        assert key in texts, (file, key)
        places = {name for _, name, _ in parts_of(texts(key)) if name is not None}
        assert places == {each.arg for each in call.keywords}, (file, key)

    assert made_elsewhere == ["workbench.py", "workbench.py"]  # what a command of the terminal says


def test_every_text_that_code_or_template_asks_for_is_there():
    folder = ROOT / "controller" / "web"
    called = re.compile(r"""\b(?:t|texts|texts\(request\))\(["']([a-z_]+\.[a-z_0-9]+)["'][,)]""")
    sources = [*folder.glob("*.py"), *folder.glob("templates/*.jinja")]
    asked = {key for path in sources for key in called.findall(path.read_text())}
    assert len(asked) > 150

    assert [key for key in sorted(asked) for language in LANGUAGES if key not in Texts(language)] == []


def test_templates_hold_no_words_of_their_own():
    for path in (ROOT / "controller/web/templates").glob("*.jinja"):
        text = re.sub(r"{[{%#].*?[%#}]}", " ", path.read_text(), flags=re.DOTALL)
        text = re.sub(r"<(code|style|script)\b.*?</\1>", " ", text, flags=re.DOTALL)
        words = re.findall(r"[A-Za-z]{3,}", unescape(re.sub(r"<[^>]*>", " ", text)))
        assert words == [], path.name


@pytest.mark.parametrize("language", OTHER)
@pytest.mark.parametrize(
    "reason",
    [
        *WATERING_WORDS,
        *(f"tripped:{reason}" for reason in TRIP_WORDS),
        *(f"refused:{answer}" for answer in (*REFUSAL_WORDS, "steps_out_of_bounds")),
    ],
)
def test_missing_water_is_told_with_what_holds_it_back_and_how_long(reason, language):
    thirsty = examples.growing(watering_answer=reason, wanting_since_run_ms=0)
    words = alarms.conditions(thirsty, examples.SETTINGS)["water_missing"]
    assert words.startswith("Water has been wanted for ")
    assert watering_words(reason) in words
    assert words == words.strip()

    told = Texts(language).alarm("water_missing", words)
    assert "<span" not in Texts(language).said(words)
    assert told != words


# -- how a sentence is found ----


def test_a_number_takes_the_decimal_comma_and_a_name_stays():
    sentence = "The line meets duty 0 at 12.5 umol m-2 s-1: the response is not straight, at most 5 % of full duty is "
    told = Texts("de").said(sentence + "accepted (acceptance.lamp_dark_max_fraction).")

    assert "bei 12,5 µmol m⁻² s⁻¹" in told
    assert "(acceptance.lamp_dark_max_fraction)" in told
    in_file = Texts("de").said("x.toml: pump.ml_per_step is -0.5; give a number over 0.")
    assert in_file == "x.toml: pump.ml_per_step ist -0.5; anzugeben ist eine Zahl über 0."  # as it stands in the file


def test_the_pair_with_the_most_text_of_its_own_wins():
    pairs = [("{a} is {b}.", "kurz {a} {b}"), ("{a} is very {b}.", "lang {a} {b}"), ("{n:number} is {b}.", "{n}? {b}")]
    found = Sentences(pairs, ",")

    assert "".join(piece.text for piece in found.find("x is very cold.")) == "lang x cold"
    assert "".join(piece.text for piece in found.find("x is cold.")) == "kurz x cold"
    assert found.find("x is cold") is None
    assert found.find("so x is cold. And") is None


def test_an_unknown_sentence_stays_english_is_marked_and_escaped():
    assert Texts("de").said("Nobody <b>knows</b>.") == '<span lang="en">Nobody &lt;b&gt;knows&lt;/b&gt;.</span>'
    assert Texts("en").said("Nobody <b>knows</b>.") == "Nobody &lt;b&gt;knows&lt;/b&gt;."
    told = Texts("de")("answer.refused", words=Texts("de").said("<i>"))
    assert told == 'Die Steuerung hat abgelehnt: <span lang="en">&lt;i&gt;</span>'


def test_of_two_lines_the_one_that_is_known_is_told():
    told = Texts("de").said("The clock is set by network time.\nNobody knows.")

    assert told == 'Die Uhr geht nach der Netzzeit.\n<span lang="en">Nobody knows.</span>'


def test_joined_sentences_are_parted_again():
    answers = {"vmot_v": 3.5, "lamp_v": 0.5, "computer": False}
    found = judge_answers(next(test for test in TESTS if test.name == "stop"), answers).words
    assert Texts("de").said(found) == (
        "Spannung an VMOT: 3,5 V, höchstens 1; nein zu: Läuft der Rechner weiter, und bleibt der Taster gedrückt?"
    )
    refused = "The volume does not rise with the steps. At 400 steps only one portion lies on the line: no random "
    told = Texts("de").said(f"pump-1: this calibration is refused for use. {refused}error can be told.")
    assert told.startswith("pump-1: diese Kalibrierung ist zum Gebrauch abgelehnt. Das Volumen steigt nicht")
    assert "<span" not in told


def test_what_a_system_says_inside_a_sentence_is_marked_where_it_is_not_known():
    known = Texts("de").said("/x: this file cannot be read (Permission denied).")
    unknown = Texts("de").said("/x: this file cannot be read (Protocol driver not attached).")

    assert known == "/x: diese Datei lässt sich nicht lesen (keine Berechtigung)."
    assert unknown == '/x: diese Datei lässt sich nicht lesen (<span lang="en">Protocol driver not attached</span>).'


def test_sentences_put_together_from_several_files_are_known():
    def refusal(call):
        with pytest.raises(SettingsError) as caught:
            call()
        return Texts("de").said(str(caught.value))

    times, readings = [10.0 * n for n in range(6)], [22.0 + 0.01 * n for n in range(6)]
    assert refusal(lambda: check_humidity("CH3COOK", 5.0, times, readings, 2.0)) == (
        "Über CH3COOK muss die Temperatur zwischen 10 und 30 °C liegen, hier sind es 5,0 °C."
    )
    assert refusal(lambda: number_in("wet", "readings: line 2, counts")) == (
        "Messwerte: Zeile 2, counts: &#39;wet&#39; ist keine Zahl."
    )
    row = {"counts": 1.0, "wet_g": 5.0, "dry_g": 6.0, "bulk_volume_ml": 1.0}
    assert refusal(lambda: samples_of([row])).startswith("Probe 1: Die Probe wog nass 5 g und trocken 6 g")


@pytest.mark.parametrize(
    "text", ["a: b is c; " * 181, "x. y; " * 333, "(" * 1_999, ": " * 900, "", "\n\n", "x" * 9_999]
)
def test_no_text_keeps_the_search_busy(text):
    assert unescape(re.sub("</?span[^>]*>", "", Texts("de").said(text))) == text


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("kind", PROCEDURES)
def test_an_example_of_readings_can_be_typed_as_it_is_shown(language, kind):
    procedure = PROCEDURES[kind]

    assert rows_in(Texts(language).cells(procedure.example), procedure.columns) == [
        list(procedure.columns), *(line.split(", ") for line in procedure.example.splitlines())
    ]  # fmt: skip


# -- the pages in German ----


@pytest.fixture(scope="module")
def german(tmp_path_factory):
    """A technician's browser that prefers German, at a run that tripped, beside a chamber with calibrations."""
    folder = tmp_path_factory.mktemp("german")
    chamber = folder / "skerry.chamber.toml"
    shutil.copy(example_path("skerry-light.chamber.toml"), chamber)
    common = ["--chamber", str(chamber), "--by", "LK"]
    pump = [*common, "--simulated", "--water-c", "20", "--pressure-kpa", "101.3", "--volumes-ml", "1,2", "--times", "3"]
    CliRunner().invoke(main, ["calibrate", "pump", *pump], input="\n" * 40)
    for kind, rows, more in (
        ("moisture", "counts,water_content_fraction\n2950,0.05\n2500,0.33\n2100,0.11\n1700,0.30\n", []),
        ("lamp", "position,duty_fraction,ppfd_umol_m2_s\n1,0.25,150\n1,0.5,220\n1,1,300\n2,1,100\n", []),
        ("temperature", "sensor_c,reference_c\n" + "25.1,20.0\n25.2,20.0\n" * 3, ["--reference-u-c", "0.1"]),
        ("humidity", "elapsed_min,relative_humidity_pct\n" + "".join(f"{n},{70 + n}\n" for n in range(6)),
         ["--salt", "NaCl", "--air-c", "25"]),
    ):  # fmt: skip
        (folder / "rows.csv").write_text(rows)
        CliRunner().invoke(main, ["calibrate", kind, *common, "--readings", str(folder / "rows.csv"), *more])
    for number, factor in enumerate([0.00500, 0.00501, 0.00499, 0.005, 0.00501, 0.00530]):
        at_utc = datetime(2027, 1, 1 + number, tzinfo=UTC)
        result = {"ml_per_step": factor, "ml_per_step_standard_uncertainty": 0.00002}
        content = {"at_utc": at_utc.isoformat(), "by": "LK", "accepted": True, "simulated": True, "result": result}
        records.keep(records.folder_of(chamber), "check", at_utc, content | {"tubing_lot": "SL-07", "data": {}})
    findings = [*check_chamber(read_chamber(chamber), folder), Finding("board's latch", False, "The board is tripped: "
                "The leak probe is wet: water is where it must not be.")]  # fmt: skip
    CheckRecord(chamber).add(findings, datetime(2026, 3, 2, tzinfo=UTC))
    attempts = BenchRecord(chamber)
    for test in TESTS:
        answers = {each.key: 99.5 if each.is_number else False for each in test.questions}
        attempts.add(test, {}, judge_answers(test, answers), "LK")
    attempts.add(TESTS[1], {}, Outcome(False, "the board reported leak_wet; counts leak 1, float 2"), "LK")
    plan = read_settings(example_path("skerry-light.plan.toml"), chamber)
    (folder / "run").mkdir()
    journal = new_journal(folder / "run", plan)
    journal.append(m.BootRecord(at(0), "0.1.0"))
    hydrate(journal)
    fill(journal, 0, 6 * HOUR_MS)
    for step in ("drain-and-weigh", "observe-day-2"):
        journal.append(m.StepRecord(at(HOUR_MS), step, done=False, signed_by=""))
    journal.append(m.TripRecord(at(5 * HOUR_MS), "leak_wet", m.ON_HOST, 0))
    journal.append(m.AlarmRecord(at(5 * HOUR_MS), "trip_leak_wet", True, "The probe is wet. (noticed by the host)"))
    journal.append(m.AlarmRecord(at(5 * HOUR_MS), "air_temperature_high", True, "Air temperature is above 30 C."))
    journal.close()
    site = make_site(folder / "run")
    site.workbench = Workbench(chamber, chamber.parent)
    headers = {"origin": BASE, "sec-fetch-site": "same-origin", "accept-language": "de-AT,en;q=0.5"}
    client = TestClient(build_app(site), base_url=BASE, headers=headers)
    client.post("/sign-in", data={"role": "technician", "initials": "MK", "code": CODES["technician"]})
    client.site = site
    return client


ENGLISH = re.compile(
    r"(?<![-\w])(the|is|are|must|not|with|and|of|to|from|at most|needs?|there|by|this|that)(?![-\w])", re.IGNORECASE
)


def english_on(answer, site):
    """English that a German page shows: what is marked so, and lines with an English word, but for the plan's texts."""
    text = re.sub(r'<a href="\?lang=en".*?</a>', "", answer.text)
    found = re.findall(r'<[^>]*lang="en"[^>]*>.*?<', text)
    settings = site.run.settings
    own = [each for step in settings.plan.steps for each in (step.title, step.how)]
    place = settings.chamber.site
    names = [settings.plan.name, place.name, place.place, place.time_zone]
    text = unescape(re.sub(r"<(?:pre|code)\b.*?</(?:pre|code)>", " ", text, flags=re.DOTALL))
    for each in sorted(filter(None, own + names), key=len, reverse=True):
        text = text.replace(each, " ")
    lines = [line.strip() for line in re.sub(r"<[^>]*>", "\n", text).splitlines()]
    return found + [line for line in lines if ENGLISH.search(line) and "wardian" not in line]


def pages_of(site):
    kept = [f"/technician/records/{each['id']}" for each in records.read_all(site.workbench.folder)]
    sessions = [f"/technician/pump/{path.name}" for path in site.workbench.folder.glob("session-*")]
    sessions += [f"{path}/one-portion" for path in sessions]
    return [
        "/", "/now/part", "/course", "/steps", "/logbook", "/logbook/1", "/logbook/999", "/downloads?table=climate",
        "/columns", "/sign-in", "/nowhere", "/pictures/none.jpg", "/technician", "/technician/chart",
        "/technician/checks", "/technician/pump", "/technician/one-portion",
        "/technician/pump/session-none", "/technician/records/none",
        *(f"/technician/calibrate/{kind}" for kind in ("moisture", "lamp", "humidity", "temperature", "none")),
        *kept, *sessions,
    ]  # fmt: skip


def test_no_german_page_shows_english(german):
    paths = pages_of(german.site)
    assert len(paths) > 30
    for path in paths:
        answer = german.get(path)
        assert "lang" not in answer.headers or path == "/now/part"
        assert english_on(answer, german.site) == [], path
        assert re.findall(r'<input[^>]* value="\d+\.\d+"', answer.text) == [], path


def test_the_crawl_would_notice_english(german):
    german.site.run.look(fresh=True)
    answer = german.get("/steps", headers={"accept-language": "en"})

    assert len(english_on(answer, german.site)) > 5


BAD_FORMS = [
    ("/clear", {"trip": "leak_wet"}), ("/clear", {"initials": "x" * 13}), ("/clear", {"initials": "MK"}),
    ("/sign-in", {"role": "nobody"}), ("/sign-in", {"role": "pupil", "initials": "", "code": "x"}),
    ("/seen", {"alarm": "none"}), ("/seen", {"alarm": "x" * 81}), ("/steps", {"step": "none"}),
    ("/steps", {"step": "drain-and-weigh"}),
    ("/steps", {"step": "drain-and-weigh", "before_g": "zwölf", "after_g": "1"}),
    ("/steps", {"step": "drain-and-weigh", "before_g": "12", "after_g": "11"}),
    ("/steps", {"step": "drain-and-weigh", "before_g": "1", "after_g": "9000,5"}),
    ("/logbook/1", {}), ("/logbook/1", {"leaves": "2,5"}), ("/logbook/1", {"height_mm": "3000,5"}),
    ("/logbook/1", {"note": "x" * 1_001}), ("/logbook/1", {"corrects": "7", "leaves": "1"}),
    ("/logbook/999", {"leaves": "1"}),
    ("/technician/use", {"calibration": "none"}), ("/technician/pump/SESSION/portion", {"volume_ml": ""}),
    ("/technician/pump/SESSION/portion", {"volume_ml": "9999"}),
    ("/technician/pump/SESSION/portion", {"volume_ml": "1"}),
    ("/technician/calibrate/moisture", {}), ("/technician/calibrate/moisture", {"readings": "1740"}),
    ("/technician/calibrate/moisture", {"readings": "1740, 0.2\n1800, nass"}),
    ("/technician/calibrate/moisture", {"readings": "5000, 0.2\n1800, 0.3"}),
    ("/technician/calibrate/moisture", {"readings": "1 1\n" * 501}),
    ("/technician/calibrate/humidity", {"salt": "Zucker", "air_c": "25", "readings": "0 75"}),
    ("/technician/calibrate/humidity", {"salt": "NaCl", "air_c": "50,5", "readings": "0 75"}),
    ("/technician/calibrate/lamp", {"light_h": "", "duty_fraction": "1", "readings": "1 1 1"}),
]  # fmt: skip


@pytest.mark.parametrize(("path", "form"), BAD_FORMS)
def test_no_answer_to_a_bad_german_form_is_english(german, path, form):
    mark = german.get("/steps").text.split('name="form_mark" value="')[1].split('"')[0]
    session = next(german.site.workbench.folder.glob("session-*")).name
    answer = german.post(path.replace("SESSION", session), data={"form_mark": mark, **form})

    assert answer.status_code in (400, 403, 409), answer.text
    assert english_on(answer, german.site) == []


@pytest.mark.parametrize(
    "query", ["table=x", "step=x", "first=gestern", "first=2026-03-04&last=2026-03-03", "first=0001-01-01"]
)
def test_no_answer_to_a_bad_german_address_is_english(german, query):
    answer = german.get(f"/downloads?{query}")

    assert (answer.status_code, english_on(answer, german.site)) == (400, [])


def test_a_chamber_file_with_faults_is_told_in_german(german):
    path = german.site.workbench.chamber_path
    before = path.read_text()
    try:
        path.write_text(before.replace("ml_per_step = ", "ml_per_stepp = -").replace("baud = ", "baud = 0.5 #"))
        answer = german.get("/technician")
    finally:
        path.write_text(before)

    assert answer.status_code == 409
    assert "ist kein Schlüssel in einer Kammerdatei; war ml_per_step gemeint?" in answer.text
    assert english_on(answer, german.site) == []


def test_a_bad_picture_is_told_in_german(german):
    mark = german.get("/steps").text.split('name="form_mark" value="')[1].split('"')[0]
    files = {"picture": ("x.png", b"no picture", "image/png")}
    answer = german.post("/logbook/1", data={"form_mark": mark}, files=files)

    assert "Bild: das ist kein lesbares Bild" in answer.text
    assert english_on(answer, german.site) == []


@pytest.mark.parametrize(
    ("headers", "status", "words"),
    [
        ({"host": "elsewhere.example"}, 421, "Unter diesem Namen gibt es diese Seite nicht.\n"),
        ({"origin": "http://elsewhere.example"}, 403, "Dieses Formular wurde nicht von dieser Seite gesendet.\n"),
        ({"content-length": "999999"}, 413, "Das ist mehr als die 64 KiB, die hier angenommen werden.\n"),
    ],
)
def test_the_doors_speak_the_browsers_language(german, headers, status, words):
    answer = german.post("/steps", headers=headers, content=b"x")

    assert (answer.status_code, answer.text, answer.headers["content-language"]) == (status, words, "de")
    chosen = german.post("/steps", headers=headers | {"cookie": "wardian_language=en"}, content=b"x")
    assert chosen.headers["content-language"] == "en"


def test_a_workbook_explains_its_columns_in_german(german):
    openpyxl = pytest.importorskip("openpyxl")
    path = german.site.run.folder / "table.xlsx"
    path.write_bytes(b"".join(Downloads(german.site).workbook(Choice("climate", step="1h"), Texts("de"))))
    book = openpyxl.load_workbook(path)

    assert book.sheetnames == ["climate", "Spalten", "Über diese Daten"]
    assert [cell.value for cell in book["climate"][1]] == [column.name for column in TABLES["climate"]]
    explained = {row[0].value: row[1].value for row in book["Spalten"].iter_rows(min_row=2)}
    assert explained["dew_point_c"].startswith("°C, aus Lufttemperatur und Feuchte")
    about = {row[0].value: row[1].value for row in book["Über diese Daten"].iter_rows()}
    assert about["Zeilen"] == "Mittel über 1 Stunde"
    assert about["eine leere Zelle"] == "nicht bekannt oder nicht gesagt; nie null"
