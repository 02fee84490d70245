"""Times to emergence: published survival data, exact tests, and times known only between two looks."""

import itertools
import math

import numpy as np
import pytest
import scipy.stats

from controller.science.between_looks import time_shift
from controller.science.emergence import detectable_difference, logrank_rearranged, survival_intervals
from controller.science.rearranged import holm, means_rearranged
from tests.reference_rows import row_id, rows

PATIENTS = rows("freireich_data.csv")  # Freireich et al. (1963), Blood 21:699-716


def arm(name):
    wanted = [each for each in PATIENTS if each["treat"] == name]
    return [float(each["time"]) for each in wanted], [each["cens"] == "1" for each in wanted]


@pytest.mark.parametrize("row", rows("freireich_errors.csv"), ids=row_id)
def test_greenwoods_error_is_that_of_the_leukaemia_trial(row):
    curve = survival_intervals(*arm("6-MP"))
    place = curve.times.tolist().index(float(row["time_weeks"]))

    assert curve.survival[place] == pytest.approx(float(row["survival"]), abs=5e-5)
    assert curve.survival_se[place] == pytest.approx(float(row["survival_se"]), abs=5e-5)


def test_medians_are_those_of_the_leukaemia_trial():
    # Kleinbaum and Klein, Survival Analysis, ch. 2 (computed from the data): 23 and 8 weeks
    assert survival_intervals(*arm("6-MP")).median == 23.0
    assert survival_intervals(*arm("control")).median == 8.0


def test_no_median_is_told_when_more_than_half_are_still_to_come():
    assert survival_intervals([3.0, 5.0, 5.0], [True, False, False]).median is None


def test_intervals_hold_the_curve_and_stay_between_none_and_all():
    curve = survival_intervals(*arm("6-MP"))

    assert (curve.low <= curve.survival).all()
    assert (curve.survival <= curve.high).all()
    assert curve.low.min() > 0.0
    assert curve.high.max() < 1.0


def test_the_last_seedling_leaves_no_interval():
    curve = survival_intervals([3.0, 4.0], [True, True])

    assert curve.survival[-1] == 0.0
    assert np.isnan(curve.survival_se[-1])


def test_two_medicines_differ_also_by_rearrangement():
    (a, seen_a), (b, seen_b) = arm("control"), arm("6-MP")
    found = logrank_rearranged([*a, *b], [*seen_a, *seen_b], [False] * 21 + [True] * 21, [0] * 42, draws=4000)

    assert not found.exact
    assert found.p < 0.002
    assert found.statistic == pytest.approx(16.79, abs=2.0)  # of Mantel's variance; Pitman's differs a little


def test_the_probability_is_that_of_all_rearrangements():
    times, seen = np.array([2.0, 3.0, 3.0, 5.0, 6.0, 6.0]), np.array([1, 1, 1, 1, 1, 0])
    found = logrank_rearranged(times, seen, [1, 0, 0, 1, 1, 0], [0] * 6)

    scores = []
    hazard = {
        t: sum(seen[(times == u)].sum() / (times >= u).sum() for u in {2.0, 3.0, 5.0, 6.0} if u <= t) for t in times
    }
    scores = np.array([s - hazard[t] for s, t in zip(seen, times, strict=True)])
    here = abs(scores[[0, 3, 4]].sum())
    sums = [abs(scores[list(chosen)].sum()) for chosen in itertools.combinations(range(6), 3)]
    assert found.exact
    assert found.p == pytest.approx(np.mean(np.array(sums) >= here - 1e-9))


def test_seeds_are_never_rearranged_across_species():
    # cress always before radish; inside each species the twins are alike
    times = [3, 4, 3, 4, 8, 9, 8, 9]
    marks = [0, 0, 1, 1, 0, 0, 1, 1]

    assert logrank_rearranged(times, [1] * 8, marks, ["c"] * 4 + ["r"] * 4).p == pytest.approx(1.0)


def test_means_by_rearrangement_agree_with_scipy():
    a, b = [4.1, 5.0, 5.2, 6.0], [5.9, 6.4, 7.0, 7.7]
    theirs = scipy.stats.permutation_test(
        (a, b), lambda x, y: np.mean(x) - np.mean(y), permutation_type="independent", n_resamples=10_000
    )

    assert means_rearranged([*a, *b], [0] * 4 + [1] * 4, [0] * 8).p == pytest.approx(theirs.pvalue)


