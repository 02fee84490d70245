"""Degree-days: Zalom (1983), McMaster and Wilhelm (1997), 86/50 examples, numerical integration."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.science.thermal_time import (
    degree_days_from_series,
    degree_days_simple,
    degree_days_single_sine,
)
from tests.reference_rows import row_id, rows


def numbers(row, *names):
    return tuple(float(row[name]) for name in names)


@pytest.mark.parametrize("row", rows("degree_days_single_sine.csv"), ids=row_id)
def test_single_sine_agrees_with_zalom_table_7_and_its_kin_to_two_decimals(row):
    # Zalom et al. (1983), UC Leaflet 21373, Table 7 (Fahrenheit); the rows in Celsius are a test suite's own.
    found = degree_days_single_sine(*numbers(row, "minimum", "maximum", "lower", "upper"))
    assert abs(found - float(row["degree_days"])) <= 0.0101


@given(st.floats(-20.0, 40.0), st.floats(0.0, 30.0), st.floats(-5.0, 20.0), st.floats(1.0, 30.0))
def test_single_sine_equals_the_area_under_a_sampled_sine(minimum_c, range_c, lower_c, span_c):
    maximum_c, upper_c = minimum_c + range_c, lower_c + span_c
    day = (np.arange(20_000) + 0.5) / 20_000
    sine_c = (minimum_c + maximum_c) / 2.0 + range_c / 2.0 * np.sin(2.0 * np.pi * day)
    area = np.mean(np.clip(sine_c, lower_c, upper_c) - lower_c)
    found = degree_days_single_sine(minimum_c, maximum_c, lower_c, upper_c)
    assert found == pytest.approx(area, abs=1e-5)


def test_single_sine_without_an_upper_threshold_is_not_cut_off():
    assert degree_days_single_sine(20.0, 50.0, 10.0) == pytest.approx(25.0, rel=1e-14)
    assert degree_days_single_sine(20.0, 50.0, 10.0, 30.0) < 20.0


@pytest.mark.parametrize("row", rows("degree_days_simple.csv"), ids=row_id)
def test_both_simple_methods_agree_with_mcmaster_and_wilhelm_table_1(row):
    minimum_c, maximum_c, base_c = numbers(row, "minimum", "maximum", "base")
    assert degree_days_simple(minimum_c, maximum_c, base_c) == float(row["method_1"])
    assert degree_days_simple(minimum_c, maximum_c, base_c, floor_first=True) == float(row["method_2"])


@pytest.mark.parametrize("row", rows("degree_days_86_50.csv"), ids=row_id)
def test_floor_first_with_an_upper_limit_is_the_modified_86_50_method(row):
    found = degree_days_simple(*numbers(row, "minimum", "maximum"), 50.0, upper_c=86.0, floor_first=True)
    assert found == float(row["degree_days"])


def test_the_upper_limit_lowers_both_extremes_under_either_method():
    for floor_first in (False, True):
        assert degree_days_simple(32.0, 40.0, 10.0, upper_c=30.0, floor_first=floor_first) == 20.0


@pytest.mark.parametrize(("temperature_c", "days"), [(22.5, 4.0), (7.5, 16.0)])
def test_a_steady_record_gives_the_thermal_time_of_the_onion_example(temperature_c, days):
    # Brewster, Onions and Other Vegetable Alliums, text to Fig. 4.7: base 2.5 C, 80 C day after 4 days at
    # 22.5 C or 16 days at 7.5 C.
    hours = np.array([0.0, 5.0, 24.0 * days])
    assert degree_days_from_series(hours, np.full(3, temperature_c), 2.5) == pytest.approx(80.0, rel=1e-14)


def test_a_record_that_crosses_the_base_counts_the_triangle_above_it_only():
    # By hand: from -5 to +5 C in 24 h the base 0 is crossed at noon; 5 C x 12 h / 2 = 1.25 C day.
    assert degree_days_from_series([0.0, 24.0], [-5.0, 5.0], 0.0) == pytest.approx(1.25, rel=1e-14)
    assert degree_days_from_series([0.0, 24.0], [5.0, -5.0], 0.0) == pytest.approx(1.25, rel=1e-14)
    assert degree_days_from_series([0.0, 24.0], [-5.0, -1.0], 0.0) == 0.0
    assert degree_days_from_series([0.0, 24.0], [0.0, 0.0], 0.0) == 0.0


def test_a_densely_recorded_sine_day_equals_the_single_sine():
    hours = np.linspace(0.0, 24.0, 8641)
    air_c = 12.0 + 9.0 * np.sin(2.0 * np.pi * hours / 24.0)
    expected = degree_days_single_sine(3.0, 21.0, 8.0)
    assert degree_days_from_series(hours, air_c, 8.0) == pytest.approx(expected, abs=1e-5)


def test_unequal_steps_weigh_by_their_length():
    # By hand: 10 C above the base for 6 h, then a fall to 0 over 18 h: 2.5 + 3.75 C day.
    assert degree_days_from_series([0.0, 6.0, 24.0], [15.0, 15.0, 5.0], 5.0) == pytest.approx(6.25, rel=1e-14)


def test_a_missing_temperature_is_never_counted_as_a_cold_day():
    missing = math.nan
    assert math.isnan(degree_days_from_series([0.0, 12.0, 24.0], [20.0, missing, 20.0], 5.0))
    for function in (degree_days_simple, degree_days_single_sine):
        assert math.isnan(function(missing, 20.0, 5.0))
        assert math.isnan(function(-20.0, missing, 5.0))
        answer = function(np.array([2.0, missing, -9.0]), np.array([20.0, 20.0, missing]), 5.0)
        assert np.isnan(answer).tolist() == [False, True, True]
    assert math.isnan(degree_days_simple(missing, -3.0, 5.0, upper_c=30.0, floor_first=True))
    assert math.isnan(degree_days_single_sine(missing, -3.0, 5.0, 30.0))


def test_scalars_give_a_float_and_arrays_an_array():
    for function in (degree_days_simple, degree_days_single_sine):
        assert type(function(5, 25, 10)) is float
        days = function(np.array([5.0, 12.0]), np.array([25.0, 28.0]), 10.0, 26.0)
        assert days == pytest.approx(np.array([function(5.0, 25.0, 10.0, 26.0), function(12.0, 28.0, 10.0, 26.0)]))
        warm_days = function(5.0, np.array([15.0, 25.0]), 10.0)
        assert warm_days.shape == (2,)
    assert type(degree_days_from_series([0, 24], [20, 20], 5)) is float


def test_extremes_that_hardly_differ_are_a_steady_day():
    # A range too small to divide by once overflowed; with warnings as errors this test would see it again.
    assert degree_days_single_sine(0.0, 1e-308, 0.0, 1.0) == pytest.approx(0.0, abs=1e-300)
    assert degree_days_single_sine(0.0, 1e-308, -5.0, 1.0) == 5.0
    assert degree_days_single_sine(0.0, 5e-324, 1.0, 2.0) == 0.0


def test_equal_extremes_are_a_steady_day():
    assert degree_days_single_sine(18.0, 18.0, 10.0) == 8.0
    assert degree_days_single_sine(10.0, 10.0, 10.0) == 0.0
    assert degree_days_single_sine(10.0, 10.0, 10.0, 30.0) == 0.0


def test_temperatures_out_of_order_or_range_are_refused_by_name():
    for function in (degree_days_simple, degree_days_single_sine):
        with pytest.raises(ValueError, match=r"minimum_c must not exceed maximum_c \(10\.0\), found 10\.1"):
            function(10.1, 10.0, 5.0)
        with pytest.raises(ValueError, match=r"minimum_c must not exceed maximum_c \(9\.0\), found 11\.0"):
            function(np.array([1.0, 11.0]), np.array([10.0, 9.0]), 5.0)
        with pytest.raises(ValueError, match=r"upper_c must lie above (base|lower)_c \(5\.0\), found 5\.0"):
            function(10.0, 20.0, 5.0, 5.0)
        with pytest.raises(ValueError, match=r"maximum_c must be between -100 and 200, found 200.5"):
            function(10.0, 200.5, 5.0)
        with pytest.raises(ValueError, match=r"minimum_c must be between -100 and 200, found -100.5"):
            function(-100.5, 20.0, 5.0)
        with pytest.raises(ValueError, match=r"(base|lower)_c must be between -100 and 200, found nan"):
            function(10.0, 20.0, math.nan)
        assert function(-100.0, -100.0, 5.0) == 0.0


def test_a_record_needs_rising_hours_two_readings_and_one_temperature_for_each():
    with pytest.raises(ValueError, match=r"hours_h must rise at every reading, found a step of 0.0 h"):
        degree_days_from_series([0.0, 1.0, 1.0], [20.0, 20.0, 20.0], 5.0)
    with pytest.raises(ValueError, match=r"hours_h must be a row of 2 numbers or more, found shape"):
        degree_days_from_series([0.0], [20.0], 5.0)
    with pytest.raises(ValueError, match=r"hours_h must hold at least one number, found none"):
        degree_days_from_series([], [], 5.0)
    with pytest.raises(ValueError, match=r"air_temperature_c must be as long as hours_h \(2\), found 3 numbers"):
        degree_days_from_series([0.0, 1.0], [20.0, 20.0, 20.0], 5.0)
    with pytest.raises(ValueError, match=r"air_temperature_c must be between -100 and 200, found inf"):
        degree_days_from_series([0.0, 1.0], [20.0, math.inf], 5.0)
