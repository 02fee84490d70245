"""Growth curves: known curves found again, and uncertainty that means what it says."""

import numpy as np
import pytest

from controller.science.growth import SHAPES, curves_test, fit_growth

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


def beds(chance, final_second, follow=0.0):
    """Two beds photographed every other day, errors of each picture resembling those of the one before."""
    values = []
    for final in (30.0, final_second):
        errors = chance.normal(0.0, 0.6, DAYS.size)
        for i in range(1, errors.size):
            errors[i] = follow * errors[i - 1] + (1.0 - follow**2) ** 0.5 * errors[i]
        values.append(np.maximum(0.0, final / 70.0 * CURVES["logistic"](DAYS) + errors))
    return values


def test_one_curve_for_both_beds_is_refused_when_they_differ_and_seldom_otherwise():
    chance = np.random.default_rng(5)
    same = [curves_test(DAYS, a, DAYS, b).p for a, b in (beds(chance, 30.0) for _ in range(60))]
    apart = [curves_test(DAYS, a, DAYS, b).p for a, b in (beds(chance, 33.0) for _ in range(20))]

    assert np.mean(np.array(same) < 0.05) <= 0.13
    assert np.mean(np.array(apart) < 0.05) >= 0.9


def test_pictures_that_err_alike_count_as_fewer():
    chance = np.random.default_rng(6)
    following = [curves_test(DAYS, a, DAYS, b) for a, b in (beds(chance, 30.0, 0.7) for _ in range(20))]

    assert np.mean([each.df_looks for each in following]) < 25.0  # of 36
    assert np.mean([each.p < 0.05 for each in following]) <= 0.25


def test_the_extra_sum_of_squares_is_that_of_least_squares():
    """F by hand (Bates and Watts 1988, 3.10), with errors that alternate, so that none is counted away."""
    wiggle = np.where(np.arange(DAYS.size) % 2, 0.5, -0.5)
    a, b = CURVES["logistic"](DAYS) + 1.0 + wiggle, 1.05 * CURVES["logistic"](DAYS) + 1.0 - wiggle
    found = curves_test(DAYS, a, DAYS, b)
    apart = sum(float(np.sum((y - fit_growth(DAYS, y).at(DAYS)) ** 2)) for y in (a, b))
    both = np.concatenate((DAYS, DAYS)), np.concatenate((a, b))
    together = float(np.sum((both[1] - fit_growth(*both).at(both[0])) ** 2))
    share = (found.df_looks + 6.0) / (2 * DAYS.size)

    assert 0.2 <= share <= 1.0
    assert found.f == pytest.approx((together - apart) / 3.0 / (apart / found.df_looks), rel=1e-6)
    assert found.df_curves == 3.0
