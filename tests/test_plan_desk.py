"""The plan desk: sentences with numbers that can be worked out by hand, and a calendar that calendars read."""

import json
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta

import pytest
from click.testing import CliRunner

from controller import plan as p
from controller.cli import main
from controller.control.model.moments import MS_PER_H
from controller.control.watering import SLOT_GRACE_MS
from controller.desk.advice import advise
from controller.desk.doses import SLACK_H
from controller.desk.tasks import calendar_text, tasks_of
from controller.science.medium import container_capacity_fraction
from controller.settings import example_path, read_settings
from tests.examples import PLAN, SETTINGS, settings

PLAN_FILE, CHAMBER_FILE = example_path("skerry-light.plan.toml"), example_path("skerry-light.chamber.toml")
START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


def answer(topic, **changes):
    found = [each for each in advise(settings(**changes)) if each.topic == topic]
    assert found
    return found[0]


def test_the_shipped_plan_has_nothing_to_look_at():
    assert [each for each in advise(read_settings(PLAN_FILE, CHAMBER_FILE)) if not each.well] == []


def test_the_bed_holds_what_its_retention_says():
    told = answer("first wetting")
    holds_ml = container_capacity_fraction("sandy loam", 4.5) * 990.0

    assert told.numbers["bed_holds_ml"] == pytest.approx(holds_ml, abs=0.1)
    assert f"holds {holds_ml:.0f} ml" in told.words
    assert told.assumed


@pytest.mark.parametrize(("total_ml", "drains"), [(210, False), (285, False), (286, True), (400, True)])
def test_water_over_what_the_bed_holds_is_expected_to_drain(total_ml, drains):
    # 990 ml of bed hold 399.0 ml and 118.8 ml are in it: 280.2 ml fit, and 5 ml more are not told
    told = answer("first wetting", first_wetting=replace(PLAN.first_wetting, total_ml=total_ml))

    assert ("to drain" in told.words) == drains
    assert told.numbers["drain_expected_ml"] == pytest.approx(max(0.0, 118.8 + total_ml - 399.0), abs=0.3)


def test_a_drain_that_the_plan_forgot_is_pointed_at():
    told = answer("first wetting", first_wetting=replace(PLAN.first_wetting, total_ml=400, drain=False))

    assert not told.well
    assert "stay in the tray" in told.words


def test_a_thimble_of_water_is_called_too_dry():
    assert not answer("first wetting", first_wetting=replace(PLAN.first_wetting, total_ml=60, aliquot_ml=20)).well


def test_a_slow_push_soaks_in_and_a_fast_one_on_clay_stands():
    slow = answer("standing water", first_wetting=replace(PLAN.first_wetting, push_rate_max_ml_per_min=3))
    clay = replace(PLAN.medium, texture="clay")
    fast = answer("standing water", medium=clay, first_wetting=replace(PLAN.first_wetting, push_rate_max_ml_per_min=60))

    assert slow.numbers["standing_mm"] == 0.0  # 3 ml/min on 220 cm2 is 0.82 cm/h, less than 1.09 cm/h
    assert fast.numbers["standing_mm"] > 3.0
    assert "push more slowly" in fast.words
    assert not fast.well


def test_pauses_let_standing_water_sink():
    wetting = replace(PLAN.first_wetting, push_rate_max_ml_per_min=60)
    deep = answer("standing water", first_wetting=replace(wetting, pause_s=0)).numbers["standing_mm"]

    assert answer("standing water", first_wetting=replace(wetting, pause_s=600)).numbers["standing_mm"] < deep


def test_a_medium_without_intake_figures_is_not_guessed_about():
    peat = p.Medium(
        bed_area_cm2=220, bed_depth_cm=4.5, retention=p.Retention(theta_r=0.1, theta_s=0.8, alpha_per_cm=0.1, n=1.6)
    )
    told = answer("standing water", medium=peat)

    assert told.numbers == {}
    assert "cannot be told" in told.words


