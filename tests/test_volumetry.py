"""Weighed volumes against Tanaka (2001), CIPM-2007, ISO 8655-6 and a published gravimetric test."""

import math
import statistics

import numpy as np
import pytest

from controller.science.volumetry import (
    air_density_kg_m3,
    random_error_pct,
    systematic_error_pct,
    water_density_kg_m3,
    z_factor_ml_per_g,
)
from tests.reference_rows import row_id, rows


def numbers(row, *names):
    return tuple(float(row[name]) for name in names)


@pytest.mark.parametrize("row", rows("water_density.csv"), ids=row_id)
def test_water_density_follows_tanaka_to_four_decimals(row):
    # Tanaka et al. (2001), Metrologia 38:301-309: computed from eq. 1, and one value as quoted.
    found = water_density_kg_m3(float(row["water_temperature_c"]))
    assert abs(found - float(row["density_kg_m3"])) <= 0.51e-4


@pytest.mark.parametrize("row", rows("air_density.csv"), ids=row_id)
def test_air_density_is_cipm_2007_and_not_its_approximation(row):
    found = air_density_kg_m3(*numbers(row, "air_temperature_c", "pressure_kpa", "relative_humidity_pct"))
    assert abs(found - float(row["density_kg_m3"])) <= 0.51e-5
    assert found == pytest.approx(float(row["oiml_density_kg_m3"]), rel=2e-4)


@pytest.mark.parametrize("row", rows("air_density_computed.csv"), ids=row_id)
def test_air_density_agrees_with_a_real_gas_model_within_1e_4_over_its_whole_range(row):
    # ASHRAE RP-1485 (Herrmann, Kretzschmar and Gatley 2009), computed with CoolProp 8.0.0.
    found = air_density_kg_m3(*numbers(row, "air_temperature_c", "pressure_kpa", "relative_humidity_pct"))
    assert found == pytest.approx(float(row["density_kg_m3"]), rel=1e-4)


@pytest.mark.parametrize("row", rows("z_factor.csv"), ids=row_id)
def test_z_factor_agrees_with_iso_8655_6_table_a1_within_its_rounding(row):
    # Half a unit of the fourth decimal, and 0.5e-5 for the difference of the formulas for air and water.
    found = z_factor_ml_per_g(*numbers(row, "water_temperature_c", "pressure_kpa"))
    assert abs(found - float(row["z_factor_ml_per_g"])) <= 0.5e-4 + 0.5e-5


def test_rounded_z_factors_equal_the_iso_table_in_all_but_two_cells():
    # 1.003548 at 23 C and 105 kPa and 1.0049496 at 28.5 C and 101.3 kPa stand printed as 1.0036 and 1.0050.
    table = rows("z_factor.csv")
    found = [z_factor_ml_per_g(*numbers(row, "water_temperature_c", "pressure_kpa")) for row in table]
    printed = [float(row["z_factor_ml_per_g"]) for row in table]
    assert sum(round(z, 4) != value for z, value in zip(found, printed, strict=True)) == 2


@pytest.mark.parametrize("row", rows("gravimetric_tests.csv"), ids=row_id)
def test_systematic_error_agrees_with_a_published_gravimetric_test(row):
    # Yoshikawa et al. (2023), Digital Discovery 2:1745-1751: mean volumes, and errors to two decimals.
    mean_ml, nominal_ml, printed_pct = numbers(row, "mean_volume_ml", "nominal_ml", "systematic_error_pct")
    volumes_ml = np.array([mean_ml - 0.01, mean_ml, mean_ml + 0.01])
    assert abs(systematic_error_pct(volumes_ml, nominal_ml) - printed_pct) <= 0.0051


def test_random_error_of_the_nist_accuracy_data_is_exact():
    # NIST StRD NumAcc1 (from memory): 10000001, 10000003, 10000002; mean 10000002, standard deviation 1.
    found = random_error_pct([10_000_001.0, 10_000_003.0, 10_000_002.0])
    assert found == pytest.approx(100.0 / 10_000_002.0, rel=1e-12)


