"""Water vapour against ASHRAE, FAO-56, IAPWS, Greenspan, the CRC Handbook and psychrolib."""

import math

import numpy as np
import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.science.air import (
    absolute_humidity_g_m3,
    dew_point_c,
    salt_humidity_pct,
    saturation_vapour_pressure_kpa,
    vapour_pressure_deficit_kpa,
)
from tests.reference_rows import row_id, rows

psychrolib.SetUnitSystem(psychrolib.SI)

TWO_ARGUMENTS = [vapour_pressure_deficit_kpa, dew_point_c, absolute_humidity_g_m3]


@pytest.mark.parametrize("row", rows("saturation_ashrae.csv"), ids=row_id)
def test_saturation_agrees_with_the_ashrae_table_within_its_300_ppm(row):
    found_pa = 1000.0 * saturation_vapour_pressure_kpa(float(row["air_temperature_c"]))
    ppm = float(row["tolerance_ppm"])
    assert found_pa == pytest.approx(float(row["saturation_vapour_pressure_pa"]), rel=ppm * 1e-6)


@pytest.mark.parametrize("row", rows("saturation_fao56.csv"), ids=row_id)
def test_saturation_agrees_with_the_fao56_table_within_015_pct_and_its_rounding(row):
    tabulated_kpa = float(row["saturation_vapour_pressure_kpa"])
    found_kpa = saturation_vapour_pressure_kpa(float(row["air_temperature_c"]))
    assert abs(found_kpa - tabulated_kpa) <= 0.0015 * tabulated_kpa + 0.0005


@pytest.mark.parametrize("row", rows("saturation_iapws.csv"), ids=row_id)
def test_saturation_agrees_with_iapws_within_300_ppm(row):
    # From memory and recomputed, as the rows say.
    found_pa = 1000.0 * saturation_vapour_pressure_kpa(float(row["absolute_temperature_k"]) - 273.15)
    assert found_pa == pytest.approx(float(row["saturation_vapour_pressure_pa"]), rel=300e-6)


@pytest.mark.parametrize("row", rows("saturation_formulas.csv"), ids=row_id)
def test_saturation_is_hyland_and_wexler_and_near_the_other_common_formulas(row):
    found_pa = 1000.0 * saturation_vapour_pressure_kpa(float(row["air_temperature_c"]))
    computed_pa = float(row["saturation_vapour_pressure_pa"])
    if "Hyland-Wexler" in row["formula"]:
        assert abs(found_pa - computed_pa) <= 0.05
    else:
        assert found_pa == pytest.approx(computed_pa, rel=0.005)


def test_saturation_equals_psychrolib_over_ice_and_water():
    # psychrolib 2.5 codes the same ASHRAE equations independently.
    for temperature_c in np.linspace(-100.0, 200.0, 301):
        expected_kpa = psychrolib.GetSatVapPres(temperature_c) / 1000.0
        assert saturation_vapour_pressure_kpa(float(temperature_c)) == pytest.approx(expected_kpa, rel=1e-12)


def test_saturation_has_no_step_where_ice_meets_water():
    below, above = saturation_vapour_pressure_kpa(0.01), saturation_vapour_pressure_kpa(0.0100001)
    assert 0.0 <= above - below < 1e-8


@pytest.mark.parametrize("row", rows("vapour_pressure_deficit.csv"), ids=row_id)
def test_vapour_pressure_deficit_agrees_with_the_fao56_equation_within_3_pa(row):
    found = vapour_pressure_deficit_kpa(float(row["air_temperature_c"]), float(row["relative_humidity_pct"]))
    expected, tolerance = float(row["vapour_pressure_deficit_kpa"]), float(row["tolerance_kpa"])
    assert abs(found - expected) <= tolerance


def test_vapour_pressure_deficit_equals_psychrolib():
    for temperature_c, humidity_pct in ((-10.0, 80.0), (5.0, 95.0), (18.5, 61.0), (24.0, 0.0), (31.0, 100.0)):
        saturation_pa = psychrolib.GetSatVapPres(temperature_c)
        vapour_pa = psychrolib.GetVapPresFromRelHum(temperature_c, humidity_pct / 100.0)
        found_kpa = vapour_pressure_deficit_kpa(temperature_c, humidity_pct)
        assert found_kpa == pytest.approx((saturation_pa - vapour_pa) / 1000.0, rel=1e-9, abs=1e-12)


def test_dew_point_agrees_with_psychrolib_within_its_own_tolerance():
    # psychrolib stops its search at 0.001 C.
    for temperature_c in (-30.0, -2.0, 4.0, 18.0, 24.0, 35.0, 60.0):
        for humidity_pct in (3.0, 20.0, 55.0, 80.0, 99.0, 100.0):
            expected_c = psychrolib.GetTDewPointFromRelHum(temperature_c, humidity_pct / 100.0)
            assert dew_point_c(temperature_c, humidity_pct) == pytest.approx(expected_c, abs=0.002)


