"""Lines against certified values of NIST and the GUM example; control charts against the NIST handbook."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.stats import linregress

from controller.science.lines import Line, ewma_limits, fit_line, fit_through_origin, individuals_limits
from tests.reference_rows import row_id, rows


def column(name, key):
    return np.array([float(row[key]) for row in rows(name)])


def of(data):
    return [row for row in rows("line_fits.csv") if row["data"] == data]


NORRIS = fit_line(column("norris_data.csv", "x"), column("norris_data.csv", "y"))
# NIST StRD NoInt1: x = 60 to 70, y = 130 to 140 (the data from memory; they reproduce the certified values).
NOINT1 = fit_through_origin(np.arange(60.0, 71.0), np.arange(130.0, 141.0))
# GUM (JCGM 100:2008), H.3, Table H.6: corrections of a thermometer, fitted against t - 20 C.
GUM_H3 = fit_line(column("gum_h3_data.csv", "t_k_C") - 20.0, column("gum_h3_data.csv", "b_k_C"))


@pytest.mark.parametrize("row", of("norris"), ids=row_id)
def test_a_line_agrees_with_nist_norris_to_ten_digits(row):
    assert getattr(NORRIS, row["statistic"]) == pytest.approx(float(row["value"]), rel=1e-10)


@pytest.mark.parametrize("row", of("noint1"), ids=row_id)
def test_a_line_through_the_origin_agrees_with_nist_noint1_to_twelve_digits(row):
    assert getattr(NOINT1, row["statistic"]) == pytest.approx(float(row["value"]), rel=1e-12)


@pytest.mark.parametrize("row", of("gum_h3"), ids=row_id)
def test_a_calibration_line_agrees_with_gum_h3_to_its_printed_digits(row):
    value, uncertainty = GUM_H3.predict(30.0 - 20.0)
    at_30_c = {"value at 30 C": value, "standard uncertainty at 30 C": uncertainty}
    name, printed = row["statistic"], row["value"]
    found = at_30_c[name] if name in at_30_c else getattr(GUM_H3, name)
    assert abs(found - float(printed)) <= 0.5 * 10.0 ** -len(printed.partition(".")[2])


def test_the_share_explained_does_not_depend_on_the_unit_of_y():
    # The GUM's corrections are hundredths of a degree; the same in microdegrees must explain the same share.
    t_c, b_c = column("gum_h3_data.csv", "t_k_C"), column("gum_h3_data.csv", "b_k_C")
    expected = linregress(t_c, b_c).rvalue ** 2
    assert GUM_H3.r_squared == pytest.approx(expected, rel=1e-9)
    assert fit_line(t_c, 1e6 * b_c).r_squared == pytest.approx(expected, rel=1e-9)
    assert fit_line(t_c, 1e-6 * b_c).r_squared == pytest.approx(expected, rel=1e-9)


def test_a_prediction_without_the_covariance_would_be_far_too_uncertain():
    # GUM H.3.4: 0.0041 C with the covariance; 0.0073 C (computed) if it is left out.
    _, uncertainty = GUM_H3.predict(10.0)
    assert uncertainty == pytest.approx(0.0041386, abs=5e-8)
    assert math.hypot(GUM_H3.intercept_se, 10.0 * GUM_H3.slope_se) == pytest.approx(0.0073, abs=5e-5)


def test_a_prediction_does_not_depend_on_where_x_is_counted_from():
    temperatures_c, corrections_c = column("gum_h3_data.csv", "t_k_C"), column("gum_h3_data.csv", "b_k_C")
    for offset_c in (0.0, 20.0, 24.0085, -273.15):
        found = fit_line(temperatures_c - offset_c, corrections_c).predict(30.0 - offset_c)
        assert found == pytest.approx((-0.14937681, 0.0041386), abs=2e-8)


@given(
    arrays(np.float64, 8, elements=st.floats(-100.0, 100.0), unique=True),
    arrays(np.float64, 8, elements=st.floats(-100.0, 100.0)),
)
def test_a_line_equals_that_of_scipy(x, y):
    if np.std(x) < 1e-3 or np.std(y) < 1e-3:
        return
    found, expected = fit_line(x, y), linregress(x, y)
    assert found.slope == pytest.approx(expected.slope, rel=1e-7, abs=1e-9)
    assert found.intercept == pytest.approx(expected.intercept, rel=1e-7, abs=1e-7)
    assert found.slope_se == pytest.approx(expected.stderr, rel=1e-6, abs=1e-7)
    assert found.intercept_se == pytest.approx(expected.intercept_stderr, rel=1e-6, abs=1e-7)
    assert found.r_squared == pytest.approx(expected.rvalue**2, abs=1e-7)


def test_the_correlation_is_that_of_slope_and_intercept_in_the_covariance_matrix():
    # numpy.polyfit's covariance matrix, scaled by the residual variance.
    x, y = column("norris_data.csv", "x"), column("norris_data.csv", "y")
    covariance = np.polyfit(x, y, 1, cov=True)[1]
    expected = covariance[0, 1] / math.sqrt(covariance[0, 0] * covariance[1, 1])
    assert NORRIS.correlation == pytest.approx(expected, rel=1e-9)


def test_points_on_a_line_leave_no_uncertainty():
    line = fit_line([1.0, 2.0, 3.0], [5.0, 7.0, 9.0])
    assert (line.slope, line.intercept, line.residual_sd, line.r_squared) == (2.0, 3.0, 0.0, 1.0)
    assert line.predict(10.0) == (23.0, 0.0)


def test_a_line_through_the_origin_predicts_from_its_slope_alone():
    value, uncertainty = NOINT1.predict(100.0)
    assert value == pytest.approx(207.438016528926, rel=1e-12)
    assert uncertainty == pytest.approx(1.65289256198347, rel=1e-12)
    assert NOINT1.predict(0.0) == (0.0, 0.0)
    assert (NOINT1.intercept, NOINT1.intercept_se, NOINT1.correlation) == (0.0, 0.0, 0.0)


def test_a_line_read_back_from_a_certificate_predicts_as_before():
    read_back = Line(**{name: getattr(GUM_H3, name) for name in Line.__dataclass_fields__})
    assert read_back.predict(10.0) == GUM_H3.predict(10.0)


def test_predictions_are_floats_for_a_number_and_arrays_for_an_array():
    value, uncertainty = NORRIS.predict(100)
    assert type(value) is float
    assert type(uncertainty) is float
    values, uncertainties = NORRIS.predict(np.array([100.0, 200.0]))
    assert values[0] == value
    assert uncertainties.shape == (2,)
    with pytest.raises(ValueError, match=r"x must be finite, found nan"):
        NORRIS.predict(math.nan)


def test_a_level_response_has_no_share_explained():
    line = fit_line([1.0, 2.0, 3.0], [4.0, 4.0, 4.0])
    assert (line.slope, line.intercept) == (0.0, 4.0)
    assert math.isnan(line.r_squared)
    assert math.isnan(fit_through_origin([1.0, 2.0], [0.0, 0.0]).r_squared)


@pytest.mark.parametrize(("fit", "fewest"), [(fit_line, 3), (fit_through_origin, 2)])
def test_a_fit_needs_enough_pairs_of_finite_numbers(fit, fewest):
    enough = list(range(1, fewest + 1))
    assert math.isfinite(fit(enough, enough).slope)
    with pytest.raises(ValueError, match=rf"x must be a row of {fewest} numbers or more"):
        fit(enough[:-1], enough[:-1])
    with pytest.raises(ValueError, match=r"x must hold at least one number, found none"):
        fit([], [])
    with pytest.raises(ValueError, match=rf"y must be as long as x \({fewest}\), found {fewest + 1} numbers"):
        fit(enough, [*enough, 9.0])
    with pytest.raises(ValueError, match=r"y must be finite, found nan"):
        fit(enough, [*enough[:-1], math.nan])


def test_a_fit_needs_different_x():
    with pytest.raises(ValueError, match=r"x must hold at least two different values, found only 5\.0"):
        fit_line([5.0, 5.0, 5.0], [1.0, 2.0, 3.0])
    with pytest.raises(ValueError, match=r"x must hold at least one value other than 0"):
        fit_through_origin([0.0, 0.0], [1.0, 2.0])


def test_the_ewma_series_agrees_with_the_nist_handbook_to_two_decimals():
    # NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4.
    chart = ewma_limits(column("ewma_chart.csv", "value"), 50.0, 2.0539, 0.3, 3.0)
    assert np.abs(chart.points - column("ewma_chart.csv", "ewma")).max() <= 0.0051
    assert chart.centre == 50.0
    assert not chart.outside.any()


@pytest.mark.parametrize("row", rows("chart_limits.csv"), ids=row_id)
def test_chart_limits_agree_with_the_nist_handbook(row):
    # 6.3.2.2 and 6.3.2.4; the handbook cuts the last digit of its lower limit instead of rounding it.
    if row["chart"] == "ewma":
        chart = ewma_limits(column("ewma_chart.csv", "value"), 50.0, 2.0539, 0.3, 3.0)
    else:
        chart = individuals_limits([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    assert abs(getattr(chart, row["statistic"]) - float(row["limit"])) <= 1.01e-4


def test_a_chart_names_the_points_beyond_its_limits_and_not_those_upon_them():
    # By hand: weight 1 makes each point its value; the limits are 10 +- 2.
    chart = ewma_limits([10.0, 12.0, 12.1, 8.0, 7.9], 10.0, 1.0, 1.0, 2.0)
    assert chart.outside.tolist() == [False, False, True, False, True]


def test_a_shift_of_two_sigma_leaves_the_ewma_limits_at_the_fourth_value():
    # By hand: after k values at 2 sigma the point is 2 (1 - 0.8^k); the limit, 3 x sqrt(0.2 / 1.8) = 1,
    # lies between the points 0.98 at k = 3 and 1.18 at k = 4.
    chart = ewma_limits([2.0] * 5, 0.0, 1.0, 0.2, 3.0)
    assert chart.high == pytest.approx(1.0, rel=1e-12)
    assert chart.outside.tolist() == [False, False, False, True, True]


def test_charts_refuse_impossible_settings_by_name():
    good = {"values": [1.0, 2.0], "target": 1.0, "sigma": 1.0, "weight": 0.3, "width": 3.0}
    for change, message in (
        ({"values": []}, "values must hold at least one number, found none"),
        ({"values": [math.nan]}, "values must be finite, found nan"),
        ({"target": math.inf}, "target must be finite, found inf"),
        ({"sigma": 0.0}, "sigma must be above 0, found 0.0"),
        ({"weight": 0.0}, "weight must be above 0 and at most 1, found 0.0"),
        ({"weight": 1.01}, "weight must be above 0 and at most 1, found 1.01"),
        ({"width": 0.0}, "width must be above 0, found 0.0"),
    ):
        with pytest.raises(ValueError, match=message):
            ewma_limits(**(good | change))
    with pytest.raises(ValueError, match=r"values must be a row of 2 numbers or more"):
        individuals_limits([1.0])
    with pytest.raises(ValueError, match=r"values must hold at least one number, found none"):
        individuals_limits([])
