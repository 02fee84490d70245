"""A new pump calibration moves the board's limits in ml: shipped chambers stay good, and narrow ones are told."""

from dataclasses import replace

import pytest

from controller.check import check_chamber
from controller.desk.advice import advise
from controller.errors import SettingsError
from controller.judging.headroom import HEADROOM_PCT, lowered_ml, narrow_limits, rooms
from controller.judging.inside_chamber import FLASHED
from controller.settings import IN_CHECKOUT, example_path, read_settings, settings_from_text
from tests.examples import CHAMBER, SETTINGS

SHIPPED = sorted(path.name for path in IN_CHECKOUT.glob("*.chamber.toml"))
PLANS = sorted(path.name for path in IN_CHECKOUT.glob("*.plan.toml"))
SHARES = [0.95 + 0.001 * step for step in range(101)]


def with_limits(dose_max_ml, daily_max_ml, **pump):
    limits = replace(CHAMBER.limits, dose_max_ml=dose_max_ml, daily_max_ml=daily_max_ml)
    return replace(CHAMBER, limits=limits, pump=replace(CHAMBER.pump, **pump))


def test_there_are_shipped_files_to_try():
    assert {"skerry-light.chamber.toml", "northhaven.chamber.toml"} <= set(SHIPPED)
    assert {"skerry-light.plan.toml", "bench.plan.toml"} <= set(PLANS)


@pytest.mark.parametrize("chamber_name", SHIPPED)
@pytest.mark.parametrize("plan_name", PLANS)
def test_a_shipped_chamber_stays_good_for_every_shipped_plan_with_a_factor_5_pct_either_way(chamber_name, plan_name):
    plan_text, chamber_text = (example_path(name).read_text() for name in (plan_name, chamber_name))
    factor = settings_from_text(plan_text, chamber_text).chamber.pump.ml_per_step
    line = f"ml_per_step = {factor}\n"
    assert chamber_text.count(line) == 1
    refused = {}
    for share in SHARES:
        try:
            settings_from_text(plan_text, chamber_text.replace(line, f"ml_per_step = {factor * share!r}\n"))
        except SettingsError as error:
            refused[share] = str(error)

    assert refused == {}


@pytest.mark.parametrize("name", SHIPPED)
def test_no_shipped_chamber_has_narrow_limits(name):
    assert list(narrow_limits(read_settings(example_path("skerry-light.plan.toml"), example_path(name)).chamber)) == []


@pytest.mark.parametrize(("dose_ml", "daily_ml", "narrow"), [
    (57, 285, []), (57.01, 285, ["dose_max_ml"]), (57, 285.01, ["daily_max_ml"]),
    (60, 300, ["dose_max_ml", "daily_max_ml"]), (5, 5, []),
])  # fmt: skip
def test_limits_with_less_than_5_pct_to_the_boards_are_told_with_the_value_that_leaves_it(dose_ml, daily_ml, narrow):
    # the board gives 60 and 300 ml at 0.005 ml a step, and 57 and 285 at 0.00475
    chamber = with_limits(dose_ml, daily_ml)
    told = list(narrow_limits(chamber))

    assert [each.split(" ")[0] for each in told] == [f"limits.{key}" for key in narrow]
    assert all(("At most 57 " in each) or ("At most 285 " in each) for each in told)
    assert list(lowered_ml(chamber)) == narrow


def test_a_dose_that_would_end_too_late_after_a_calibration_is_told_too():
    # 298 s at 40 steps a second are 11 920 steps: 59.6 ml now, 56.6 at a factor 5 % lower
    slow = with_limits(56.7, 200, steps_per_s=40)
    assert [room.board_ml for room in rooms(slow)] == [pytest.approx(0.005 * (298.001 * 40 // 1)), 300.0]

    assert lowered_ml(slow) == {"dose_max_ml": 56.6}
    assert lowered_ml(with_limits(56.6, 200, steps_per_s=40)) == {}


@pytest.mark.parametrize("ml_per_step", [1e-6, 0.00337, 0.00496, 0.0123, 0.4])
def test_the_value_told_keeps_the_room_and_wastes_little_of_it(ml_per_step):
    wide = with_limits(500, 5000, ml_per_step=ml_per_step, ml_per_step_standard_uncertainty=0)
    fits = lowered_ml(wide)
    lower = with_limits(*(fits.get(key, most) for key, most in (("dose_max_ml", 500), ("daily_max_ml", 5000))),
                        ml_per_step=ml_per_step)  # fmt: skip

    assert lowered_ml(lower) == {}
    for room in rooms(wide):
        if room.is_narrow:
            assert 0.94 * room.board_ml <= room.fits_ml <= 0.95 * room.board_ml * (1 + 1e-9)


def test_a_limit_below_the_day_that_fits_stays_and_a_dose_is_never_over_the_day():
    board = FLASHED._replace(window_max_steps=8_000)  # 40 ml a day
    fits = lowered_ml(with_limits(55, 60), board)

    assert fits == {"dose_max_ml": 38.0, "daily_max_ml": 38.0}


def test_plan_check_and_check_point_at_narrow_limits(tmp_path, monkeypatch):
    monkeypatch.setattr("controller.check._check_air", lambda chamber, bus: None)
    monkeypatch.setattr("controller.check._check_pins", lambda chamber, factory: iter(()))
    for chamber, is_well in ((with_limits(55, 275), True), (with_limits(60, 275), False)):
        (advice,) = [each for each in advise(replace(SETTINGS, chamber=chamber)) if each.topic == "board"]
        no_board = replace(chamber, board=replace(chamber.board, serial_port=str(tmp_path / "none")))
        (finding,) = [each for each in check_chamber(no_board, tmp_path) if each and each.part == "limits"]

        assert (advice.well, finding.well) == (is_well, is_well)
        told = f"less than {HEADROOM_PCT:g} % below the 60 ml that the board gives in one dose"
        assert (told in advice.words, told in finding.words) == (not is_well, not is_well)
