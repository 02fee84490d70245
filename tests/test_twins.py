"""Twins gathered and compared: aligned on the first water, judged against margins, told in plain words."""

import csv
import json
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from click.testing import CliRunner

from controller.cli import main
from controller.control import model as m
from controller.errors import JournalError, SettingsError
from controller.settings import settings_from_text
from controller.twins.comparing import compare
from controller.twins.environment import ALIKE, DIFFERENT, OPEN, verdict
from controller.twins.findings import joined_words
from controller.twins.gathering import twin_of
from controller.twins.growth import Grown, compare_growth
from controller.twins.miappe import fields_of
from controller.twins.numbers import summary_of, write_numbers
from controller.twins.odd_ones import Gap, odd_ones, sides_of
from controller.twins.plans import differences_of_plans, refuse_unlike
from controller.twins.plants import WARMTH
from controller.twins.pupil import pupil_words
from controller.twins.report import render
from controller.twins.sheet import rows_of
from controller.twins.sources import gather, gather_all
from controller.twins.story import findings_of, headline, limits_words, span_words, what_was_compared
from tests.journals import DAY_MS, HOUR_MS, at, fill, hydrate, new_journal, settings
from tests.made_runs import START_MS, Truth, make_run, plan_text, settings_of
from tests.reference_rows import rows

NOTHING = Truth()


def made(folder, site, seed, truth=NOTHING, later_h=0, days=21):
    journal = make_run(folder, settings_of(site, True, days), seed, truth, START_MS + later_h * HOUR_MS)
    journal.close()
    return folder


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    """A run, and twins of it: alike, 2 C cooler, with a dark week, with bad seed."""
    folder = tmp_path_factory.mktemp("runs")
    return {
        "first": made(folder / "first", 0, 11),
        "alike": made(folder / "alike", 1, 12, later_h=53),
        "cool": made(folder / "cool", 1, 12, Truth(cooler_c=2.0), later_h=53),
        "dark": made(folder / "dark", 1, 13, Truth(dark_days=(7, 14)), later_h=20),
        "bad": made(folder / "bad", 1, 14, Truth(viable_share=0.5, slower=1.4), later_h=77),
        "dry": made(folder / "dry", 1, 15, Truth(water_share=0.9), later_h=5),
    }


KEPT = {}


def compared(runs, *names):
    """A comparison of these runs; each is made once, and nothing changes it."""
    if names not in KEPT:
        twins = gather_all([runs[name] for name in names])
        KEPT[names] = compare(twins, refuse_unlike(twins, unlike_wanted=False))
    return KEPT[names]


# -- gathering ----


def test_days_are_counted_from_the_first_water_wherever_it_falls(runs):
    first, late = gather_all([runs["first"], runs["alike"]])

    assert late.hydrated_utc_ms - first.hydrated_utc_ms == 53 * HOUR_MS
    for twin in (first, late):
        assert [day.day for day in twin.days] == list(range(21))
        assert [day.light_h for day in twin.days[1:20]] == pytest.approx([16.0] * 19)
        assert twin.planned_light_h == pytest.approx([16.0] * 21)


def test_hours_and_days_tell_the_same_temperature(runs):
    twin = gather(runs["first"])
    by_hour = twin.hours.air_temperature_c[: 21 * 24].reshape(21, 24).mean(axis=1)

    assert by_hour.tolist() == pytest.approx([day.air_temperature_c.mean for day in twin.days], abs=0.1)
    assert twin.hours.degree_days_at(21 * 24.0, 0.0) == pytest.approx(sum(d.degree_days for d in twin.days), rel=0.005)


def test_degree_days_bridge_an_hour_without_readings_and_begin_at_none(runs):
    twin = gather(runs["first"])
    holed = twin.hours.air_temperature_c.copy()
    holed[50] = np.nan

    assert replace(twin.hours, air_temperature_c=holed).degree_days_at(240.0, 0.0) == pytest.approx(
        twin.hours.degree_days_at(240.0, 0.0), abs=0.1
    )
    assert twin.hours.degree_days_at(0.0, 0.0) == 0.0


