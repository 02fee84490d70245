"""Whatever stands in a plan or chamber file: an object comes out, or sentences; and what comes out is safe to ask."""

import re
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from controller.control import model, watering
from controller.errors import SettingsError
from controller.plan import Settings
from controller.settings import read_settings
from firmware_bridge import interlocks, limits
from tests.settings_files import CHAMBER_NAME, PLAN_NAME, example, toml_text

EXAMPLES = {PLAN_NAME: example(PLAN_NAME), CHAMBER_NAME: example(CHAMBER_NAME)}
SENTENCE = re.compile(r"skerry-light\.(plan|chamber)\.toml: [^\n]*[.?]")
NUMBERS = [0, -1, 1, 0.0, -0.0, 1e-9, 0.005, 12, 24, 59.99, 60, 61, 300, 1e308, 2**31, 2**63, 2**64, -(10**40)]
NOT_FINITE = [float("nan"), float("inf"), -float("inf")]
WORDS = ["", "on_day", "loam", "UTC", "\x00\x1b[2J\n\"'", "x" * 500]
OTHER = [True, False, [], {}, [[]]]
values = st.one_of(
    st.sampled_from([*NUMBERS, *NOT_FINITE, *WORDS, *OTHER]),
    st.integers(),
    st.floats(),
    st.text(max_size=8),
    st.dates(),
    st.times(),
    st.datetimes(),
    st.lists(st.integers(-2, 30), max_size=4),
    st.dictionaries(st.text(max_size=6), st.integers(), max_size=3),
)


def places(data: Any, way: tuple = ()) -> list[tuple]:
    """Every place in a tree of tables and lists."""
    below = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    return [place for key, one in below for place in [(*way, key), *places(one, (*way, key))]]


@st.composite
def changed_files(draw: st.DrawFn) -> dict[str, dict]:
    """Both example files with up to five changes: a value, a key left out, misspelt, doubled or moved."""
    files = {name: _copy(data) for name, data in EXAMPLES.items()}
    for _ in range(draw(st.integers(0, 5))):
        data = files[draw(st.sampled_from(sorted(files)))]
        way = draw(st.sampled_from(places(data) or [()]))
        if not way:
            continue
        holder: Any = data
        for key in way[:-1]:
            holder = holder[key]
        key = way[-1]
        change = draw(st.sampled_from(["value", "value", "value", "leave out", "misspell", "move"]))
        if change == "value":
            holder[key] = _copy(draw(values))  # the samples are shared by all draws
        elif change == "leave out" or isinstance(holder, list):
            del holder[key]
        elif change == "misspell":
            letters = list(key)
            letters.insert(draw(st.integers(0, len(letters))), draw(st.sampled_from('eats_-. "')))
            holder["".join(letters)] = holder.pop(key)
        else:
            data[key] = holder.pop(key) if holder is not data else holder[key]
    return files


def _copy(data: Any) -> Any:
    if isinstance(data, dict):
        return {key: _copy(one) for key, one in data.items()}
    return [_copy(one) for one in data] if isinstance(data, list) else data


def read(folder: Any, files: dict[str, dict]) -> Settings | None:
    """The settings, or None after a look at every sentence of the refusal."""
    for name, data in files.items():
        (folder / name).write_text(toml_text(data), encoding="utf-8")
    try:
        return read_settings(folder / PLAN_NAME, folder / CHAMBER_NAME)
    except SettingsError as error:
        said = error.sentences
    assert said
    assert len(set(said)) == len(said)
    for sentence in said:
        assert SENTENCE.fullmatch(sentence), sentence
        assert "pydantic" not in sentence
    return None


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(files=changed_files())
def test_changed_files_are_settings_or_sentences_and_never_another_error(tmp_path, files):
    found = read(tmp_path, files)
    if found is not None:
        assert 0.0 <= found.lamp_duty_fraction <= found.chamber.lamp.duty_max_fraction * (1 + 1e-9)
        assert_the_board_would_take_it(found)


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=st.one_of(st.text(alphabet="abé=[]{}\"'\n.#,1 -:Tntrue", max_size=60), st.binary(max_size=40)))
def test_any_bytes_at_all_are_settings_or_sentences(tmp_path, text):
    (tmp_path / PLAN_NAME).write_bytes(text if isinstance(text, bytes) else text.encode())
    (tmp_path / CHAMBER_NAME).write_bytes(b"")
    with pytest.raises(SettingsError) as caught:
        read_settings(tmp_path / PLAN_NAME, tmp_path / CHAMBER_NAME)
    assert all(SENTENCE.fullmatch(sentence) for sentence in caught.value.sentences), caught.value.sentences


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    ml_per_step=st.floats(1e-4, 0.02),
    steps_per_s=st.integers(1, 420),
    dose_max_ml=st.floats(0.1, 130),
    daily_max_ml=st.floats(1, 650),
    aliquot_ml=st.floats(0.1, 130),
    push_ml_per_min=st.floats(0.1, 150),
)
def test_what_the_files_allow_the_board_accepts(
    tmp_path, ml_per_step, steps_per_s, dose_max_ml, daily_max_ml, aliquot_ml, push_ml_per_min
):
    """The law of the pump is the judge here: every dose of settings that were taken is accepted by it."""
    files = _copy(EXAMPLES)
    files[CHAMBER_NAME]["pump"] |= {
        "ml_per_step": ml_per_step,
        "ml_per_step_standard_uncertainty": 0.0,
        "steps_per_s": steps_per_s,
    }
    files[CHAMBER_NAME]["limits"] |= {"dose_max_ml": dose_max_ml, "daily_max_ml": daily_max_ml}
    files[PLAN_NAME]["first_wetting"] |= {
        "aliquot_ml": aliquot_ml,
        "total_ml": min(daily_max_ml, 2 * aliquot_ml),
        "push_rate_max_ml_per_min": push_ml_per_min,
    }
    files[PLAN_NAME]["watering"] |= {"dose_ml": min(12.0, dose_max_ml), "daily_cap_ml": min(60.0, daily_max_ml)}
    found = read(tmp_path, files)
    if found is not None:
        assert_the_board_would_take_it(found)


def assert_the_board_would_take_it(found: Settings) -> None:
    plan, chamber = found.plan, found.chamber
    doses = {
        model.FIRST_WETTING: plan.first_wetting.aliquot_ml,
        model.MOISTURE_LED: plan.watering.dose_ml,
        "the largest dose of the chamber": chamber.limits.dose_max_ml,
    }
    for purpose, volume_ml in doses.items():
        steps = found.steps_for(volume_ml)
        rate = watering.pump_rate_steps_per_s(found, purpose)
        before = [0] * limits.WINDOW_SLOTS
        before[3] = found.steps_for(chamber.limits.daily_max_ml) - steps  # the rest of the day is given already
        law = interlocks.Law(0, before, None)
        law.greeted = True
        assert law.accept_dose(1, steps, rate, False) == interlocks.ACCEPTED, (purpose, steps, rate)