@pytest.mark.parametrize(("ppfd", "well"), [(87, False), (90, True), (180, True), (300, True)])
def test_too_little_light_is_told(ppfd, well):
    # 15.75 h at 88.2 umol m-2 s-1 are 5.0 mol m-2
    assert answer("light", photoperiod=replace(PLAN.photoperiod, ppfd_umol_m2_s=ppfd)).well == well


def test_a_daily_light_integral_is_worked_out_for_other_cycles():
    period = replace(PLAN.photoperiod, light_h=12.0, cycle_h=36.0, ramp_min=0.0)

    assert answer("light", photoperiod=period).numbers["daily_light_integral_mol_m2"] == pytest.approx(
        180 * 8 * 3600 / 1e6, abs=0.01
    )


def test_onions_emerge_when_the_handbook_says():
    # Brewster, Onions and Other Vegetable Alliums, Fig. 4.7: 80 degree-days above 2.5 C, 4 days at 22.5 C, 16 at 7.5 C
    onion = settings(
        positions=[p.Position(number=1, species="onion")],
        climate=replace(
            PLAN.climate, air_temperature_low_c=7.5, air_temperature_high_c=22.5, air_temperature_alarm_low_c=5
        ),
    )
    (told,) = [each for each in advise(onion) if each.topic == "emergence"]

    assert (told.numbers["emerges_from_day"], told.numbers["emerges_to_day"]) == (4.0, 16.0)
    assert "from memory" not in told.assumed
    assert not told.well  # the last look is on day 6
    assert "too early" in told.words


def test_a_species_nobody_knows_is_not_guessed_about():
    told = answer("emergence", positions=[p.Position(number=1, species="sea kale")])

    assert "not known here" in told.words


def test_a_reservoir_that_may_run_dry_is_told_before_the_holiday():
    chamber = replace(SETTINGS.chamber, limits=replace(SETTINGS.chamber.limits, reservoir_ml=500))
    (told,) = [each for each in advise(replace(SETTINGS, chamber=chamber)) if each.topic == "water"]

    assert not told.well
    assert told.numbers["lasts_at_least_days"] == pytest.approx((500 - 210) / 60, abs=0.05)
    assert "before a holiday" in told.words


@pytest.mark.parametrize(("weekly_ml", "worst_ml"), [(None, 210 + 900), (100, 210 + 300)])
def test_the_most_that_a_run_can_use_keeps_to_the_weekly_cap(weekly_ml, worst_ml):
    told = answer("water", watering=replace(PLAN.watering, weekly_cap_ml=weekly_ml))

    assert f"at the most that the plan allows ({worst_ml} ml)" in told.words


FALLBACK = PLAN.watering.fallback


@pytest.mark.parametrize(("fallback", "key"), [
    (None, ""), (FALLBACK, " (watering.fallback.without_effect = false)"),
])  # fmt: skip
def test_a_plan_says_that_doses_without_effect_end_all_water_until_somebody_comes(fallback, key):
    told = answer("no effect", watering=replace(PLAN.watering, fallback=fallback))

    assert f"there is no water until somebody comes and clears it{key}: see" in told.words
    assert told.numbers == {"goes_on": False}


@pytest.mark.parametrize(("changes", "weekly_ml", "a_week_ml"), [
    ({}, None, 56), ({"every_h": 12}, None, 112), ({"every_h": 12}, 100, 100),
    ({"dose_ml": 5, "every_h": 48}, None, 17.5),
])  # fmt: skip
def test_a_plan_that_goes_on_without_effect_says_how_much_and_what_it_takes(changes, weekly_ml, a_week_ml):
    fallback = replace(FALLBACK, without_effect=True, **changes)
    told = answer("no effect", watering=replace(PLAN.watering, fallback=fallback, weekly_cap_ml=weekly_ml))

    assert f"{fallback.dose_ml:g} ml every {fallback.every_h:g} h go on" in told.words
    assert "only with a leak probe under the tray" in told.words
    assert told.numbers == {"goes_on": True, "most_in_a_week_ml": a_week_ml}