def test_a_gap_is_told_and_its_day_is_compared_with_nothing(tmp_path):
    twins = []
    for name, gap in (("a", None), ("b", (2 * DAY_MS, 2 * DAY_MS + 6 * HOUR_MS))):
        journal = new_journal(tmp_path / name)
        hydrate(journal)
        fill(journal, 0, 8 * DAY_MS if gap is None else gap[0])
        if gap is not None:
            fill(journal, gap[1], 8 * DAY_MS)
        fill(journal, 8 * DAY_MS, 8 * DAY_MS + 1)
        twins.append(twin_of(journal, settings(), tmp_path / name, name))
        journal.close()
    ((start_h, end_h),) = twins[1].gaps_h

    assert (start_h, end_h) == pytest.approx((48.0, 54.0), abs=0.2)
    environment = compare(twins, []).environments[0]
    assert environment.of("air_temperature_c").days == [0, 1, 3, 4, 5, 6, 7]
    assert any(d.what == "gap" and d.twin == "b" for d in compare(twins, []).deviations)


def test_a_run_without_water_is_no_twin(tmp_path):
    journal = new_journal(tmp_path)
    fill(journal, 0, DAY_MS)

    with pytest.raises(JournalError, match="never given water"):
        twin_of(journal, settings(), tmp_path)
    journal.close()


def test_a_run_given_twice_is_refused(runs):
    with pytest.raises(SettingsError, match="given already"):
        gather_all([runs["first"], runs["first"]])


def test_runs_of_one_site_get_names_that_differ(runs):
    assert [twin.name for twin in gather_all([runs["first"], runs["alike"], runs["dark"]])] == [
        "Skerry Light",
        "Northhaven (2)",
        "Northhaven (3)",
    ]


@pytest.fixture
def unlike(tmp_path, runs):
    text = plan_text(True).replace("light_h = 16 ", "light_h = 14 ")
    changed = settings_from_text(text, settings_of(1, True).chamber_text)
    make_run(tmp_path / "unlike", changed, 16).close()
    return gather_all([runs["first"], tmp_path / "unlike"])


@pytest.mark.guards("H10", "host", "ccf086fa")
def test_unlike_plans_are_refused_and_their_difference_named(unlike):
    with pytest.raises(SettingsError, match=r"photoperiod\.light_h is 16\.0 at Skerry Light, and 14\.0 at Northhaven"):
        refuse_unlike(unlike, unlike_wanted=False)


@pytest.mark.guards("H10", "host", "ccf086fa")
def test_unlike_plans_are_compared_when_asked_and_every_difference_listed(unlike):
    found = refuse_unlike(unlike, unlike_wanted=True)

    assert found == ["photoperiod.light_h is 16.0 at Skerry Light, and 14.0 at Northhaven."]
    assert "plans that are not the same" in what_was_compared(compare(unlike, found))
    assert found[0] in render(compare(unlike, found), {})


def test_plans_that_differ_in_a_remark_only_are_told_apart(tmp_path, runs):
    changed = settings_from_text(plan_text(True) + "# a remark\n", settings_of(1, True).chamber_text)
    make_run(tmp_path / "remark", changed, 17).close()

    (told,) = differences_of_plans(gather_all([runs["first"], tmp_path / "remark"]))
    assert "only in remarks" in told


# -- verdicts ----


