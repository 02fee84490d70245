"""Tests by rearrangement against scipy and statsmodels, and against what chance itself does."""

import itertools

import numpy as np
import pytest
import scipy.stats
from statsmodels.stats.multitest import multipletests

from controller.science.rearranged import (
    groups_rearranged,
    holm,
    largest_rearranged,
    means_rearranged,
    scale_to_unit,
    scores_rearranged,
)

A, B = [3.1, 4.0, 2.2, 5.3, 4.4], [5.9, 6.1, 4.9, 7.0]
MARKS = [False] * 5 + [True] * 4
ONE = ["cress"] * 9


def test_the_exact_probability_is_that_of_scipy():
    theirs = scipy.stats.permutation_test(
        (A, B), lambda a, b: np.mean(a) - np.mean(b), permutation_type="independent", n_resamples=np.inf
    )
    ours = means_rearranged([*A, *B], MARKS, ONE)

    assert ours.exact
    # scipy doubles the smaller tail, here every rearrangement that lies as far on either side counts
    assert ours.p == pytest.approx(theirs.pvalue, abs=0.01)
    sums = [sum(rest) for rest in itertools.combinations([*A, *B], 4)]
    middle = 4 * np.mean([*A, *B])
    assert ours.p == np.mean([abs(each - middle) >= abs(sum(B) - middle) - 1e-9 for each in sums])


def test_ranks_of_several_groups_give_the_statistic_of_kruskal_and_wallis():
    c = [1.0, 2.0, 2.5, 8.0]
    ranks = scipy.stats.rankdata([*A, *B, *c])
    theirs = scipy.stats.kruskal(A, B, c)
    ours = groups_rearranged(ranks, [*"aaaaabbbbcccc"], ["cress"] * 13)

    assert ours.statistic == pytest.approx(theirs.statistic)
    assert ours.p == pytest.approx(theirs.pvalue, abs=0.03)  # theirs is for large groups


def test_marks_of_several_groups_give_pearsons_statistic():
    up = [1] * 8 + [0] + [1] * 5 + [0] * 4 + [1] * 9
    groups = [*("a" * 9), *("b" * 9), *("c" * 9)]
    table = [[8, 1], [5, 4], [9, 0]]
    theirs = scipy.stats.chi2_contingency(table, correction=False)
    n = len(up)

    ours = groups_rearranged(up, groups, ["cress"] * n)
    assert ours.statistic == pytest.approx(theirs.statistic * (n - 1) / n)
    exact = scipy.stats.fisher_exact(table, method=scipy.stats.PermutationMethod(n_resamples=999, rng=1))
    assert ours.p == pytest.approx(exact.pvalue, abs=0.03)


def test_one_question_is_as_sure_alone_as_among_its_likes():
    alone = scores_rearranged([*A, *B], MARKS, ONE)
    same = largest_rearranged([[*A, *B], [*A, *B]], MARKS, ONE)

    assert same.p == pytest.approx(alone.p)
    assert same.z[0] ** 2 == pytest.approx(alone.statistic)


def test_a_second_question_costs_something_and_less_than_twice():
    other = [1.0, 5.0, 2.0, 4.0, 3.0, 2.0, 5.0, 1.0, 4.0]
    alone = scores_rearranged([*A, *B], MARKS, ONE).p
    among = largest_rearranged([[*A, *B], other], MARKS, ONE).p_each[0]

    assert alone < among <= 2.0 * alone + 1e-9


def test_what_a_question_does_not_know_has_no_say():
    values = np.array([*A, *B, np.nan])
    with_gap = largest_rearranged(values, [*MARKS, True], [*ONE, "radish"])

    assert with_gap.p == pytest.approx(scores_rearranged([*A, *B], MARKS, ONE).p)


def test_strata_are_never_mixed():
    """A species that stands only in one twin says nothing."""
    assert means_rearranged([1.0, 2.0, 9.0, 9.5], [False, False, True, True], ["a", "a", "b", "b"]).p == 1.0


def test_without_any_difference_nothing_is_found():
    assert scores_rearranged([1.0] * 9, MARKS, ONE).p == 1.0
    assert largest_rearranged([[1.0] * 9], MARKS, ONE).p == 1.0
    assert groups_rearranged([1.0] * 9, [*"aaabbbccc"], ONE).p == 1.0
    assert not scale_to_unit([1.0] * 9, MARKS, ONE).any()


def test_raised_probabilities_are_those_of_statsmodels():
    p = [0.01, 0.04, 0.03, 0.005, 0.2]
    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1])


def test_a_question_of_more_weight_is_raised_less():
    """By hand (Holm 1979): the least of p / w first, times the weight that is left."""
    assert holm([0.02, 0.02], [0.75, 0.25]).tolist() == pytest.approx([0.02 / 0.75, 0.02 / 0.75])
    assert holm([0.02, 0.30], [0.75, 0.25]).tolist() == pytest.approx([0.02 / 0.75, 0.30])
    with pytest.raises(ValueError, match="as many as probabilities"):
        holm([0.1, 0.2], [1.0])


@pytest.mark.parametrize("call", [
    lambda: scores_rearranged([1.0, 2.0], [True], ["a", "a"]),
    lambda: largest_rearranged([[1.0, 2.0]], [True, False], ["a"]),
    lambda: groups_rearranged([1.0, 2.0], ["a", "b"], ["a"]),
])  # fmt: skip
def test_unequal_lengths_are_refused(call):
    with pytest.raises(ValueError, match="of one length"):
        call()