def test_doses_that_no_probe_can_tell_promise_nothing_about_their_effect():
    small = replace(PLAN.watering, dose_ml=3)  # 0.003 of the bed
    assert [each for each in advise(settings(watering=small)) if each.topic == "no effect"] == []


def test_fixed_times_use_what_they_say():
    fixed = replace(PLAN.watering, moisture=None, fallback=None, fixed=p.FixedTimes(times=[time(7), time(15)]))
    told = answer("water", watering=fixed)

    assert told.numbers["water_low_ml"] == told.numbers["water_high_ml"] == 210 + 21 * 24
    assert told.assumed == ""


# -- tasks and the calendar ----


@pytest.mark.parametrize(("dose_ml", "gathers"), [(33, False), (33.1, True)])
def test_fixed_times_that_bring_more_than_leaves_the_bed_are_pointed_at(dose_ml, gathers):
    # 3 mm a day off 220 cm2 are 66 ml
    fixed = p.FixedTimes(times=[time(8), time(20)])
    changes = {"moisture": None, "fallback": None, "fixed": fixed, "dose_ml": dose_ml, "daily_cap_ml": 150}
    told = answer("water", watering=replace(PLAN.watering, **changes))

    assert told.well == (not gathers)
    assert ("gathers in the tray" in told.words) == gathers


@pytest.mark.parametrize(("dose_ml", "seen"), [(3.95, False), (3.96, True), (12, True)])
def test_a_dose_that_no_probe_can_tell_is_pointed_at(dose_ml, seen):
    # 990 ml of bed: 3.96 ml raise it by 0.004
    told = answer("dose", watering=replace(PLAN.watering, dose_ml=dose_ml))

    assert told.well == seen
    assert ("nobody is told" in told.words) == (not seen)


@pytest.mark.parametrize(
    ("law", "dose_ml", "over_ml"),
    # 990 ml of bed hold 399.0 ml against free drainage, and 237.6 ml are in it at a water content of 0.24
    [("moisture", 161, 0.0), ("moisture", 162, 0.6), ("fixed", 398, 0.0), ("fixed", 400, 1.0)],
)
def test_a_dose_that_the_bed_cannot_hold_is_pointed_at(law, dose_ml, over_ml):
    changes = {} if law == "moisture" else {"moisture": None, "fallback": None, "fixed": p.FixedTimes(times=[time(8)])}
    told = answer("dose", watering=replace(PLAN.watering, dose_ml=dose_ml, **changes))

    assert told.well == (over_ml == 0.0)
    assert told.numbers["over_ml"] == pytest.approx(over_ml, abs=0.11)
    assert ("more than the bed holds" in told.words) == (over_ml > 0.0)


@pytest.mark.parametrize(
    ("rest_h", "daily_cap_ml", "well"),
    [(10.0, 36, True), (10.1, 36, False), (12.0, 36, False), (10.0, 35.9, False), (10.0, 24, False)],
)
def test_fixed_times_without_slack_are_pointed_at(rest_h, daily_cap_ml, well):
    fixed = p.FixedTimes(times=[time(8), time(20)])
    changes = {"moisture": None, "fallback": None, "fixed": fixed, "rest_h": rest_h, "daily_cap_ml": daily_cap_ml}
    told = answer("fixed times", watering=replace(PLAN.watering, **changes))

    assert told.well == well
    assert ("makes all later ones late" in told.words) == (not well)
    assert told.numbers["least_gap_h"] == 12.0
    assert SLACK_H * MS_PER_H == SLOT_GRACE_MS