@pytest.mark.parametrize(
    ("difference", "low", "high", "p", "told"),
    [
        (0.1, -0.2, 0.4, 0.001, ALIKE),
        (0.1, -0.2, 0.4, 0.049, ALIKE),
        (0.1, -2.0, 2.2, 0.051, OPEN),
        (1.5, 0.4, 2.6, 0.8, DIFFERENT),
        (-1.5, -2.6, -0.4, 0.8, DIFFERENT),
        (1.0, 0.4, 1.6, 0.5, OPEN),  # at the margin, not over it
        (1.5, -0.1, 3.1, 0.7, OPEN),  # over the margin, but perhaps nothing
        (1.5, 0.0, 3.0, 0.7, OPEN),
        (0.6, 0.4, 0.8, 0.02, ALIKE),  # surely a difference, surely within the margin
    ],
)
def test_a_verdict_needs_both_the_margin_and_the_interval(difference, low, high, p, told):
    assert verdict(difference, low, high, p, 1.0) == told


def test_alike_twins_are_called_alike_in_what_can_be_told(runs):
    comparison = compared(runs, "first", "alike")
    (environment,) = comparison.environments

    assert not [each.channel.key for each in environment.channels if each.verdict == DIFFERENT]
    assert environment.of("air_temperature_c").verdict == ALIKE
    assert environment.of("light_h").verdict == ALIKE
    assert environment.water.verdict == ALIKE
    assert "Nothing that was measured shows the places to be unlike" in headline(comparison)


def test_a_cool_twin_is_found_and_its_slow_seeds_are_put_down_to_temperature(runs):
    comparison = compared(runs, "first", "cool")
    (environment,), (plants,) = comparison.environments, comparison.plants

    assert environment.of("air_temperature_c").verdict == DIFFERENT
    assert environment.of("air_temperature_c").difference == pytest.approx(-2.0, abs=0.8)
    assert plants.cause == WARMTH
    assert plants.warmth_ratio > 1.05
    words = " ".join(each.words for each in findings_of(comparison))
    assert "the temperature explains the difference, not the seed" in words
    assert comparison.deviations[0].what == "air_temperature_c"


def test_a_dark_week_is_found_with_its_span_and_ranked_first(runs):
    comparison = compared(runs, "first", "dark")

    worst = comparison.deviations[0]
    assert (worst.twin, worst.what) == ("Northhaven", "light_h")
    assert (worst.from_h, worst.to_h) == (168.0, 336.0)
    assert comparison.environments[0].of("light_h").verdict == DIFFERENT
    assert "lit for less time" in " ".join(each.words for each in findings_of(comparison))


def test_bad_seed_is_not_put_down_to_the_place(runs):
    comparison = compared(runs, "first", "bad")

    assert comparison.plants[0].cause == "seed"
    assert "look at the seed" in " ".join(each.words for each in findings_of(comparison)) or (
        comparison.plants[0].differs("count")
    )


def test_less_water_is_found_in_the_accounts(runs):
    comparison = compared(runs, "first", "dry")
    water = comparison.environments[0].water

    assert water.verdict == DIFFERENT
    assert water.difference_fraction == pytest.approx(-0.1, abs=0.04)
    assert any(each.what == "water_delivered" and each.twin == "Northhaven" for each in comparison.deviations)


def test_margins_of_the_plan_decide(runs):
    twins = gather_all([runs["first"], runs["cool"]])
    wide = settings_from_text(
        plan_text(True) + "\n[margins]\nair_temperature_c = 4\n", settings_of(0, True).chamber_text
    )
    twins = [type(twin)(**(twin.__dict__ | {"settings": wide})) for twin in twins]

    assert compare(twins, []).environments[0].of("air_temperature_c").verdict == ALIKE


def test_deviations_are_ranked_by_how_much_they_matter(runs):
    sizes = [each.margin_days for each in compared(runs, "first", "dark", "cool").deviations]

    assert len(sizes) > 3
    assert all(a >= b for a, b in pairwise(sizes))


# -- three twins and more ----


