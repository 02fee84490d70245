"""Plan and chamber files: what is taken, and the one sentence for each thing that is not."""

import hashlib
import re
import subprocess
import sys
from datetime import UTC, date, datetime, time, timedelta, timezone
from pathlib import Path

import pytest
from pytest_mock import MockerFixture

from controller.errors import SettingsError
from controller.plan import Settings
from controller.settings import example_path, read_chamber, read_plan, read_settings, settings_from_text
from tests.settings_files import (
    CHAMBER_NAME,
    LEFT_OUT,
    PLAN_NAME,
    changed,
    example,
    sentences,
    sentences_of_text,
    toml_text,
)

PLAN = example(PLAN_NAME)
CHAMBER = example(CHAMBER_NAME)
PLAN_TEXT = example_path(PLAN_NAME).read_text(encoding="utf-8")
CHAMBER_TEXT = example_path(CHAMBER_NAME).read_text(encoding="utf-8")


def said_of_plan(folder: Path, **changes: object) -> list[str]:
    return sentences(
        folder, changed(PLAN, {path.replace("__", "."): value for path, value in changes.items()}), CHAMBER
    )


# -- the shipped files ----


@pytest.mark.parametrize("chamber_name", [CHAMBER_NAME, "northhaven.chamber.toml"])
def test_the_shipped_plan_runs_in_both_shipped_chambers(chamber_name):
    settings = read_settings(example_path(PLAN_NAME), example_path(chamber_name))
    assert isinstance(settings, Settings)
    assert [position.number for position in settings.plan.positions] == list(range(1, 10))
    assert {position.species for position in settings.plan.positions} == {"cress", "radish"}


def test_the_example_wets_as_is_common_practice():
    """About 210 ml in portions of 50 ml, a minute of soak before draining: common practice, no source."""
    wetting = read_plan(example_path(PLAN_NAME)).first_wetting
    assert (wetting.total_ml, wetting.aliquot_ml, wetting.soak_s, wetting.drain) == (210.0, 50.0, 60.0, True)


def test_the_example_light_is_a_closed_day_on_utc():
    """A closed 24 h day kept on UTC: common practice, no source."""
    period = read_plan(example_path(PLAN_NAME)).photoperiod
    assert (period.cycle_h, period.light_h, period.clock, period.start) == (24.0, 16.0, "utc", time(6))


def test_values_arrive_with_the_types_of_the_plan():
    settings = read_settings(example_path(PLAN_NAME), example_path(CHAMBER_NAME))
    assert type(settings.plan.length_days) is float  # written as 21
    assert settings.plan.observation.at_utc == time(7)
    assert settings.chamber.pump.calibrated_on == date(2026, 2, 16)
    assert type(settings.chamber.pump.steps_per_s) is int
    assert settings.plan.watering.fixed is None
    assert settings.lamp_duty_fraction == pytest.approx(180 / 300)


def test_the_digest_is_that_of_the_bytes_of_the_plan_file():
    """Against GNU coreutils sha256sum, an implementation outside the project."""
    path = example_path(PLAN_NAME)
    digest = subprocess.run(["sha256sum", path], capture_output=True, text=True, check=True).stdout.split()[0]
    assert read_settings(path, example_path(CHAMBER_NAME)).plan_sha256 == digest


def test_line_ends_and_a_byte_order_mark_are_read_over_but_digested(tmp_path):
    content = b"\xef\xbb\xbf" + PLAN_TEXT.replace("\n", "\r\n").encode()
    (tmp_path / "plan.toml").write_bytes(content)
    settings = read_settings(tmp_path / "plan.toml", example_path(CHAMBER_NAME))
    assert settings.plan == read_plan(example_path(PLAN_NAME))
    assert settings.plan_sha256 == hashlib.sha256(content).hexdigest()
    assert settings.plan_text.encode() == content


def test_settings_come_back_the_same_from_the_texts_of_a_journal():
    settings = read_settings(example_path(PLAN_NAME), example_path(CHAMBER_NAME))
    assert settings_from_text(settings.plan_text, settings.chamber_text) == settings