def test_dew_point_of_the_ashrae_example_is_7_c():
    # ASHRAE Handbook - Fundamentals (2017), ch. 1, Example 1: 40 C dry bulb, 20 C wet bulb, 101.325 kPa; read
    # from the chart: 14 % relative humidity, dew point 7 C, both to whole units.
    humidity_pct = 100.0 * psychrolib.GetRelHumFromTWetBulb(40.0, 20.0, 101325.0)
    assert round(humidity_pct) == 14
    assert round(dew_point_c(40.0, humidity_pct)) == 7


@given(
    st.floats(-60.0, 150.0),
    st.floats(0.0, 60.0),
)
def test_dew_point_inverts_saturation_to_a_millionth_of_a_degree(dew_c, depression_c):
    air_c = min(dew_c + depression_c, 200.0)
    humidity_pct = 100.0 * saturation_vapour_pressure_kpa(dew_c) / saturation_vapour_pressure_kpa(air_c)
    assert dew_point_c(air_c, min(humidity_pct, 100.0)) == pytest.approx(dew_c, abs=1e-6)


def test_dew_point_of_saturated_air_is_its_own_temperature():
    temperatures_c = np.array([-100.0, -99.0, -20.0, 0.0, 0.01, 0.02, 25.0, 200.0])
    assert dew_point_c(temperatures_c, 100.0) == pytest.approx(temperatures_c, abs=1e-6)


def test_a_dew_point_at_the_very_end_of_the_range_is_not_refused():
    assert dew_point_c(-100.0, 100.0) == pytest.approx(-100.0, abs=1e-6)
    with pytest.raises(ValueError, match=r"too small for a dew point of -100 C or more"):
        dew_point_c(-100.0, 99.999)


def test_air_without_vapour_has_no_dew_point():
    with pytest.raises(ValueError, match=r"relative_humidity_pct must be above 0 and at most 100, found 0\.0"):
        dew_point_c(20.0, 0.0)


def test_a_dew_point_below_minus_100_c_is_refused():
    with pytest.raises(ValueError, match=r"too small for a dew point of -100 C or more, found 1e-08"):
        dew_point_c(20.0, 1e-8)


@pytest.mark.parametrize("row", rows("vapour_density.csv"), ids=row_id)
def test_absolute_humidity_of_saturated_air_lies_within_04_pct_of_steam_tables(row):
    found = absolute_humidity_g_m3(float(row["air_temperature_c"]), 100.0)
    assert found == pytest.approx(float(row["vapour_density_g_m3"]), rel=0.004)


def test_absolute_humidity_equals_that_of_psychrolib():
    # Vapour per volume = humidity ratio / volume per mass of dry air; the gas constants differ by 1e-4.
    for temperature_c, humidity_pct in ((-5.0, 70.0), (12.0, 45.0), (24.0, 60.0), (30.0, 90.0)):
        ratio = psychrolib.GetHumRatioFromRelHum(temperature_c, humidity_pct / 100.0, 101325.0)
        expected = 1000.0 * ratio / psychrolib.GetMoistAirVolume(temperature_c, ratio, 101325.0)
        assert absolute_humidity_g_m3(temperature_c, humidity_pct) == pytest.approx(expected, rel=2e-4)


@pytest.mark.parametrize("row", rows("salt_humidity.csv"), ids=row_id)
def test_salt_humidity_agrees_with_greenspan_to_the_printed_decimals(row):
    # The polynomial and the table of the paper differ by up to 0.01 % of humidity.
    found = salt_humidity_pct(row["salt"], float(row["air_temperature_c"]))
    assert abs(found - float(row["relative_humidity_pct"])) <= 0.5 * 10.0 ** -int(row["decimals"]) + 0.0051


SALTS_OF_BOTH_TABLES = {"LiCl", "MgCl2", "Mg(NO3)2", "NaCl", "KCl", "K2SO4"}


@pytest.mark.parametrize(
    "row", [r for r in rows("salt_humidity_crc.csv") if r["salt"] in SALTS_OF_BOTH_TABLES], ids=row_id
)
def test_salt_humidity_agrees_with_the_crc_handbook_within_its_2_pct(row):
    found = salt_humidity_pct(row["salt"], float(row["air_temperature_c"]))
    assert abs(found - float(row["relative_humidity_pct"])) <= float(row["tolerance_pct"])


def test_the_check_against_the_crc_handbook_covers_six_salts():
    assert {row["salt"] for row in rows("salt_humidity_crc.csv")} >= SALTS_OF_BOTH_TABLES