def test_of_three_twins_every_pair_is_compared(runs):
    comparison = compared(runs, "first", "cool", "dark")
    pairs = [
        ("Skerry Light", "Northhaven (2)"),
        ("Skerry Light", "Northhaven (3)"),
        ("Northhaven (2)", "Northhaven (3)"),
    ]

    assert [(e.first, e.second) for e in comparison.environments] == pairs
    assert [(p.first, p.second) for p in comparison.plants] == pairs
    cooler = [e.of("air_temperature_c").verdict for e in comparison.environments]
    assert cooler[0] == DIFFERENT
    assert {each.key for each in comparison.overall} == {"count", "days", "degree_days", "height"}
    assert compared(runs, "first", "cool").overall == []


def test_with_more_pairs_each_verdict_is_asked_to_be_surer(runs):
    alone = compared(runs, "first", "alike").plants[0]
    among = compared(runs, "first", "alike", "bad").plants[0]

    assert among.vigour.p == alone.vigour.p
    assert among.p_raised["seed"] >= alone.p_raised["seed"]
    assert among.vigour_power_fraction < alone.vigour_power_fraction
    assert among.detectable_ratio > alone.detectable_ratio


def test_the_findings_on_many_name_the_odd_one_once(runs):
    comparison = compared(runs, "first", "cool", "bad")
    told = [each.words for each in findings_of(comparison)]
    (cooler,) = [words for words in told if "cooler" in words and "average day" in words]

    assert "Northhaven (2) was cooler than Skerry Light and Northhaven (3), by" in cooler
    assert "Northhaven (2) differed from Skerry Light and Northhaven (3)" in headline(comparison)
    assert len(told) < 14
    assert "more strictly" in " ".join(limits_words(comparison))


def test_the_odd_ones_are_those_that_stand_in_most_pairs():
    assert odd_ones([("a", "b"), ("b", "c"), ("b", "d")]) == [("b", ["a", "c", "d"])]
    assert odd_ones([("a", "b")]) == [("b", ["a"])]
    assert odd_ones([]) == []
    gaps = [Gap("b", "a", 2.0), Gap("b", "c", 1.0), Gap("c", "d", 1.0)]
    assert [(name, more) for name, more, _ in sides_of(gaps)] == [("b", False), ("c", False)]


def test_leaves_are_compared_at_one_age_of_all_plants(runs):
    """The cool twin's seedlings came up later, and are not said to have fewer leaves for that."""
    comparison = compared(runs, "first", "cool")
    leaves = [each.leaf_number for each in comparison.grown if each.leaf_number is not None]

    assert len(leaves) >= 8
    assert max(leaves) - min(leaves) <= 1
    assert comparison.plants[0].growth.measures == ["height", "leaves"]
    assert not comparison.plants[0].differs("leaves")


def test_fewer_leaves_must_be_fewer_by_more_than_a_look():
    def plants(twin, count, numbers, later):
        return [Grown(twin, n, "cress", 70.0 + n, numbers, later) for n in range(count)]

    by_a_look = compare_growth("a", "b", [*plants("a", 6, 4, 4), *plants("b", 6, 3, 4)])
    by_more = compare_growth("a", "b", [*plants("a", 6, 4, 4), *plants("b", 6, 2, 3)])

    assert by_a_look.together.p_each[1] == 1.0
    assert by_more.together.p_each[1] < 0.01
    assert by_more.ratios["leaves"] == pytest.approx(0.5)


def test_the_power_is_said_on_the_first_page(runs):
    comparison = compared(runs, "first", "alike")
    words = " ".join(limits_words(comparison))

    assert "60 % of it came up where 95 % should, and a quarter later" in words
    assert "of 10 such experiments" in words
    assert 0.6 < comparison.plants[0].vigour_power_fraction < 0.95
    assert comparison.plants[0].count_power_fraction < 0.3


# -- the report ----


def test_the_page_needs_nothing_from_outside_and_says_everything(runs):
    comparison = compared(runs, "first", "cool", "dark")
    page = render(comparison, {})

    assert 'src="http' not in page
    assert 'href="http' not in page
    for words in (headline(comparison), *(each.words for each in findings_of(comparison))):
        assert words.replace("&", "&amp;").replace("'", "&#39;").split("“")[0][:60] in page
    for name in ("margins", "places", "agreement", "emergence", "heights", "stages", "water"):
        assert f'id="{name}"' in page
    assert page.count('class="blank"') > 20