def test_every_step_stands_in_the_list_at_its_time():
    tasks = tasks_of(SETTINGS, START)
    at = {task.name: task.at_utc for task in tasks}

    assert set(at) == {step.name for step in SETTINGS.hands_on_steps} | {"end"}
    assert at["clean-gloves"] < START
    assert at["photograph-3"] == datetime(2026, 3, 5, 12, 0, tzinfo=UTC)
    assert at["end"] == START + timedelta(days=21)
    # 210 ml at 25 ml/min take 504 s, five pauses 300 s, the soak 60 s
    assert at["drain-and-weigh"] == START + timedelta(seconds=864)


def test_a_calendar_library_reads_the_calendar_back():
    icalendar = pytest.importorskip("icalendar")
    titles = replace(
        PLAN, steps=[replace(PLAN.steps[0], title="Gloves; clean, ünd " + "long " * 30, how="One\nTwo \\ three")]
    )
    chosen = replace(SETTINGS, plan=titles)
    text = calendar_text(chosen, START)
    calendar = icalendar.Calendar.from_ical(text)
    events = {str(event["UID"]): event for event in calendar.walk("VEVENT")}

    assert len(events) == len(tasks_of(chosen, START))
    gloves = next(event for uid, event in events.items() if "clean-gloves" in uid)
    assert str(gloves["SUMMARY"]) == titles.steps[0].title
    assert str(gloves["DESCRIPTION"]) == "One\nTwo \\ three"
    assert gloves["DTSTART"].dt == START - timedelta(minutes=30)


def test_lines_of_the_calendar_keep_to_the_standard():
    # RFC 5545, 3.1: lines end with CRLF and are at most 75 bytes long
    titles = replace(PLAN, steps=[replace(PLAN.steps[0], title="ü" * 100)])
    text = calendar_text(replace(SETTINGS, plan=titles), START)

    assert text.endswith("END:VCALENDAR\r\n")
    assert "\n" not in text.replace("\r\n", "")
    assert max(len(line.encode()) for line in text.split("\r\n")) <= 75


# -- the command ----


def run(*words):
    return CliRunner().invoke(main, [str(word) for word in words])


def test_plan_check_says_all_is_well_and_writes_the_calendar(tmp_path):
    found = run(
        "plan",
        "check",
        PLAN_FILE,
        "--chamber",
        CHAMBER_FILE,
        "--start",
        "2026-03-02T08:00Z",
        "--calendar",
        tmp_path / "c.ics",
    )

    assert found.exit_code == 0, found.output
    assert "[assumed:" in found.output
    assert "2026-03-05 07:00  Photograph the bed (day 3)" in found.output
    assert (tmp_path / "c.ics").read_bytes().startswith(b"BEGIN:VCALENDAR\r\n")


def test_plan_check_ends_with_six_when_something_needs_a_look(tmp_path):
    chamber = tmp_path / "small.chamber.toml"
    chamber.write_text(CHAMBER_FILE.read_text().replace("reservoir_ml = 2000", "reservoir_ml = 400"))
    found = run("plan", "check", PLAN_FILE, "--chamber", chamber, "--json")

    assert found.exit_code == 6
    told = json.loads(found.output)
    assert [each["topic"] for each in told["advice"] if not each["well"]] == ["water"]
    assert len(told["tasks"]) > 20


def test_plan_check_asks_for_a_moment_it_understands():
    found = run("plan", "check", PLAN_FILE, "--chamber", CHAMBER_FILE, "--start", "tomorrow")

    assert found.exit_code == 3
    assert "write a date or moment" in found.output


def test_a_rehearsal_begins_with_what_the_desk_doubts(tmp_path):
    chamber = tmp_path / "small.chamber.toml"
    chamber.write_text(CHAMBER_FILE.read_text().replace("reservoir_ml = 2000", "reservoir_ml = 400"))
    found = run("rehearse", PLAN_FILE, "--chamber", chamber, "--days", "0.02", "--out", tmp_path / "out")

    assert found.output.startswith("LOOK  water:")