def test_an_unknown_salt_is_refused_with_the_list_of_known_ones():
    with pytest.raises(ValueError, match=r"salt must be one of LiCl, .*K2SO4, found 'NaBr'"):
        salt_humidity_pct("NaBr", 20.0)


@pytest.mark.parametrize("row", rows("salt_polynomials.csv"), ids=row_id)
def test_a_salt_is_valid_to_the_ends_of_greenspans_range_and_no_further(row):
    salt, lowest_c, highest_c = row["salt"], float(row["lowest_c"]), float(row["highest_c"])
    ends = salt_humidity_pct(salt, np.array([lowest_c, highest_c]))
    assert ((ends > 5.0) & (ends < 100.0)).all()
    for beyond_c in (lowest_c - 0.1, highest_c + 0.1):
        with pytest.raises(ValueError, match=rf"air_temperature_c over .* must be between {lowest_c:g} and "):
            salt_humidity_pct(salt, beyond_c)


@pytest.mark.parametrize("row", rows("salt_polynomials.csv"), ids=row_id)
def test_a_salt_follows_greenspans_polynomial(row):
    # Table 1 of the paper; numpy evaluates the polynomial.
    polynomial = np.polynomial.Polynomial([float(row[name]) for name in ("a0", "a1", "a2", "a3")])
    temperatures_c = np.linspace(float(row["lowest_c"]), float(row["highest_c"]), 7)
    expected = polynomial(temperatures_c)
    assert salt_humidity_pct(row["salt"], temperatures_c) == pytest.approx(expected, rel=1e-12)


def test_every_salt_on_offer_has_a_checked_range():
    with pytest.raises(ValueError, match=r"salt must be one of") as refusal:
        salt_humidity_pct("none", 20.0)
    offered = str(refusal.value).removeprefix("salt must be one of ").partition(", found")[0].split(", ")
    assert set(offered) == {row["salt"] for row in rows("salt_polynomials.csv")}


def test_the_ends_of_the_temperature_range_are_inside_and_what_lies_beyond_is_refused():
    assert saturation_vapour_pressure_kpa(-100.0) > 0.0
    assert saturation_vapour_pressure_kpa(200.0) > 1500.0
    for beyond_c in (-100.1, 200.1, math.inf, -math.inf):
        with pytest.raises(ValueError, match=r"air_temperature_c must be between -100 and 200, found"):
            saturation_vapour_pressure_kpa(beyond_c)


@pytest.mark.parametrize("function", TWO_ARGUMENTS)
def test_the_ends_of_the_humidity_range_are_inside_and_what_lies_beyond_is_refused(function):
    assert math.isfinite(function(20.0, 100.0))
    assert math.isfinite(function(20.0, 0.01))
    for beyond_pct in (-0.1, 100.1):
        with pytest.raises(ValueError, match=r"relative_humidity_pct must be .*100, found"):
            function(20.0, beyond_pct)
        with pytest.raises(ValueError, match=r"air_temperature_c must be between -100 and 200, found"):
            function(200.0 + abs(beyond_pct), 50.0)


@pytest.mark.parametrize("function", TWO_ARGUMENTS)
def test_scalars_give_a_python_float_and_arrays_an_array_of_the_same_values(function):
    temperatures_c, humidities_pct = np.array([4.0, 18.0, 24.0]), np.array([90.0, 60.0, 45.0])
    together = function(temperatures_c, humidities_pct)
    singly = [function(float(t), float(h)) for t, h in zip(temperatures_c, humidities_pct, strict=True)]
    assert all(type(value) is float for value in singly)
    assert isinstance(together, np.ndarray)
    assert together == pytest.approx(np.array(singly), rel=1e-14)
    assert type(saturation_vapour_pressure_kpa(20)) is float
    assert type(saturation_vapour_pressure_kpa(np.float64(20.0))) is float


@pytest.mark.parametrize("function", TWO_ARGUMENTS)
def test_a_missing_reading_stays_missing_and_spoils_no_other(function):
    answer = function(np.array([20.0, math.nan, 22.0, 20.0]), np.array([50.0, 50.0, math.nan, 50.0]))
    assert np.isnan(answer).tolist() == [False, True, True, False]
    assert math.isnan(function(math.nan, 50.0))
    assert math.isnan(function(20.0, math.nan))
    assert math.isnan(saturation_vapour_pressure_kpa(math.nan))
    assert math.isnan(salt_humidity_pct("NaCl", math.nan))


def test_empty_records_and_words_are_refused():
    with pytest.raises(ValueError, match=r"air_temperature_c must hold at least one number, found none"):
        saturation_vapour_pressure_kpa(np.array([]))
    with pytest.raises(ValueError, match=r"air_temperature_c must be a number or an array of numbers, found 'warm'"):
        saturation_vapour_pressure_kpa("warm")