# quantities of the growth-chamber guidelines (ICCEG 2004; Tibbitts, Sager and Krizek 2000; from memory), a word each
GUIDELINE_WORDS = (
    "photosynthetic photon flux",
    "photoperiod",
    "air, light",
    "air, dark",
    "medium",
    "relative",
    "carbon dioxide",
    "air speed",
    "delivered a day",
    "bed: area",
    "nutrients",
    "ph",
    "electrical conductivity",
)


def test_the_reporting_sheet_has_the_quantities_of_the_guidelines_and_blanks_where_nothing_is_known(runs):
    found = rows_of(gather_all([runs["first"], runs["cool"]]))
    text = " ".join(f"{row.group} {row.quantity} {row.unit}".lower() for row in found)

    for word in GUIDELINE_WORDS:
        assert word in text
    blank = {row.quantity for row in found if not any(row.values)}
    assert {"carbon dioxide", "air speed at the canopy", "pH"} <= blank
    assert all(len(row.values) == 2 for row in found)


def test_every_number_stands_in_a_table_or_in_json(tmp_path, runs):
    comparison = compared(runs, "first", "bad")
    write_numbers(comparison, tmp_path)

    summary = json.loads((tmp_path / "comparison.json").read_text())
    assert summary["headline"] == headline(comparison)
    assert summary["pairs"][0]["plants"]["cause"] == "seed"
    for name in (
        "daily",
        "channels",
        "deviations",
        "emergence",
        "germination",
        "growth",
        "grown",
        "plants",
        "water",
        "looks",
        "sheet",
    ):
        with (tmp_path / f"{name}.csv").open(encoding="utf-8-sig", newline="") as file:
            table = list(csv.reader(file))
        assert len(table) > 1
        assert {len(row) for row in table} == {len(table[0])}, name
    with (tmp_path / "daily.csv").open(encoding="utf-8-sig", newline="") as file:
        daily = list(csv.DictReader(file))
    assert len(daily) == 42
    assert float(daily[3]["air_temperature_c"]) == pytest.approx(
        comparison.twins[0].days[3].air_temperature_c.mean, abs=1e-3
    )


def test_a_place_name_that_looks_like_a_formula_stays_text(tmp_path, runs):
    twins = gather_all([runs["first"], runs["alike"]])
    twins[1] = type(twins[1])(**(twins[1].__dict__ | {"name": "=1+1"}))
    write_numbers(compare(twins, []), tmp_path)

    assert "'=1+1" in (tmp_path / "water.csv").read_text(encoding="utf-8-sig")


def test_a_page_written_by_hostile_names_stays_a_page(runs):
    twins = gather_all([runs["first"], runs["alike"]])
    twins[1] = type(twins[1])(**(twins[1].__dict__ | {"name": "<script>alert(1)</script>"}))

    assert "<script>" not in render(compare(twins, []), {})


def test_the_pupils_words_are_short_sentences(runs):
    words = " ".join(pupil_words(compared(runs, "first", "cool")))
    sentences = [each for each in words.replace("?", ".").replace(":", ".").split(".") if each.strip()]

    assert np.mean([len(each.split()) for each in sentences]) < 16
    for term in ("interval", "hypothesis", "significant", "Kaplan", "p ="):
        assert term not in words


def test_summaries_hold_no_value_that_json_cannot_say(runs):
    json.dumps(summary_of(compared(runs, "first", "bad")), allow_nan=False)


