"""The page, called directly: what it shows, in which words and languages."""

import tomllib
from contextlib import closing
from pathlib import Path

import pytest

from controller.control import model as m
from controller.control.words import PHASE_WORDS, REFUSAL_WORDS, TRIP_WORDS, WATERING_WORDS
from controller.records.journal import Journal
from controller.settings import example_path, read_settings
from controller.web.doors import POLICY
from controller.web.texts import FOLDER, LANGUAGES, Texts, language_of
from tests.journals import HOUR_MS, at, hydrate, new_journal, reading
from tests.page_server import make_site
from tests.schools import BASE, client_of, signed_in

PAGES = ["/", "/course", "/steps", "/logbook", "/logbook/1", "/downloads", "/columns", "/sign-in", "/now/part"]


@pytest.mark.parametrize("path", PAGES)
def test_every_page_opens_without_a_code_and_carries_its_headers(reader, path):
    answer = reader.get(path)

    assert answer.status_code == 200
    assert answer.headers["content-security-policy"] == POLICY
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert "unsafe" not in POLICY
    assert answer.headers["cache-control"] == "no-store"


@pytest.mark.parametrize("path", PAGES[:-1])
def test_no_page_names_anything_outside_or_holds_a_script_or_style_of_its_own(reader, path):
    text = reader.get(path).text

    assert "http://" not in text.replace(BASE, "")
    assert "https://" not in text
    assert "<style" not in text
    assert " style=" not in text
    assert " onclick" not in text


def test_the_sentence_tells_lamp_water_and_that_nothing_is_needed(reader):
    text = reader.get("/").text

    assert "Lamp on until 22:00." in text
    assert "Last watered 3 days ago, 10.0 ml." in text
    assert "Nothing needs you." in text


@pytest.mark.parametrize(
    ("phase", "counts", "words"),
    [
        (m.PREPARING, 2_500, "not watered to the band yet"),
        (m.WETTING, 2_500, "not watered to the band yet"),
        (m.OPENING, 2_500, "not watered to the band yet"),
        (m.OPENING, 1_200, "wet enough"),
        (m.GROWING, 2_500, "below the band"),
        (m.ENDED, 2_500, "below the band"),
    ],
)
def test_a_medium_is_called_too_dry_only_where_the_plan_holds_its_band(tmp_path, phase, counts, words):
    plan = read_settings(example_path("skerry-light.plan.toml"), example_path("skerry-light.chamber.toml"))
    with closing(new_journal(tmp_path, plan)) as journal:
        journal.append(m.BootRecord(at(0), "0.1.0"))
        if phase != m.PREPARING:
            journal.append(m.PhaseRecord(at(1), m.WETTING, 0))
            journal.append(m.PhaseRecord(at(2), phase, 1))
        journal.append(reading(at(HOUR_MS), moisture_counts=counts))
    text = client_of(make_site(tmp_path)).get("/").text

    shown = {each for each in ("not watered to the band yet", "below the band", "wet enough") if each in text}
    assert shown == {words}


def test_live_values_are_those_of_the_last_reading(rehearsed, reader):
    journal = Journal.open(rehearsed / "journal.sqlite")
    last = journal.last_reading()
    journal.close()
    text = reader.get("/now/part").text

    assert f'<span class="number">{last.air_temperature_c:.1f}</span>' in text
    assert f'<span class="number">{last.relative_humidity_pct:.0f}</span>' in text


def test_a_silent_controller_is_said_with_the_time_of_the_last_reading(rehearsed):
    text = client_of(make_site(rehearsed, after_s=3_600)).get("/").text

    assert "The controller is silent: its last reading is of 2026-03-05 15:1" in text
    assert "Nothing needs you" not in text
    assert "OLD VALUES" in text


def test_a_doubtful_reading_is_never_called_good(tmp_path):
    journal = new_journal(tmp_path)
    hydrate(journal)
    journal.append(reading(at(0), air_quality=m.SUSPECT, relative_humidity_pct=None, humidity_quality=m.MISSING))
    journal.close()
    text = make_text(tmp_path)

    assert "doubtful reading" in text
    assert "no reading" in text
    assert text.count("in the band") == 0


def make_text(folder):
    # the hand-made journal holds no text of its plan; the example's stands in
    plan = read_settings(example_path("skerry-light.plan.toml"), example_path("skerry-light.chamber.toml"))
    journal = Journal.open(folder / "journal.sqlite")
    readings = list(journal.records(m.ReadingRecord))
    journal.close()
    again = new_journal(folder / "again", plan)
    hydrate(again)
    for each in readings:
        again.append(each)
    again.close()
    return client_of(make_site(folder / "again")).get("/now/part").text


def test_reading_can_need_a_code_too(rehearsed):
    site = make_site(rehearsed, reading_needs_code=True)
    stranger = client_of(site, follow_redirects=False)

    for path in ("/", "/course", "/steps", "/logbook", "/downloads", "/downloads/run.zip", "/columns"):
        assert stranger.get(path).headers["location"] == "/sign-in", path
    assert stranger.get("/now/part").status_code == 401
    assert stranger.get("/course/data").status_code == 401
    assert signed_in(site, "pupil").get("/").status_code == 200


# -- languages ----


def table_of(language):
    return tomllib.loads((FOLDER / f"{language}.toml").read_text(encoding="utf-8"))


@pytest.mark.parametrize("language", [each for each in LANGUAGES if each != "en"])
def test_a_language_is_complete(language):
    english, other = table_of("en"), table_of(language)
    law = {"trip": TRIP_WORDS, "watering": WATERING_WORDS, "refusal": REFUSAL_WORDS, "phase": PHASE_WORDS}

    for section, words in (english | law).items():
        if section != "alarm":
            assert other[section].keys() == words.keys(), section
    for section, words in english.items():
        for name, text in words.items():
            fields = {part.split("}")[0] for part in text.split("{")[1:]}
            assert {part.split("}")[0] for part in other[section][name].split("{")[1:]} == fields, (section, name)


def test_every_alarm_of_the_law_has_words_in_every_language():
    source = (Path(__file__).parent.parent / "controller" / "control" / "alarms.py").read_text()
    alarms = {part.split('"')[0] for part in source.split('found["')[1:]} | {"records_failed"}

    for language in LANGUAGES[1:]:
        assert alarms <= table_of(language)["alarm"].keys()


@pytest.mark.parametrize("path", PAGES)
def test_every_page_opens_in_every_language(reader, path):
    for language in LANGUAGES:
        answer = reader.get(path, headers={"accept-language": f"{language}-XX,en;q=0.5"})
        assert answer.status_code == 200
        assert path == "/now/part" or f'<html lang="{language}">' in answer.text


def test_numbers_follow_the_language():
    assert Texts("de").number(-1.25, 2) == "\u22121,25"
    assert Texts("en").number(-0.04, 1) == "0.0"


@pytest.mark.parametrize(
    ("chosen", "accepted", "found"),
    [("de", "en", "de"), (None, "fr,de-AT;q=0.7", "de"), ("xx", "", "en"), (None, "*", "en")],
)
def test_the_language_is_the_chosen_one_or_the_browsers(chosen, accepted, found):
    assert language_of(chosen, accepted) == found