def test_faults_of_texts_carry_the_names_that_were_given():
    with pytest.raises(SettingsError) as caught:
        settings_from_text("length_days = 1 1\n", CHAMBER_TEXT, "the run's plan", "its chamber")
    assert caught.value.sentences[0].startswith("the run's plan: line 1, column 17: this is not TOML (")


def test_an_example_that_is_not_shipped_is_refused_with_those_that_are():
    with pytest.raises(SettingsError, match=r"^skerry\.toml is not an example file; .*skerry-light\.plan\.toml\.$"):
        example_path("skerry.toml")


def test_the_data_written_back_as_text_says_the_same(tmp_path):
    """The tests' own writer of TOML can be believed."""
    assert sentences(tmp_path, PLAN, CHAMBER) == []
    assert read_plan(tmp_path / PLAN_NAME) == read_plan(example_path(PLAN_NAME))
    assert read_chamber(tmp_path / CHAMBER_NAME) == read_chamber(example_path(CHAMBER_NAME))


def test_reading_settings_leaves_the_number_library_unloaded():
    """A small board reads its settings without numpy in memory."""
    code = (
        "import sys; from controller.settings import *;"
        f"read_settings(example_path({PLAN_NAME!r}), example_path({CHAMBER_NAME!r}));"
        "sys.exit('numpy' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


# -- files that cannot be read ----


def test_a_missing_file_is_named_with_its_path(tmp_path):
    with pytest.raises(SettingsError) as caught:
        read_plan(tmp_path / "no.toml")
    assert caught.value.sentences == (f"{tmp_path}/no.toml: there is no such file.",)


def test_a_folder_is_not_a_file(tmp_path):
    with pytest.raises(SettingsError) as caught:
        read_chamber(tmp_path)
    assert caught.value.sentences == (f"{tmp_path}: this is a folder; give a file.",)


def test_a_name_that_no_file_can_have_is_refused():
    with pytest.raises(SettingsError, match="this file cannot be read"):
        read_plan("a\0b")


@pytest.mark.parametrize(
    ("trouble", "words"),
    [
        (PermissionError(13, "Permission denied"), "may not be read by this user"),
        (OSError(5, "Input/output error"), "cannot be read (Input/output error)"),
    ],
)
def test_a_file_that_the_system_withholds_is_one_sentence(trouble, words, mocker: MockerFixture):
    mocker.patch.object(Path, "read_bytes", side_effect=trouble)
    with pytest.raises(SettingsError) as caught:
        read_plan("some.plan.toml")
    assert caught.value.sentences[0].startswith("some.plan.toml: this file ")
    assert words in caught.value.sentences[0]
    assert len(caught.value.sentences) == 1


def test_both_files_missing_are_two_sentences(tmp_path):
    with pytest.raises(SettingsError) as caught:
        read_settings(tmp_path / "a.toml", tmp_path / "b.toml")
    assert [sentence.rsplit("/", 1)[1] for sentence in caught.value.sentences] == [
        "a.toml: there is no such file.",
        "b.toml: there is no such file.",
    ]


def test_bytes_that_are_not_utf8_are_named_with_their_line(tmp_path):
    (tmp_path / "latin.toml").write_bytes(b'name = "x"\nplace = "Stra\xdfe"\n')
    with pytest.raises(SettingsError) as caught:
        read_plan(tmp_path / "latin.toml")
    sentence = "latin.toml: line 2 holds a byte that is not UTF-8 text; save the file as UTF-8."
    assert caught.value.sentences == (sentence,)


@pytest.mark.parametrize(
    ("text", "where"),
    [
        ("length_days = 21\nname = \n", "line 2, column 8"),
        ("[medium\n", "line 1, column 8"),
        ("length_days = 1\nlength_days = 2\n", "line 2, column 16"),
        ("day = 2026-02-30\n", "line 1, column 7"),
    ],
)
def test_a_slip_in_the_syntax_is_named_with_line_and_column(tmp_path, text, where):
    said = sentences_of_text(tmp_path, text, CHAMBER_TEXT)
    assert len(said) == 1
    assert re.fullmatch(rf"skerry-light\.plan\.toml: {where}: this is not TOML \([a-z].*\)\.", said[0])


@pytest.mark.parametrize("text", ["a = " + "9" * 5000, "a = " + "[" * 3000 + "]" * 3000])
def test_a_value_too_large_to_read_is_one_sentence(tmp_path, text):
    said = sentences_of_text(tmp_path, text, CHAMBER_TEXT)
    assert said == [f"{PLAN_NAME}: a value in this file is too large to read."]


def test_a_plan_that_cannot_be_read_does_not_hide_the_faults_of_the_chamber(tmp_path):
    said = sentences_of_text(tmp_path, "a = \n", toml_text(changed(CHAMBER, {"pins.leak": 18})))
    assert said[1:] == [f"{CHAMBER_NAME}: pins.leak is 18, but pins.lamp has that pin already."]


def test_an_empty_file_misses_every_table_and_key(tmp_path):
    said = sentences_of_text(tmp_path, "", "")
    missing = [sentence.split(" is missing; give ")[0] for sentence in said]
    assert sorted(missing) == sorted(
        [
            *(f"{PLAN_NAME}: {key}" for key in PLAN if key != "sample_every_s"),
            *(f"{CHAMBER_NAME}: {key}" for key in CHAMBER),
        ]
    )


# -- sentences of shape ----


PLAN_SHAPES = [
    ("length_days", LEFT_OUT, "length_days is missing; give a number over 0, at most 400."),
    ("length_days", 0, "length_days is 0; give a number over 0, at most 400."),
    ("length_days", 401, "length_days is 401; give a number over 0, at most 400."),
    ("length_days", "21", 'length_days is "21"; give a number over 0, at most 400.'),
    ("length_days", True, "length_days is true; give a number over 0, at most 400."),
    ("length_days", float("nan"), "length_days is nan, which is not a number; give a number over 0, at most 400."),
    ("length_days", float("inf"), "length_days is inf; give a number over 0, at most 400."),
    ("length_days", -float("inf"), "length_days is -inf; give a number over 0, at most 400."),
    ("length_days", 10**30, "length_days is a whole number of about 30 digits; give a number over 0, at most 400."),
    ("length_days", date(2026, 3, 2), "length_days is 2026-03-02; give a number over 0, at most 400."),
    ("length_days", [21], "length_days is a list; give a number over 0, at most 400."),
    ("length_days", {"a": 1}, "length_days is a table; give a number over 0, at most 400."),
    ("medium.bed_area_cm2", 9.99, "medium.bed_area_cm2 is 9.99; give a number from 10 to 20000."),
    ("name", "", 'name is ""; give text in quotes that is not empty.'),
    ("name", 5, "name is 5; give text in quotes that is not empty."),
    ("name", date(2026, 3, 2), "name is 2026-03-02; give text in quotes that is not empty."),
    ("name", LEFT_OUT, "name is missing; give text in quotes that is not empty."),
    ("steps.1.how", 5, "steps[1].how is 5; give text in quotes."),
    ("steps.1.gate", "yes", 'steps[1].gate is "yes"; give true or false.'),
    ("steps.1.gate", 1, "steps[1].gate is 1; give true or false."),
    ("steps.6.day", 3.0, "steps[6].day is 3.0; give a whole number from 0 to 400."),
    ("steps.6.day", True, "steps[6].day is true; give a whole number from 0 to 400."),
    ("steps.6.day", 10**400, "steps[6].day is a whole number of about 400 digits; give a whole number from 0 to 400."),
    ("steps.6.at_utc", "07:00", 'steps[6].at_utc is "07:00"; give a time of day such as 06:00:00.'),
    (
        "steps.1.due",
        "now",
        'steps[1].due is "now"; give "before_wetting", "after_soak", "after_drain" or "on_day".',
    ),
    ("positions.3.species", LEFT_OUT, "positions[3].species is missing; give text in quotes that is not empty."),
    ("positions.3.number", 0, "positions[3].number is 0; give a whole number from 1 to 200."),
    ("positions", [], "positions is an empty list; give one or more tables [[positions]]."),
    ("positions", {}, "positions is an empty table; give one or more tables [[positions]]."),
    ("positions.2", 5, "positions[2] is 5; give a table [positions[2]]."),
    ("steps", 5, "steps is 5; give tables [[steps]]."),
    ("medium", 5, "medium is 5; give a table [medium]."),
    ("medium", LEFT_OUT, "medium is missing; give a table [medium]."),
    ("observation.days", 3, "observation.days is 3; give a list of whole numbers from 0 to 400."),
    ("observation.days.2", "two", 'observation.days[2] is "two"; give a whole number from 0 to 400.'),
    (
        "photoperiod.start",
        date(2026, 3, 2),
        "photoperiod.start is 2026-03-02; give a moment such as 2026-03-02T06:00:00Z or a time of day such as "
        "06:00:00.",
    ),
    (
        "photoperiod.start",
        "06:00",
        'photoperiod.start is "06:00"; give a moment such as 2026-03-02T06:00:00Z or a time of day such as 06:00:00.',
    ),
    (
        "photoperiod.start",
        6,
        "photoperiod.start is 6; give a moment such as 2026-03-02T06:00:00Z or a time of day such as 06:00:00.",
    ),
    ("watring", {}, "watring is not a key of a plan; did you mean watering?"),
    ("watering.dose_mL", 5, "watering.dose_mL is not a key of a plan; did you mean dose_ml?"),
    (
        "watering.light_h",
        5,
        "watering.light_h is not a key of a plan; light_h belongs under [photoperiod].",
    ),
    (
        "watering.sample_every_s",
        5,
        "watering.sample_every_s is not a key of a plan; sample_every_s belongs at the top of the file, above the "
        "first [table].",
    ),
    (
        "observation.colour",
        5,
        "observation.colour is not a key of a plan; observation may hold days or at_utc.",
    ),
    (
        "observation.tea\nand cake",
        5,
        'observation."tea\\nand cake" is not a key of a plan; observation may hold days or at_utc.',
    ),
]


@pytest.mark.parametrize(
    ("path", "value", "sentence"), PLAN_SHAPES, ids=[f"{n}-{row[0]!r}" for n, row in enumerate(PLAN_SHAPES)]
)
def test_a_plan_with_one_fault_of_shape_gets_one_sentence(tmp_path, path, value, sentence):
    assert sentences(tmp_path, changed(PLAN, {path: value}), CHAMBER) == [f"{PLAN_NAME}: {sentence}"]


@pytest.mark.parametrize(
    ("path", "value", "sentence"),
    [
        ("pump.steps_per_s", 200.0, "pump.steps_per_s is 200.0; give a whole number from 1 to 20000."),
        ("pump.calibrated_on", "2026-02-16", 'pump.calibrated_on is "2026-02-16"; give a date such as 2026-03-02.'),
        (
            "pump.calibrated_on",
            datetime(2026, 2, 16, tzinfo=UTC),
            "pump.calibrated_on is 2026-02-16T00:00:00+00:00; give a date such as 2026-03-02.",
        ),
        ("pins.lamp", 28, "pins.lamp is 28; give a whole number from 0 to 27."),
        ("air_sensor.i2c_address", 0x46, "air_sensor.i2c_address is 70; give a whole number from 68 to 69."),
        ("limits.dose_max", 5, "limits.dose_max is not a key of a chamber; did you mean dose_max_ml?"),
    ],
)
def test_a_chamber_with_one_fault_of_shape_gets_one_sentence(tmp_path, path, value, sentence):
    assert sentences(tmp_path, PLAN, changed(CHAMBER, {path: value})) == [f"{CHAMBER_NAME}: {sentence}"]


@pytest.mark.parametrize(
    "start",
    [
        time(6),
        datetime(2026, 3, 2, 6),
        datetime(2026, 3, 2, 6, tzinfo=UTC),
        datetime(2026, 3, 2, 6, tzinfo=timezone(timedelta(hours=-3, minutes=-30))),
    ],
)
def test_light_starts_at_a_time_of_day_or_at_a_moment_with_or_without_offset(tmp_path, start):
    assert said_of_plan(tmp_path, photoperiod__start=start) == []
    assert read_plan(tmp_path / PLAN_NAME).photoperiod.start == start


def test_a_whole_number_does_for_a_number(tmp_path):
    assert said_of_plan(tmp_path, watering__dose_ml=12) == []
    assert type(read_plan(tmp_path / PLAN_NAME).watering.dose_ml) is float


def test_text_of_a_file_reaches_the_terminal_without_its_control_characters(tmp_path):
    (said,) = said_of_plan(tmp_path, medium__texture="\x1b[31m" + "red" * 50)
    assert "\x1b" not in said
    assert len(said) < 300


def test_a_misspelt_key_is_one_fault_and_its_value_is_judged_all_the_same(tmp_path):
    data = changed(PLAN, {"watring": changed(PLAN["watering"], {"dose_ml": 501}), "watering": LEFT_OUT})
    assert sentences(tmp_path, data, CHAMBER) == [
        f"{PLAN_NAME}: watring is not a key of a plan; did you mean watering?",
        f"{PLAN_NAME}: watering.dose_ml is 501; give a number over 0, at most 500.",
    ]


def test_a_misspelt_table_header_beside_its_subtables_is_one_fault(tmp_path):
    said = sentences_of_text(tmp_path, PLAN_TEXT.replace("[watering]", "[watring]"), CHAMBER_TEXT)
    assert said == [f"{PLAN_NAME}: watring is not a key of a plan; did you mean watering?"]


# -- everything at once ----


def test_all_faults_of_both_files_and_between_them_come_at_once(tmp_path):
    plan = changed(
        PLAN,
        {
            "length_days": LEFT_OUT,
            "positions.2.number": 1,
            "positions.3.species": "",
            "first_wetting.aliquot_ml": 100,
            "photoperiod.light_h": 25,
            "medium.textrue": "loam",
        },
    )
    chamber = changed(CHAMBER, {"site.time_zone": "Atlantic/Skerry", "pump.baud": 9600, "pins.leak": "five"})
    said = sentences(tmp_path, plan, chamber)
    assert [sentence.split(" is ")[0] for sentence in said] == [
        f"{PLAN_NAME}: medium.textrue",
        f"{PLAN_NAME}: length_days",
        f"{PLAN_NAME}: positions[3].species",
        f"{PLAN_NAME}: photoperiod.light_h",
        f"{PLAN_NAME}: positions holds number 1 more than once; give each position a number of its own.",
        f"{CHAMBER_NAME}: pins.leak",
        f"{CHAMBER_NAME}: pump.baud",
        f"{CHAMBER_NAME}: site.time_zone",
        f"{PLAN_NAME}: first_wetting.aliquot_ml",
    ]


def test_a_check_between_two_numbers_is_silent_when_one_of_them_is_faulty(tmp_path):
    """A cycle that is no number says nothing about 25 h of light."""
    said = said_of_plan(tmp_path, photoperiod__light_h=25, photoperiod__cycle_h="day")
    assert said == [f'{PLAN_NAME}: photoperiod.cycle_h is "day"; give a number over 0, at most 240.']


def test_a_check_of_one_step_speaks_beside_the_fault_of_another(tmp_path):
    said = said_of_plan(tmp_path, steps__6__day="three", steps__7__day=22)
    assert said == [
        f'{PLAN_NAME}: steps[6].day is "three"; give a whole number from 0 to 400.',
        f"{PLAN_NAME}: steps[7].day is 22, which is after the end (length_days = 21).",
    ]


def test_no_sentence_has_the_words_of_a_library(tmp_path):
    broken = {key: {"x": [1]} for key in (*PLAN, *CHAMBER)}
    said = sentences(tmp_path, broken, broken)
    assert len(said) > 20
    for sentence in said:
        assert re.fullmatch(r"skerry-light\.(plan|chamber)\.toml: [^\n]+[.?]", sentence)
        assert not re.search(r"pydantic|https?:|[Ii]nput should|validation|dataclass|Field required", sentence)