def test_random_error_equals_the_coefficient_of_variation_of_the_statistics_module():
    volumes_ml = [9.98, 10.02, 10.01, 9.97, 10.03, 10.00, 9.99, 10.04, 10.01, 9.96]  # invented
    expected = 100.0 * statistics.stdev(volumes_ml) / statistics.mean(volumes_ml)
    assert random_error_pct(volumes_ml) == pytest.approx(expected, rel=1e-12)


def test_equal_deliveries_have_no_random_error():
    assert random_error_pct([5.0, 5.0]) == 0.0


def test_one_delivery_has_a_systematic_error_but_no_random_one():
    assert systematic_error_pct([10.1], 10.0) == pytest.approx(1.0, rel=1e-12)
    assert systematic_error_pct(10.1, 10.0) == pytest.approx(1.0, rel=1e-12)
    with pytest.raises(ValueError, match=r"volumes_ml must be a row of 2 numbers or more"):
        random_error_pct([10.1])


def test_the_ends_of_the_ranges_are_inside_and_what_lies_beyond_is_refused():
    for edge_c in (0.0, 40.0):
        assert 990.0 < water_density_kg_m3(edge_c) < 1000.0
        for edge_kpa in (60.0, 110.0):
            assert 0.5 < air_density_kg_m3(edge_c, edge_kpa, 100.0) < 1.5
            assert 1.0 < z_factor_ml_per_g(edge_c, edge_kpa) < 1.01
    for beyond_c in (-0.1, 40.1, math.nan):
        with pytest.raises(ValueError, match=r"water_temperature_c must be between 0 and 40, found"):
            water_density_kg_m3(beyond_c)
        with pytest.raises(ValueError, match=r"water_temperature_c must be between 0 and 40, found"):
            z_factor_ml_per_g(beyond_c, 101.325)
        with pytest.raises(ValueError, match=r"air_temperature_c must be between 0 and 40, found"):
            air_density_kg_m3(beyond_c, 101.325, 50.0)
    for beyond_kpa in (59.9, 110.1, 101325.0):
        with pytest.raises(ValueError, match=r"pressure_kpa must be between 60 and 110, found"):
            air_density_kg_m3(20.0, beyond_kpa, 50.0)
        with pytest.raises(ValueError, match=r"pressure_kpa must be between 60 and 110, found"):
            z_factor_ml_per_g(20.0, beyond_kpa)
    for beyond_pct in (-0.1, 100.1):
        with pytest.raises(ValueError, match=r"relative_humidity_pct must be between 0 and 100, found"):
            air_density_kg_m3(20.0, 101.325, beyond_pct)


def test_impossible_volumes_are_refused_by_name():
    with pytest.raises(ValueError, match=r"volumes_ml must be 0 or more, found -0\.1"):
        systematic_error_pct([10.0, -0.1], 10.0)
    with pytest.raises(ValueError, match=r"volumes_ml must be 0 or more, found nan"):
        random_error_pct([10.0, math.nan])
    with pytest.raises(ValueError, match=r"volumes_ml must hold at least one number, found none"):
        systematic_error_pct([], 10.0)
    with pytest.raises(ValueError, match=r"volumes_ml must hold at least one number, found none"):
        random_error_pct([])
    with pytest.raises(ValueError, match=r"nominal_ml must be above 0, found 0\.0"):
        systematic_error_pct([10.0], 0.0)
    with pytest.raises(ValueError, match=r"the mean of volumes_ml must be above 0, found 0\.0"):
        random_error_pct([0.0, 0.0])


def test_scalars_give_a_float_and_arrays_an_array():
    temperatures_c = np.array([18.0, 25.0])
    for function in (
        water_density_kg_m3,
        lambda t: air_density_kg_m3(t, 101.325, 50.0),
        lambda t: air_density_kg_m3(20.0, 80.0 + t, 50.0),
        lambda t: z_factor_ml_per_g(t, 101.325),
        lambda t: z_factor_ml_per_g(20.0, 80.0 + t),
    ):
        assert type(function(18.0)) is float
        expected = np.array([function(18.0), function(25.0)])
        assert function(temperatures_c) == pytest.approx(expected, rel=1e-14)
    assert type(random_error_pct([1.0, 2.0])) is float
    assert type(systematic_error_pct(np.array([1.0, 2.0]), 1.5)) is float
