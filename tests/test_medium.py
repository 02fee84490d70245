"""Retention (Carsel and Parrish 1988), infiltration (Chow 1988), permittivity (Topp 1980), and scipy."""

import math

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp
from scipy.special import hyp2f1, lambertw

from controller.science.medium import (
    INFILTRATION,
    TEXTURES,
    WaterRetention,
    container_capacity_fraction,
    green_ampt_cumulative_cm,
    green_ampt_rate_cm_h,
    ponding_time_h,
    topp_water_content,
)
from tests.reference_rows import row_id, rows

# Chow, Maidment and Mays (1988), Applied Hydrology, Examples 4.3.1, 4.4.1 and 4.4.2: silt loam at 30 %
# effective saturation. The printed answers are from memory and recomputed, as the rows say.
SILT_LOAM = {"conductivity_cm_h": 0.65, "suction_cm": 16.7, "deficit": 0.340}


def chow(what, supply=""):
    (row,) = [r for r in rows("green_ampt.csv") if r["what"] == what and r["supply_cm_h"] == supply]
    stated = {name: float(row[name]) for name in SILT_LOAM}
    assert stated == SILT_LOAM
    return float(row["value"])


@pytest.mark.parametrize("row", rows("retention_parameters.csv"), ids=row_id)
def test_textures_hold_the_class_averages_of_carsel_and_parrish(row):
    texture = TEXTURES[row["texture"]]
    for name in ("theta_r", "theta_s", "alpha_per_cm", "n", "saturated_conductivity_cm_d"):
        assert getattr(texture, name) == float(row[name])


def test_every_texture_is_checked_and_the_table_cannot_be_changed():
    assert set(TEXTURES) == {row["texture"] for row in rows("retention_parameters.csv")}
    with pytest.raises(TypeError):
        TEXTURES["sand"] = TEXTURES["clay"]


@pytest.mark.parametrize("row", rows("retention_curve.csv"), ids=row_id)
def test_retention_follows_van_genuchten_to_five_decimals(row):
    found = TEXTURES[row["texture"]].theta(float(row["suction_cm"]))
    assert abs(found - float(row["theta"])) <= 0.51e-5


def test_retention_is_saturated_without_suction_and_falls_towards_the_residue():
    loam = TEXTURES["loam"]
    assert loam.theta(0.0) == loam.theta_s
    suctions_cm = np.array([0.0, 1.0, 10.0, 100.0, 1000.0, 1e12])
    theta = loam.theta(suctions_cm)
    assert (np.diff(theta) < 0.0).all()
    assert theta[-1] == pytest.approx(loam.theta_r, abs=1e-4)


@pytest.mark.parametrize(
    ("parameters", "message"),
    [
        ((-0.01, 0.4, 0.1, 2.0), "theta_r must be between 0 and 1, found -0.01"),
        ((0.05, 1.01, 0.1, 2.0), "theta_s must be between 0 and 1, found 1.01"),
        ((0.4, 0.4, 0.1, 2.0), r"theta_s must lie above theta_r \(0.4\), found 0.4"),
        ((0.05, 0.4, 0.0, 2.0), "alpha_per_cm must be above 0, found 0.0"),
        ((0.05, 0.4, 0.1, 1.0), "n must be above 1, found 1.0"),
        ((0.05, 0.4, 0.1, math.nan), "n must be above 1, found nan"),
    ],
)
def test_impossible_retention_parameters_are_refused_by_name(parameters, message):
    with pytest.raises(ValueError, match=message):
        WaterRetention(*parameters)


def test_a_negative_suction_is_refused_and_a_missing_one_stays_missing():
    with pytest.raises(ValueError, match=r"suction_cm must be 0 or more, found -0\.1"):
        TEXTURES["loam"].theta(-0.1)
    assert math.isnan(TEXTURES["loam"].theta(math.nan))


STEEP = WaterRetention(0.05, 0.60, 1.0, 12.0)
PEAT_LIKE = WaterRetention(0.10, 0.85, 0.10, 1.6)  # invented numbers


@pytest.mark.parametrize("depth_cm", [0.01, 0.5, 4.0, 10.0, 25.0, 60.0, 200.0])
@pytest.mark.parametrize("texture", [*TEXTURES, STEEP, PEAT_LIKE])
def test_container_capacity_is_the_mean_of_the_retention_curve_over_the_depth(texture, depth_cm):
    # The integral in closed form: D 2F1(m, 1/n; 1 + 1/n; -(alpha D)^n), by scipy's hypergeometric function.
    curve = TEXTURES[texture] if isinstance(texture, str) else texture
    m, n = 1.0 - 1.0 / curve.n, curve.n
    filled = hyp2f1(m, 1.0 / n, 1.0 + 1.0 / n, -((curve.alpha_per_cm * depth_cm) ** n))
    expected = curve.theta_r + (curve.theta_s - curve.theta_r) * filled
    assert container_capacity_fraction(texture, depth_cm) == pytest.approx(expected, abs=1e-7)


