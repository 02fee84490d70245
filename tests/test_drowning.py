"""A probe that always reads dry: the desk says beforehand whether the caps keep the bed from drowning, and they do."""

from dataclasses import replace
from datetime import time

import pytest

from controller import plan as p
from controller.chamber.faults import parse_fault
from controller.control import model as m
from controller.desk.advice import advise
from controller.desk.drowning import Caps, leaves_ml_day, worst_case
from controller.records.journal import Journal
from controller.rehearse import START_UTC, Rehearsal
from controller.settings import example_path, read_settings
from tests.examples import PLAN, settings

PLAN_FILE, CHAMBER_FILE = example_path("skerry-light.plan.toml"), example_path("skerry-light.chamber.toml")
SHIPPED = read_settings(PLAN_FILE, CHAMBER_FILE)
NO_CAPS = Caps(1e9, 1e9, 1e9)


def with_watering(**changes):
    return settings(watering=replace(PLAN.watering, **changes))


def answer(of):
    (found,) = [each for each in advise(of) if each.topic == "drowning"]
    return found


# -- what leaves, and what has room ----


def test_what_leaves_the_bed_follows_from_lamp_warmth_and_dampness():
    # 10.2 mol m-2 of light are 1.71 MJ m-2 less what is thrown back; 22 C and 85 %: 0.64 mm of FAO-56, off 220 cm2
    assert leaves_ml_day(settings()) == pytest.approx(14.0, abs=0.1)
    dark = settings(photoperiod=replace(PLAN.photoperiod, light_h=0.0, ramp_min=0.0))
    assert leaves_ml_day(dark) == pytest.approx(3.6, abs=0.3)
    damp = settings(climate=replace(PLAN.climate, relative_humidity_high_pct=97.0))
    assert leaves_ml_day(dark) < leaves_ml_day(damp) < leaves_ml_day(settings())


def test_the_room_is_what_the_pores_hold_beyond_the_first_wetting():
    # 990 ml of sandy loam: 405.9 ml when saturated, 118.8 + 210 after the first wetting
    assert answer(settings()).numbers["room_ml"] == pytest.approx(405.9 - 328.8, abs=0.1)
    wet = settings(first_wetting=replace(PLAN.first_wetting, total_ml=300))  # drained to what the bed holds, 399 ml
    assert answer(wet).numbers["room_ml"] == pytest.approx(405.9 - 399.0, abs=0.3)


@pytest.mark.parametrize(("caps", "week_ml"), [
    (Caps(60, 420, 900), 420), (Caps(60, 100, 900), 96), (Caps(60, 420, 130), 120), (Caps(11, 77, 900), 0),
    (NO_CAPS, 7 * 8 * 12),  # a dose every three hours, for the whole week
])  # fmt: skip
def test_no_more_is_given_in_a_week_than_each_cap_allows_in_whole_doses(caps, week_ml):
    assert worst_case(settings(), caps).week_ml == week_ml


def test_water_that_leaves_makes_room_again_and_the_worst_day_is_told():
    # 24 ml a day against 14.04 for 90 days: the first dose at once, then 9.96 ml more each day
    long = settings(length_days=90)
    worst = worst_case(long, Caps(24, 168, 1200))
    room_ml = answer(long).numbers["room_ml"]

    assert worst.over_ml == pytest.approx(24 + 49 * (24 - leaves_ml_day(long)) - room_ml, abs=3.0)
    assert worst.at_day == pytest.approx(49.1, abs=0.1)


def test_a_fallback_that_gives_more_than_the_doses_is_what_is_followed():
    law = replace(PLAN.watering, dose_ml=2, rest_h=12, daily_cap_ml=60, total_cap_ml=900, fallback=None)
    large = replace(law, fallback=p.Fallback(dose_ml=30, every_h=12))

    assert worst_case(settings(watering=law), NO_CAPS).week_ml == 7 * 2 * 2
    assert worst_case(settings(watering=large), NO_CAPS).week_ml == 7 * 2 * 30


# -- what the desk says ----


def test_a_plan_that_could_drown_its_bed_is_told_with_the_week_the_room_and_a_cap_that_keeps_clear():
    told = answer(with_watering(daily_cap_ml=60, total_cap_ml=900))

    assert not told.well
    assert told.words.startswith("If the moisture probe always read dry, the plan could give up to 420 ml in a week.")
    assert told.numbers["over_ml"] > 500
    clear_ml = float(told.words.split("watering.weekly_cap_ml = ")[1].split(" ")[0])
    assert answer(with_watering(daily_cap_ml=60, total_cap_ml=900, weekly_cap_ml=clear_ml)).well
    assert not answer(with_watering(daily_cap_ml=60, total_cap_ml=900, weekly_cap_ml=clear_ml + 12)).well
    assert "FAO-56" in told.assumed


