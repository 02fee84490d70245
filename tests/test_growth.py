"""Growth curves: known curves found again, and uncertainty that means what it says."""

import numpy as np
import pytest

from controller.science.growth import SHAPES, fit_growth

DAYS = np.arange(1.0, 22.0)
CURVES = {
    "logistic": lambda t: 70.0 / (1.0 + np.exp(-0.4 * (t - 11.0))),
    "gompertz": lambda t: 70.0 * np.exp(-np.exp(-0.4 * (t - 11.0))),
}


@pytest.mark.parametrize("shape", SHAPES)
def test_a_drawn_curve_is_found_again(shape):
    found = fit_growth(DAYS, CURVES[shape](DAYS), shape)

    assert (found.final, found.fastest_day, found.rate_per_day) == pytest.approx((70.0, 11.0, 0.4), rel=1e-6)
    assert found.at(11.0) == pytest.approx(35.0 if shape == "logistic" else 70.0 / np.e)


@pytest.mark.parametrize("shape", SHAPES)
def test_the_right_shape_fits_better(shape):
    chance = np.random.default_rng(1)
    heights = np.maximum(0.0, CURVES[shape](DAYS) + chance.normal(0.0, 0.5, DAYS.size))
    fits = {each: fit_growth(DAYS, heights, each).aic for each in SHAPES}

    assert min(fits, key=fits.get) == shape


def test_two_standard_errors_hold_the_truth_in_nineteen_of_twenty():
    chance = np.random.default_rng(7)
    held = []
    for _ in range(200):
        heights = np.maximum(0.0, CURVES["logistic"](DAYS) + chance.normal(0.0, 1.5, DAYS.size))
        found = fit_growth(DAYS, heights)
        held.append(abs(found.final - 70.0) <= 2.1 * found.final_se)  # t of 18 degrees of freedom

    assert 0.90 <= np.mean(held) <= 0.99


@pytest.mark.parametrize(
    ("days", "values", "words"),
    [
        ([1, 2, 3, 4], [1, 2, 3, 4], "5 numbers"),
        ([1, 1, 2, 3, 4], [1, 2, 3, 4, 5], "five different days"),
        ([1, 2, 3, 4, 5], [0, 0, 0, 0, 0], "must grow"),
        ([1, 2, 3, 4, 5], [1, 2, 3, 4, -5], "values"),
    ],
)
def test_what_has_no_curve_is_refused_in_a_sentence(days, values, words):
    with pytest.raises(ValueError, match=words):
        fit_growth(days, values)


def test_an_unknown_shape_is_refused():
    with pytest.raises(ValueError, match="shape"):
        fit_growth(DAYS, DAYS, "straight")