def test_container_capacity_agrees_with_adaptive_integration_of_theta():
    # scipy.integrate.quad knows nothing of the closed form.
    for name in ("sand", "sandy loam", "clay"):
        water_cm, _ = quad(TEXTURES[name].theta, 0.0, 12.0, epsabs=1e-10)
        assert container_capacity_fraction(name, 12.0) == pytest.approx(water_cm / 12.0, abs=1e-8)


def test_a_shallow_bed_holds_a_larger_share_than_a_deep_one_and_a_film_is_saturated():
    shares = container_capacity_fraction("sandy loam", np.array([1e-6, 2.0, 5.0, 20.0]))
    assert (np.diff(shares) < 0.0).all()
    assert shares[0] == pytest.approx(TEXTURES["sandy loam"].theta_s, abs=1e-9)


def test_container_capacity_refuses_unknown_textures_and_depths():
    with pytest.raises(ValueError, match=r"texture must be one of sand, .*clay, found 'Loam'"):
        container_capacity_fraction("Loam", 5.0)
    for depth_cm, found in ((0.0, "0.0"), (-1.0, "-1.0"), (200.1, "200.1"), (math.nan, "nan")):
        with pytest.raises(ValueError, match=f"depth_cm must be above 0 and at most 200, found {found}"):
            container_capacity_fraction("loam", depth_cm)
    with pytest.raises(ValueError, match=r"depth_cm must hold at least one number, found none"):
        container_capacity_fraction("loam", np.array([]))


def test_ponded_infiltration_agrees_with_chow_example_4_3_1():
    cumulative_cm = green_ampt_cumulative_cm(1.0, **SILT_LOAM)
    assert abs(cumulative_cm - chow("ponded cumulative_cm at 1 h")) <= 0.005
    rate_cm_h = green_ampt_rate_cm_h(3.17, **SILT_LOAM)
    assert abs(rate_cm_h - chow("ponded rate_cm_h at 1 h")) <= 0.01


@pytest.mark.parametrize("supply", ["1", "5"])
def test_ponding_time_and_depth_agree_with_chow_example_4_4_1(supply):
    # The book rounds psi x deficit to 5.68 cm and its answers to the last digit shown.
    time_h = ponding_time_h(float(supply), **SILT_LOAM)
    assert time_h == pytest.approx(chow("ponding_time_h", supply), abs=0.05 if supply == "1" else 0.005)
    depth = chow("cumulative_cm at ponding", supply)
    assert time_h * float(supply) == pytest.approx(depth, abs=0.05 if supply == "1" else 0.005)


def test_infiltration_after_ponding_agrees_with_chow_example_4_4_2():
    ponding_h = ponding_time_h(5.0, **SILT_LOAM)
    at_ponding_cm = 5.0 * ponding_h
    capillary_cm = SILT_LOAM["suction_cm"] * SILT_LOAM["deficit"]
    # The ponded curve is entered where it would have taken in the same depth.
    same_depth_h = (at_ponding_cm - capillary_cm * math.log1p(at_ponding_cm / capillary_cm)) / 0.65
    cumulative_cm = green_ampt_cumulative_cm(same_depth_h + 1.0 - ponding_h, **SILT_LOAM)
    assert abs(cumulative_cm - chow("cumulative_cm after 1 h of rain", "5")) <= 0.005
    rate_cm_h = green_ampt_rate_cm_h(cumulative_cm, **SILT_LOAM)
    assert abs(rate_cm_h - chow("rate_cm_h after 1 h of rain", "5")) <= 0.005


@pytest.mark.parametrize("time_h", [1e-9, 1e-4, 0.1, 1.0, 30.0, 1e4])
@pytest.mark.parametrize("parameters", [(0.65, 16.7, 0.34), (11.78, 4.95, 0.417), (0.03, 31.63, 0.1)])
def test_cumulative_infiltration_equals_its_solution_by_lambert_w(parameters, time_h):
    # F = -S (1 + W_-1(-exp(-1 - K t / S))), by scipy; only where its argument has not lost its digits.
    conductivity, suction, deficit = parameters
    capillary = suction * deficit
    found = green_ampt_cumulative_cm(time_h, *parameters)
    closes = found - capillary * math.log1p(found / capillary) - conductivity * time_h
    assert abs(closes) <= 1e-9 * max(1.0, found)
    if 1e-3 < conductivity * time_h / capillary < 700.0:
        exact = -capillary * (1.0 + lambertw(-math.exp(-1.0 - conductivity * time_h / capillary), -1).real)
        assert found == pytest.approx(exact, rel=1e-9)


