"""The campaign of drawn plans, a small part of it, and that it would notice."""

from dataclasses import replace

from controller import plan as p
from tests import examples
from tests.campaigns import drawn_plans

SMALL_BED = examples.settings(
    medium=p.Medium(bed_area_cm2=50, bed_depth_cm=2, texture="sandy loam"),
    first_wetting=replace(examples.PLAN.first_wetting, total_ml=30, aliquot_ml=10),
    watering=replace(
        examples.PLAN.watering,
        dose_ml=60,
        daily_cap_ml=120,
        moisture=p.MoistureLed(low_fraction=0.30, high_fraction=0.31),
    ),
    steps=[],
    sample_every_s=60.0,
)


def test_plans_drawn_at_random_keep_their_promises():
    (row,) = drawn_plans.campaign(0.02)

    assert (row.tried, row.survived) == (4, 4), row.worst_case


def test_water_that_floods_a_bed_is_a_fault_only_where_the_plan_desk_had_no_doubt(tmp_path, monkeypatch):
    assert not drawn_plans.has_no_doubt(SMALL_BED)
    assert drawn_plans.faults_of(SMALL_BED, tmp_path / "a", 1, days=1) == []

    monkeypatch.setattr(drawn_plans, "has_no_doubt", lambda settings: True)
    assert "tripped: overfill_float_up" in drawn_plans.faults_of(SMALL_BED, tmp_path / "b", 1, days=1)


def test_a_cap_that_is_not_kept_is_a_fault(tmp_path, monkeypatch):
    thirsty = replace(
        examples.PLAN.watering,
        moisture=p.MoistureLed(low_fraction=0.31, high_fraction=0.312),
        rest_h=0.1,
        daily_cap_ml=12,
    )
    bed = p.Medium(bed_area_cm2=900, bed_depth_cm=1.1, texture="sandy loam")  # wide and shallow, so it dries fast
    plan = replace(examples.PLAN, steps=[], sample_every_s=60.0, watering=thirsty, medium=bed)
    lawful = replace(examples.SETTINGS, plan=plan)
    assert "daily limit of the plan passed" not in drawn_plans.faults_of(lawful, tmp_path / "a", 1, days=1)

    monkeypatch.setattr("controller.control.watering.MS_PER_DAY", 3_600_000)  # the law forgets after an hour
    found = drawn_plans.faults_of(lawful, tmp_path / "b", 1, days=1)
    assert "daily limit of the plan passed" in found