def test_correct_observations_replace_what_they_correct(tmp_path):
    journal = new_journal(tmp_path)
    hydrate(journal)
    fill(journal, 0, 5 * DAY_MS)
    journal.append(m.ObservationRecord(at(2 * DAY_MS), 1, "LK", emerged=True))
    ((row, _),) = journal.numbered(m.ObservationRecord)
    journal.append(m.ObservationRecord(at(3 * DAY_MS), 1, "LK", emerged=False, corrects=row))
    twin = twin_of(journal, settings(), tmp_path)
    journal.close()

    assert [(look.hour_h, look.emerged) for look in twin.looks] == [(48.0, False)]


def test_words_join_as_people_join_them():
    assert [joined_words(each) for each in ([], ["a"], ["a", "b"], ["a", "b", "c"])] == [
        "",
        "a",
        "a and b",
        "a, b and c",
    ]


def test_spans_are_told_in_days():
    assert span_words(168.0, 336.0) == "day 7 to day 14"
    assert span_words(48.0, 54.0) == "day 2"


# a sample (part of a plant taken away) is nothing that these records hold, and sections stand for their fields
NO_SAMPLES = {"Sample ID", "Plant anatomical entity", "Collection date"}


def test_every_field_that_the_metadata_standard_demands_is_there(runs):
    # MIAPPE v1.1 (Papoutsoglou et al. 2020, New Phytologist 227:260-273), the checklist's own table
    known = {(row["line"], row["section"], row["field"]) for row in rows("miappe_fields.csv")}
    demanded = {
        row["field"]
        for row in rows("miappe_fields.csv")
        if row["cardinality"].startswith("1") and row["field"] != row["section"]
    }
    twins = gather_all([runs["first"], runs["cool"]])
    found = fields_of(twins)

    assert {(each.line, each.section, each.field) for each in found} <= known
    assert demanded - NO_SAMPLES - {each.field for each in found} == set()
    for twin in twins:
        mine = [each for each in found if each.study == twin.name]
        assert [each.value for each in mine if each.field == "Start date of study"] == [twin.hydrated_at_utc]


# -- the command ----


def command(*words):
    return CliRunner().invoke(main, ["compare", *(str(word) for word in words)])


def test_the_command_writes_everything_and_says_the_findings(tmp_path, runs):
    found = command(runs["first"], runs["dark"], "--out", tmp_path)

    assert found.exit_code == 0, found.output
    assert "The place was not the same: Northhaven" in found.output
    assert (tmp_path / "report.html").stat().st_size > 50_000
    assert json.loads(command(runs["first"], runs["dark"], "--out", tmp_path, "--json").output)["pairs"]


@pytest.mark.parametrize(
    ("channels", "water", "words"),
    [
        ([], DIFFERENT, "The watering was not the same: "),
        (["air temperature"], ALIKE, "The place was not the same: "),
        (["air temperature"], DIFFERENT, "The place and the watering were not the same: "),
    ],
)
def test_the_first_sentence_says_whether_it_was_the_place_or_the_watering(mocker, runs, channels, water, words):
    compared = compare(gather_all([runs["first"], runs["alike"]]), [])
    mocker.patch("controller.twins.story.channels_told", return_value=channels)
    changed = [replace(each, water=replace(each.water, verdict=water)) for each in compared.environments]

    assert headline(replace(compared, environments=changed)).startswith(words)


def test_the_command_refuses_in_a_sentence(tmp_path, runs):
    for words, exit_code, told in (
        ((runs["first"],), 3, "needs two runs"),
        ((runs["first"], tmp_path), 5, "no journal here, no archive and no parcels"),
        ((runs["first"], runs["first"]), 3, "given already"),
    ):
        found = command(*words, "--out", tmp_path / "out")
        assert found.exit_code == exit_code
        assert told in found.output
    assert not (tmp_path / "out").exists()


def test_comparing_changes_no_record(tmp_path, runs):
    before = (runs["first"] / "journal.sqlite").read_bytes()
    command(runs["first"], runs["alike"], "--out", tmp_path)

    assert (runs["first"] / "journal.sqlite").read_bytes() == before