def test_equal_values_say_nothing():
    assert means_rearranged([5.0] * 6, [0, 0, 0, 1, 1, 1], [0] * 6).p == 1.0


def looks(chance, median, slower, per_group=(5, 4), spread=0.1, grid=1.0):
    """Seeds of two species at two twins, seen once a day."""
    second = np.repeat([0, 1], sum(per_group))
    kinds = np.tile(np.repeat([0, 1], per_group), 2)
    times = np.exp(chance.normal(np.log(median * np.where(kinds, 1.2, 1.0) * np.where(second, slower, 1.0)), spread))
    by = (np.ceil(times / grid - 0.95) + 0.95) * grid
    return np.maximum(by - grid, 0.0), by, second, kinds


def test_a_shift_is_found_where_it_is_and_nowhere_else():
    chance = np.random.default_rng(2)
    alike = [time_shift(*looks(chance, 3.5, 1.0)) for _ in range(150)]
    slower = [time_shift(*looks(chance, 3.5, 1.4)) for _ in range(40)]

    assert np.mean([each.p < 0.05 for each in alike]) <= 0.09  # 5 % expected, 3 standard errors above
    assert np.mean([each.ratio_low <= 1.0 <= each.ratio_high for each in alike]) >= 0.9
    assert np.mean([each.p < 0.05 for each in slower]) >= 0.9
    assert np.mean([each.ratio for each in slower]) == pytest.approx(1.4, abs=0.05)


def test_a_coarser_grid_of_looks_in_one_twin_is_not_taken_for_slower_seeds():
    chance = np.random.default_rng(3)
    p = []
    for _ in range(100):
        before, by, second, kinds = looks(chance, 70.0, 1.0, grid=18.0)
        fine = looks(chance, 70.0, 1.0, grid=22.0)
        mixed_before, mixed_by = np.where(second, fine[0], before), np.where(second, fine[1], by)
        p.append(time_shift(mixed_before, mixed_by, second, kinds).p)

    assert np.mean(np.array(p) < 0.05) <= 0.12  # 5 % expected, 3 standard errors above


def test_finely_watched_times_give_the_ratio_of_the_means_of_logarithms():
    chance = np.random.default_rng(4)
    times = np.exp(chance.normal(1.2, 0.2, 60))
    second = np.repeat([0, 1], 30)
    found = time_shift(times - 1e-3, times + 1e-3, second, np.zeros(60))

    logs = np.log(times)
    assert math.log(found.ratio) == pytest.approx(logs[30:].mean() - logs[:30].mean(), abs=1e-3)
    assert found.p == pytest.approx(scipy.stats.ttest_ind(logs[30:], logs[:30]).pvalue, abs=0.03)


def test_holm_raises_probabilities_as_in_his_paper():
    # by hand: 0.01 x 4, 0.03 x 3 (its successor may not be below it), 0.04 x 2, 0.2
    assert holm([0.04, 0.01, 0.2, 0.03]).tolist() == pytest.approx([0.09, 0.04, 0.2, 0.09])


def test_nine_against_nine_detect_thirteen_tenths_of_a_standard_deviation():
    # common power tables (two-sided 5 %, 80 %): about 1.32 standard deviations for nine in each group
    assert detectable_difference(1.0, 9, 9) == pytest.approx(1.32, abs=0.01)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: time_shift([1.0] * 6, [1.0] * 6, [0, 0, 0, 1, 1, 1], [0] * 6), "above before"),
        (lambda: time_shift([1.0] * 6, [2.0] * 6, [0, 0, 0, 0, 1, 1], [0] * 6), "three seeds"),
        (lambda: logrank_rearranged([1.0, 2.0], [1], [0, 1], [0, 0]), "one length"),
        (lambda: means_rearranged([1.0, 2.0], [0], [0, 0]), "one length"),
        (lambda: holm([1.2]), "probabilities"),
        (lambda: detectable_difference(0.0, 9, 9), "sd"),
    ],
)
def test_what_cannot_be_tested_is_refused_in_a_sentence(call, words):
    with pytest.raises(ValueError, match=words):
        call()