def test_where_no_weekly_cap_helps_a_total_that_has_room_is_told():
    dark = replace(PLAN.photoperiod, light_h=0.0, ramp_min=0.0)
    damp = replace(PLAN.climate, relative_humidity_high_pct=97.0)
    law = replace(PLAN.watering, dose_ml=40, daily_cap_ml=60, total_cap_ml=900)
    told = answer(settings(photoperiod=dark, climate=damp, watering=law))

    assert not told.well
    assert "watering.total_cap_ml = 77 has room" in told.words
    small = replace(law, total_cap_ml=77)
    assert answer(settings(photoperiod=dark, climate=damp, watering=small)).well


@pytest.mark.parametrize(("dose_ml", "well"), [(7, True), (12, False)])
def test_fixed_times_are_held_against_the_same_room(dose_ml, well):
    fixed = p.FixedTimes(times=[time(7), time(15)])
    told = answer(with_watering(moisture=None, fallback=None, fixed=fixed, dose_ml=dose_ml))

    assert told.well is well
    assert told.words.startswith(f"The fixed times give up to {14 * dose_ml} ml in a week.")
    assert well or "7 ml leave again" in told.words


def test_a_plan_of_a_year_is_told_in_a_moment():
    quick = replace(PLAN.watering, rest_h=0.05, dose_ml=0.5, daily_cap_ml=60, total_cap_ml=20_000)
    assert not answer(settings(length_days=400, watering=quick)).well


# -- the shipped plan ----


def test_the_shipped_plan_keeps_clear_of_drowning_by_its_own_caps():
    told = answer(SHIPPED)

    assert told.well
    assert told.numbers["most_in_a_week_ml"] == SHIPPED.plan.watering.most_in_a_week_ml == 108


class Watched(Rehearsal):
    """A rehearsal that keeps the driest and the wettest of the bed: in the medium, on it and in the tray below it."""

    def __init__(self, folder, faults=()):
        coarse = replace(SHIPPED, plan=replace(SHIPPED.plan, sample_every_s=60.0))
        super().__init__(coarse, folder, 1, [parse_fault(each) for each in faults], START_UTC)
        self.driest, self.wettest, self.floats = 1.0, 0.0, 0

    def _advance(self, end_ms):
        super()._advance(end_ms)
        physics = self.chamber.box.physics
        if self.decider.state.phase == m.GROWING:
            all_ml = physics.in_medium_ml + physics.on_top_ml + physics.in_tray_ml
            self.driest = min(self.driest, physics.water_content_fraction)
            self.wettest = max(self.wettest, all_ml / physics.bed_ml)
            self.floats += physics.float_up


def doses_of(run):
    journal = Journal.open(run.journal.path)
    intents = {each.dose_id: each for each in journal.records(m.DoseIntended)}
    closed = [each for each in journal.records(m.DoseClosed) if intents[each.dose_id].purpose != m.FIRST_WETTING]
    answers = {each.reason for each in journal.records(m.WateringAnswer)}
    journal.close()
    return closed, answers


def test_the_shipped_plan_never_runs_short_of_water_by_its_caps(tmp_path):
    run = Watched(tmp_path)
    run.run(SHIPPED.plan.length_days)
    closed, answers = doses_of(run)

    assert run.driest > SHIPPED.plan.watering.moisture.low_fraction - 0.01
    assert sum(each.volume_max_ml for each in closed) < 0.8 * SHIPPED.plan.watering.total_cap_ml
    assert "total_cap" not in answers


def test_a_probe_that_always_reads_dry_no_longer_drowns_the_bed_of_the_shipped_plan(tmp_path):
    run = Watched(tmp_path, ["probe-loose@1d"])
    run.run(SHIPPED.plan.length_days)
    closed, answers = doses_of(run)
    given_ml = sum(each.volume_max_ml for each in closed)

    assert {"daily_cap", "total_cap"} <= answers  # the probe lied all the time, and the caps held
    assert given_ml > 0.9 * SHIPPED.plan.watering.total_cap_ml
    assert run.wettest < run.chamber.box.physics.saturated_fraction
    assert run.floats == 0
