"""Shares of a few seeds against published data and reference libraries."""

import numpy as np
import pytest
import scipy.stats

from controller.science.proportions import (
    exact_interval,
    fisher_p,
    fisher_power,
    heterogeneity,
    log_odds,
    wilson_interval,
)
from tests.reference_rows import row_id, rows

PLATES = rows("orobanche_data.csv")  # Crowder (1978), Appl. Stat. 27:34-37, Table 3
HITS = [int(plate["y"]) for plate in PLATES]
SOWN = [int(plate["n"]) for plate in PLATES]
GROUPS = [f"{plate['seed']} {plate['root']}" for plate in PLATES]


def group_log_odds(name):
    wanted = [place for place, group in enumerate(GROUPS) if group == name]
    return log_odds(sum(HITS[place] for place in wanted), sum(SOWN[place] for place in wanted))


@pytest.mark.parametrize("row", rows("crowder.csv"), ids=row_id)
def test_crowders_seeds_come_out_as_published(row):
    spread = heterogeneity(HITS, SOWN, GROUPS)
    if row["statistic"] in ("deviance", "pearson"):
        assert getattr(spread, row["statistic"]) == pytest.approx(float(row["value"]), abs=0.005)
        return
    names = row["statistic"].removeprefix("log_odds ").split(" less ")
    value, se = group_log_odds(names[0])
    if len(names) == 2:
        other, other_se = group_log_odds(names[1])
        value, se = value - other, float(np.hypot(se, other_se))
    assert value == pytest.approx(float(row["value"]), abs=5e-5)
    assert se == pytest.approx(float(row["standard_error"]), abs=5e-5)


def test_crowders_plates_differ_more_than_chance_makes_them():
    spread = heterogeneity(HITS, SOWN, GROUPS)

    assert spread.df == 17
    assert spread.dispersion == pytest.approx(spread.pearson / 17)
    assert spread.dispersion > 1.5


def test_batches_of_one_share_show_no_heterogeneity():
    assert heterogeneity([5, 5, 5], [10, 10, 10], [1, 1, 1]).pearson == pytest.approx(0.0)


@pytest.mark.parametrize(("hits", "sown"), [(0, 9), (1, 9), (5, 9), (8, 9), (9, 9), (37, 40)])
@pytest.mark.parametrize("confidence", [0.9, 0.95])
def test_intervals_are_those_of_scipy(hits, sown, confidence):
    for ours, method in ((wilson_interval, "wilson"), (exact_interval, "exact")):
        low, high = scipy.stats.binomtest(hits, sown).proportion_ci(confidence, method=method)
        found = ours(hits, sown, confidence)
        assert found.share_fraction == pytest.approx(hits / sown)
        assert (found.low_fraction, found.high_fraction) == pytest.approx((low, high), abs=1e-9)


def test_the_exact_interval_never_covers_less_than_it_says():
    intervals = [exact_interval(hits, 9) for hits in range(10)]
    for share in np.linspace(0.02, 0.98, 25):
        chance = scipy.stats.binom.pmf(range(10), 9, share)
        covered = sum(c for c, i in zip(chance, intervals, strict=True) if i.low_fraction <= share <= i.high_fraction)
        assert covered >= 0.95 - 1e-12


@pytest.mark.parametrize(
    ("a", "n", "b", "k"), [(9, 9, 4, 9), (5, 9, 5, 9), (0, 7, 3, 9), (9, 9, 9, 9), (12, 40, 25, 38)]
)
def test_fishers_test_is_that_of_scipy(a, n, b, k):
    assert fisher_p(a, n, b, k) == pytest.approx(scipy.stats.fisher_exact([[a, n - a], [b, k - b]]).pvalue)


def test_power_is_the_share_of_outcomes_in_which_the_test_speaks():
    chance = np.random.default_rng(5)
    seen = [
        fisher_p(int(a), 9, int(b), 9) <= 0.05
        for a, b in zip(chance.binomial(9, 0.95, 4000), chance.binomial(9, 0.4, 4000), strict=True)
    ]

    assert fisher_power(0.95, 9, 0.4, 9) == pytest.approx(np.mean(seen), abs=0.025)


def test_alike_shares_are_called_different_in_at_most_one_of_twenty():
    assert max(fisher_power(share, 9, share, 9) for share in (0.5, 0.7, 0.9)) <= 0.05


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: wilson_interval(10, 9), "successes"),
        (lambda: wilson_interval(-1, 9), "successes"),
        (lambda: wilson_interval(0, 0), "trials"),
        (lambda: wilson_interval(1.5, 9), "whole number"),
        (lambda: exact_interval(1, 9, 1.0), "confidence_fraction"),
        (lambda: log_odds(9, 9), "both excluded"),
        (lambda: heterogeneity([1, 2], [5, 5], [1, 2]), "fewer groups"),
        (lambda: heterogeneity([6], [5], [1]), "more successes"),
    ],
)
def test_impossible_counts_are_refused_in_a_sentence(call, words):
    with pytest.raises(ValueError, match=words):
        call()
