"""A pump's factor from weighed portions: the line, blunders, the budget, refusals and sentences for bad data."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import linregress, t

from controller.bench.masses import balance_pattern, mass_g, mass_in_line_g, masses_from_csv_g
from controller.bench.pump import Conditions, Weighing, evaluate, quick_check
from controller.errors import SettingsError
from controller.plan import Acceptance
from controller.science.blunders import blunders
from controller.science.budget import Share, combine, student_quantile
from controller.science.lines import fit_line
from controller.science.volumetry import z_factor_ml_per_g
from tests.reference_rows import row_id, rows

ROOM = Conditions(water_temperature_c=20.0, pressure_kpa=101.3)
STEPS = np.array([1000, 4000, 4000, 1000] * 3, dtype=float)
FACTOR = 0.005


def weighings(volumes_ml, steps=STEPS, conditions=ROOM):
    z = z_factor_ml_per_g(conditions.water_temperature_c, conditions.pressure_kpa)
    pairs = enumerate(zip(steps, volumes_ml, strict=True), 2)
    return [Weighing(dose_id=n, steps=int(s), mass_g=float(v) / z) for n, (s, v) in pairs]


def noisy_ml(seed=1, noise_ml=0.02, intercept_ml=0.0):
    return intercept_ml + FACTOR * STEPS + np.random.default_rng(seed).normal(0.0, noise_ml, STEPS.size)


def judged(data, conditions=ROOM, acceptance=None):
    return evaluate(data, conditions, acceptance or Acceptance())


def sentences(data, conditions=ROOM):
    with pytest.raises(SettingsError) as caught:
        judged(data, conditions)
    return caught.value.sentences


def test_the_factor_and_its_standard_error_are_those_of_scipy():
    volumes_ml = noisy_ml()
    found, expected = judged(weighings(volumes_ml)), linregress(STEPS, volumes_ml)
    assert not any(found.set_aside)
    assert found.ml_per_step == pytest.approx(expected.slope, rel=1e-9)
    assert found.budget[0].share == pytest.approx(expected.stderr, rel=1e-6)
    p = 2.0 * t.sf(abs(expected.intercept / expected.intercept_stderr), STEPS.size - 2)
    assert found.intercept_p == pytest.approx(p, rel=1e-6)


def test_masses_become_volumes_by_the_factor_of_iso_8655_6():
    # ISO 8655-6 (2002), Table A.1: 1.0029 ml/g at 20.0 C and 101.3 kPa, to four decimals.
    row = next(r for r in rows("z_factor.csv") if (r["water_temperature_c"], r["pressure_kpa"]) == ("20.0", "101.3"))
    found = judged(weighings(noisy_ml()))
    assert found.z_ml_per_g == pytest.approx(float(row["z_factor_ml_per_g"]), abs=5.5e-5)


@pytest.mark.parametrize("row", rows("gravimetric_tests.csv"), ids=row_id)
def test_a_published_test_gives_its_printed_error_through_the_whole_evaluation(row):
    # Yoshikawa et al. (2023), Digital Discovery 2:1745-1751, Tables 2 and 3: mean volume and systematic error.
    # One step is set to one nominal volume over 1000; the level's error is read against the fitted line, so the
    # printed figure is compared with the mean that the evaluation reports for that size.
    mean_ml, nominal_ml = float(row["mean_volume_ml"]), float(row["nominal_ml"])
    steps = np.array([1000, 2000] * 5)
    volumes_ml = mean_ml * steps / 1000
    found = judged(weighings(volumes_ml, steps))
    assert found.levels[0].mean_ml == pytest.approx(mean_ml, rel=1e-9)
    error_pct = 100.0 * (1000 * found.ml_per_step / nominal_ml - 1.0)
    assert abs(error_pct - float(row["systematic_error_pct"])) <= 0.0051


def test_students_t_is_that_of_the_published_table():
    # JCGM 100:2008, Table G.2: t for 95 % and 9, 18 and infinite degrees of freedom, to two or three decimals.
    for df, printed in ((9.0, 2.26), (18.0, 2.10), (math.inf, 1.960)):
        assert student_quantile(0.975, df) == pytest.approx(printed, abs=0.0051)


def test_degrees_of_freedom_follow_welch_and_satterthwaite():
    # By hand: shares 3 (df 4) and 4 (df infinite) give u = 5 and df = 5^4 / (3^4 / 4) = 30.86.
    found = combine([Share("a", "ml", 3.0, 1.0, 4.0, "A"), Share("b", "ml", 2.0, -2.0, math.inf, "B")])
    assert found.standard_uncertainty == pytest.approx(5.0)
    assert found.df == pytest.approx(625.0 / 20.25)
    assert found.expanded == pytest.approx(5.0 * t.ppf(0.975, 625.0 / 20.25), rel=1e-9)


def test_the_budget_names_every_source_and_temperature_weighs_as_z_does():
    found = judged(weighings(noisy_ml()))
    names = " ".join(each.source for each in found.budget)
    for source in ("repeatability", "fit" if "fit" in names else "line", "balance", "temperature", "pressure",
                   "evaporation"):  # fmt: skip
        assert source in names
    temperature = next(each for each in found.budget if "temperature" in each.source)
    by_z = z_factor_ml_per_g(20.5, 101.3) - z_factor_ml_per_g(19.5, 101.3)
    assert temperature.share == pytest.approx(found.ml_per_step / found.z_ml_per_g * by_z * 0.3, rel=1e-6)
    total = math.sqrt(sum(each.share**2 for each in found.budget))
    assert found.combined.standard_uncertainty == pytest.approx(total, rel=1e-12)


def test_evaporation_is_added_to_each_mass():
    data, damp = weighings(noisy_ml()), replace(ROOM, evaporated_g=0.01)
    dry, wet = judged(data), judged(data, damp)
    assert wet.line.intercept - dry.line.intercept == pytest.approx(0.01 * dry.z_ml_per_g, rel=1e-6)


def test_a_blunder_is_named_set_aside_and_its_effect_is_told():
    volumes_ml = noisy_ml()
    volumes_ml[5] *= 1.05
    found = judged(weighings(volumes_ml))
    assert [n for n, out in enumerate(found.set_aside) if out] == [5]
    assert len(found.volumes_ml) == STEPS.size
    assert found.line_with_all.slope > found.line.slope
    assert found.accepted


def test_two_thousand_calibrations_cover_the_truth_and_flag_the_blunders():
    """Known factor, intercept, drift, noise and none to two blunders of 5 %: the interval and the flags are honest."""
    chance = np.random.default_rng(20261125)
    covered = flagged = made = 0
    order = (np.arange(STEPS.size) - 5.5) / 5.5
    for _ in range(2000):
        factor = FACTOR * (1.0 + 0.02 * chance.standard_normal())
        volumes_ml = 0.03 + factor * STEPS * (1.0 + 1e-4 * order) + chance.normal(0.0, 0.025, STEPS.size)
        places = chance.choice(STEPS.size, chance.integers(0, 3), replace=False)
        volumes_ml[places] *= 1.0 + 0.05 * chance.choice([-1.0, 1.0], places.size)
        out = blunders(STEPS, volumes_ml)
        flagged, made = flagged + int(out[places].sum()), made + places.size
        line = fit_line(STEPS[~out], volumes_ml[~out])
        covered += abs(line.slope - factor) <= student_quantile(0.975, float((~out).sum() - 2)) * line.slope_se
    assert 0.93 <= covered / 2000 <= 0.97
    assert made > 1500
    assert flagged / made >= 0.95


def weighed_askew(chance):
    """(factor, portions with blunders, weighings): a pump with an intercept, drift and noise, instruments that are off.

    Every instrument errs as the budget says: balance and thermometer, barometer and the weighing of the evaporation.
    """
    factor = FACTOR * (1.0 + 0.02 * chance.standard_normal())
    order = (np.arange(STEPS.size) - 5.5) / 5.5
    volumes_ml = 0.03 + factor * STEPS * (1.0 + 1e-4 * order) + chance.normal(0.0, 0.025, STEPS.size)
    places = chance.choice(STEPS.size, chance.integers(0, 3), replace=False)
    volumes_ml[places] *= 1.0 + 0.05 * chance.choice([-1.0, 1.0], places.size)
    z = z_factor_ml_per_g(20.0 + chance.normal(0.0, 0.3), 101.3 + chance.normal(0.0, 1.0))
    lost_g = 0.01 + chance.normal(0.0, 0.002) * STEPS / STEPS.mean()
    masses_g = (volumes_ml / z - lost_g) * (1.0 + chance.uniform(-0.0005, 0.0005))
    shown_g = np.round(masses_g / 0.01) * 0.01
    pairs = enumerate(zip(STEPS, shown_g, strict=True), 2)
    return factor, places, [Weighing(dose_id=n, steps=int(s), mass_g=float(g)) for n, (s, g) in pairs]


def test_two_thousand_whole_evaluations_cover_the_truth_and_flag_the_blunders():
    """The expanded uncertainty of the certificate, all its sources at work: seen 95.4 %, and 96.3 % of the blunders."""
    chance = np.random.default_rng(20261126)
    stated = replace(ROOM, evaporated_g=0.01)
    covered = flagged = made = 0
    for _ in range(2000):
        factor, places, data = weighed_askew(chance)
        found = judged(data, stated)
        covered += abs(found.ml_per_step - factor) <= found.combined.expanded
        flagged, made = flagged + int(np.array(found.set_aside)[places].sum()), made + places.size
    assert 0.93 <= covered / 2000 <= 0.97
    assert made > 1500
    assert flagged / made >= 0.95


def test_a_budget_of_the_gum_comes_to_its_printed_result():
    """JCGM 100:2008, H.1, end gauge (from memory): 25, 9.7, 2.9 and 16.6 nm with 18, 25.6, 50 and 2 degrees of freedom.

    Printed: 32 nm, 16 effective degrees of freedom (cut to a whole number), 93 nm expanded for 99 % by t of 16.
    """
    inputs = ((25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0))
    found = combine([Share("input", "nm", u, 1.0, df, "A") for u, df in inputs], 0.99)
    assert round(found.standard_uncertainty) == 32
    assert int(found.df) == 16
    assert student_quantile(0.995, 16.0) == pytest.approx(2.92, abs=0.0051)
    assert found.expanded == pytest.approx(93.0, abs=1.5)


def test_sound_portions_are_hardly_ever_called_blunders():
    false = sum(int(blunders(STEPS, noisy_ml(seed)).sum()) for seed in range(300))
    assert false / (300 * STEPS.size) < 0.01


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"pump_expanded_uncertainty_max_pct": 0.01}, "expanded uncertainty"),
        ({"pump_random_error_max_pct": 0.01}, "random error"),
        ({"pump_systematic_error_max_pct": 0.0001}, "systematic error"),
    ],
)
def test_a_calibration_beyond_a_limit_is_refused_with_the_reason(change, word):
    data = weighings(noisy_ml())
    assert judged(data).accepted
    refused = judged(data, acceptance=replace(Acceptance(), **change))
    assert not refused.accepted
    assert any(word in reason for reason in refused.refused_because)


def test_air_in_the_line_shows_as_an_intercept_and_is_refused():
    found = judged(weighings(noisy_ml(intercept_ml=-0.4)))
    assert found.intercept_p < 0.01
    assert "air in the line" in " ".join(found.refused_because)


def test_two_portions_only_are_told_in_one_sentence():
    (sentence,) = sentences(weighings(noisy_ml())[:2])
    assert sentence == "there are 2 portions, but a calibration needs 6 or more."


def test_one_size_of_portion_makes_no_line():
    (sentence,) = sentences(weighings([5.0] * 8, np.full(8, 1000)))
    assert "two or more sizes" in sentence


def test_masses_that_do_not_rise_are_told():
    (sentence,) = sentences(weighings(noisy_ml()[::-1] * 0 + 5.0))
    assert "do not rise" in sentence


def test_a_negative_mass_is_told_with_its_place():
    data = weighings(noisy_ml())
    data[3] = replace(data[3], mass_g=-5.0)
    (sentence,) = sentences(data)
    assert sentence == "portion 4: mass_g is -5, but must be above 0 and at most 5000."


def test_a_pressure_in_hectopascals_is_told_with_what_it_is_in_kilopascals():
    (sentence,) = sentences(weighings(noisy_ml()), replace(ROOM, pressure_kpa=1013.0))
    assert sentence == "pressure_kpa is 1013, but must be from 60 to 110 (kilopascals); 1013 hPa is 101.3 kPa."


@pytest.mark.parametrize(("value_c", "fits"), [(4.9, False), (5.0, True), (40.0, True), (40.1, False), (70.0, False)])
def test_the_water_is_between_5_and_40_degrees(value_c, fits):
    room = replace(ROOM, water_temperature_c=value_c)
    if fits:
        assert judged(weighings(noisy_ml(), conditions=room), room).ml_per_step > 0.0
        return
    (sentence,) = sentences(weighings(noisy_ml()), room)
    assert sentence == f"water_temperature_c is {value_c:g}, but must be from 5 to 40 (degrees Celsius)."


def test_a_decimal_comma_is_told_with_file_and_line(tmp_path):
    path = tmp_path / "masses.csv"
    path.write_text("portion,mass_g\n1,5.02\n2,5,03\n")
    with pytest.raises(SettingsError, match=r"masses\.csv: line 3 has 3 cells.*decimal comma"):
        masses_from_csv_g(path)
    path.write_text('mass_g\n"5,02"\n')
    with pytest.raises(SettingsError, match=r"line 2, mass_g: 5,02 has a decimal comma; write 5\.02"):
        masses_from_csv_g(path)
    path.write_text("\ufeffportion,mass_g\n1,5.02\n\n2,20.1\n", encoding="utf-8")
    assert masses_from_csv_g(path) == [5.02, 20.1]


def test_a_file_without_the_column_is_told(tmp_path):
    path = tmp_path / "masses.csv"
    path.write_text("portion;mass_g\n1;5\n")
    with pytest.raises(SettingsError, match="must name one column mass_g"):
        masses_from_csv_g(path)


@pytest.mark.parametrize(
    ("line", "found_g"), [("ST,+  5.043 g", 5.043), ("- 0.02 g", -0.02), ("Error 4", None), ("12.50g stable", 12.5)]
)
def test_a_balance_line_is_read_by_the_users_expression(line, found_g):
    assert mass_in_line_g(line, balance_pattern(r"([+-]?\s*\d+\.\d+)\s*g")) == found_g


def test_an_expression_without_a_group_is_refused():
    with pytest.raises(SettingsError, match="needs a group"):
        balance_pattern(r"\d+")
    with pytest.raises(SettingsError, match="is not a regular expression"):
        balance_pattern(r"(\d+")


def test_words_are_no_mass():
    for text in ("five", "nan", ""):
        with pytest.raises(SettingsError):
            mass_g(text, "portion 1")


def test_a_quick_check_of_one_portion_tells_the_difference_from_the_factor_in_use():
    z = z_factor_ml_per_g(20.0, 101.3)
    weighing = Weighing(dose_id=2, steps=4000, mass_g=20.2 / z)
    found, uncertainty, difference_pct = quick_check(weighing, ROOM, FACTOR, 0.02)
    assert found == pytest.approx(0.00505)
    # By hand: 0.02 ml of scatter are 0.000005 ml a step; the balance's resolution of 0.01 g / sqrt 6 is 1.02e-6, its
    # scale of 0.05 % / sqrt 3 is 1.46e-6; water, air and evaporation add 0.69e-6 together.
    assert uncertainty == pytest.approx(5.35e-6, rel=0.01)
    assert difference_pct == pytest.approx(1.0)