def test_the_rate_is_the_slope_of_the_cumulative_depth():
    # scipy integrates the rate from one moment to another and must land on the cumulative curve.
    start_cm = green_ampt_cumulative_cm(0.1, **SILT_LOAM)
    solved = solve_ivp(
        lambda _, depth_cm: green_ampt_rate_cm_h(depth_cm, **SILT_LOAM), (0.1, 3.0), [start_cm], rtol=1e-10
    )
    assert solved.y[0, -1] == pytest.approx(green_ampt_cumulative_cm(3.0, **SILT_LOAM), rel=1e-7)


def test_no_time_takes_in_no_water():
    assert green_ampt_cumulative_cm(0.0, **SILT_LOAM) == 0.0


def test_a_supply_at_or_below_the_conductivity_never_ponds():
    assert ponding_time_h(0.0, **SILT_LOAM) == math.inf
    assert ponding_time_h(0.65, **SILT_LOAM) == math.inf
    assert 1000.0 < ponding_time_h(0.65 + 1e-3, **SILT_LOAM) < math.inf


@pytest.mark.parametrize("row", rows("topp.csv"), ids=row_id)
def test_water_content_from_permittivity_follows_topp_to_five_decimals(row):
    assert abs(topp_water_content(float(row["permittivity"])) - float(row["theta"])) <= 0.51e-5


def test_permittivity_is_valid_from_2_to_46_and_missing_readings_stay_missing():
    assert 0.0 < topp_water_content(2.0) < 0.005
    assert 0.54 < topp_water_content(46.0) < 0.55
    for beyond in (1.9, 46.1):
        with pytest.raises(ValueError, match=f"permittivity must be between 2 and 46, found {beyond}"):
            topp_water_content(beyond)
    assert math.isnan(topp_water_content(math.nan))


@pytest.mark.parametrize("function", [green_ampt_cumulative_cm, green_ampt_rate_cm_h, ponding_time_h])
def test_infiltration_refuses_impossible_media_by_name(function):
    for change, message in (
        ({"conductivity_cm_h": 0.0}, "conductivity_cm_h must be above 0, found 0.0"),
        ({"suction_cm": -1.0}, "suction_cm must be above 0, found -1.0"),
        ({"deficit": 0.0}, "deficit must be above 0 and at most 1, found 0.0"),
        ({"deficit": 1.01}, "deficit must be above 0 and at most 1, found 1.01"),
    ):
        with pytest.raises(ValueError, match=message):
            function(1.0, **(SILT_LOAM | change))


def test_infiltration_refuses_impossible_moments_depths_and_supplies():
    with pytest.raises(ValueError, match=r"time_h must be 0 or more, found -0.1"):
        green_ampt_cumulative_cm(-0.1, **SILT_LOAM)
    with pytest.raises(ValueError, match=r"cumulative_cm must be above 0, found 0.0"):
        green_ampt_rate_cm_h(0.0, **SILT_LOAM)
    with pytest.raises(ValueError, match=r"supply_cm_h must be 0 or more, found -1.0"):
        ponding_time_h(-1.0, **SILT_LOAM)
    with pytest.raises(ValueError, match=r"time_h must hold at least one number, found none"):
        green_ampt_cumulative_cm([], **SILT_LOAM)


def test_scalars_give_a_float_and_arrays_an_array():
    row = np.array([1.0, 2.0])
    for function in (
        TEXTURES["loam"].theta,
        lambda x: container_capacity_fraction("loam", x),
        lambda x: green_ampt_cumulative_cm(x, **SILT_LOAM),
        lambda x: green_ampt_rate_cm_h(x, **SILT_LOAM),
        lambda x: ponding_time_h(x, **SILT_LOAM),
        lambda x: topp_water_content(9.0 + x),
    ):
        assert type(function(1.0)) is float
        assert function(row) == pytest.approx(np.array([function(1.0), function(2.0)]), rel=1e-12)


@pytest.mark.parametrize("row", rows("infiltration.csv"), ids=row_id)
def test_intake_figures_are_those_of_rawls(row):
    found = INFILTRATION[row["texture"]]

    for name in ("effective_porosity_fraction", "suction_cm", "conductivity_cm_h"):
        assert getattr(found, name) == float(row[name])


def test_the_misprinted_porosity_of_clay_loam_is_the_middle_of_its_stated_range():
    # Rawls (1983) prints 0.309 with a range of 0.279 to 0.501; Ogden and Saghafian (1997) use 0.390
    assert INFILTRATION["clay loam"].effective_porosity_fraction == (0.279 + 0.501) / 2
