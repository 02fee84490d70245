"""Emergence known only between two looks: scores against lifelines and the plain log-rank, and what chance does."""

import math

import numpy as np
import pytest
from lifelines import KaplanMeierFitter

from controller.science.between_looks import (
    lateness_scores,
    logrank_scores,
    time_shift,
    vigour_power,
    vigour_rearranged,
)
from controller.science.emergence import logrank_rearranged
from controller.science.rearranged import scores_rearranged
from tests.reference_rows import rows

PATIENTS = rows("freireich_data.csv")  # Freireich et al. (1963), Blood 21:699-716


def test_known_times_give_the_log_rank_test_of_the_leukaemia_trial():
    """Intervals as narrow as the weeks of the trial are times that are known."""
    times = np.array([float(each["time"]) for each in PATIENTS])
    seen = np.array([each["cens"] == "1" for each in PATIENTS])
    drug = [each["treat"] == "6-MP" for each in PATIENTS]
    kinds = ["patients"] * len(times)
    before = np.where(seen, times - 1e-6, times)
    scores = logrank_scores(before, np.where(seen, times, np.inf), kinds)

    assert scores_rearranged(scores, drug, kinds).statistic == pytest.approx(
        logrank_rearranged(times, seen, drug, kinds).statistic, rel=0.03
    )


def test_the_curve_behind_the_scores_is_that_of_lifelines():
    """S log S over the interval (Finkelstein 1986), from lifelines' curve of interval-censored times."""
    # lifelines takes intervals as closed, so none may touch another at its end
    before, by = [2.01, 2.01, 3.01, 3.01, 4.01, 5.01, 5.01], [3.0, 4.0, 4.0, 5.0, 5.0, 6.0, math.inf]
    fitter = KaplanMeierFitter().fit_interval_censoring(before, by)
    curve = fitter.survival_function_.iloc[:, -1]

    def left(t):
        return 0.0 if math.isinf(t) else float(curve[curve.index <= t + 1e-9].iloc[-1])

    def log_times(s):
        return s * math.log(s) if s > 0.0 else 0.0

    theirs = [(log_times(left(a)) - log_times(left(b))) / (left(a) - left(b)) for a, b in zip(before, by, strict=True)]
    assert logrank_scores(before, by, ["cress"] * 7) == pytest.approx(theirs, abs=2e-3)


def test_late_seeds_have_high_lateness_and_lost_ones_none():
    scores = lateness_scores([2.0, 3.0, 4.0, 6.0], [3.0, 4.0, 5.0, math.inf], ["cress"] * 4)

    assert scores[0] < scores[1] < scores[2]
    assert scores[3] == 0.0
    assert scores.sum() == pytest.approx(0.0, abs=1e-3)  # at the fitted median the slope is level


def seeds(chance, viable, slower, offset_h, count=9):
    """Looks once a day at an hour of its own; times in days."""
    times = np.where(chance.random(count) < viable, chance.lognormal(math.log(3.6), 0.11, count) * slower, np.inf)
    looks = offset_h / 24.0 + np.arange(0, 21)
    before = np.array([max([0.0, *looks[looks < t]]) for t in times])
    by = np.array([min(looks[looks >= t], default=np.inf) for t in times])
    return before, by


def share_found(test, viable, slower, pairs=120, offsets=(22.9, 17.9)):
    chance, found = np.random.default_rng(7), 0
    for _ in range(pairs):
        a, b = seeds(chance, 0.94, 1.0, offsets[0]), seeds(chance, viable, slower, offsets[1])
        before, by = np.concatenate((a[0], b[0])), np.concatenate((a[1], b[1]))
        found += test(before, by, [False] * 9 + [True] * 9, (["cress"] * 5 + ["radish"] * 4) * 2) < 0.05
    return found / pairs


def vigour(before, by, second, kinds):
    return vigour_rearranged(before, by, second, kinds, draws=1000).p


def grid(before, by, second, kinds):
    """The log-rank test on the days of the looks, as if seeds came up at them."""
    last = np.where(np.isinf(by), before, by)
    return logrank_rearranged(last, np.isfinite(by), second, kinds, draws=1000).p


def curves(before, by, second, kinds):
    return scores_rearranged(logrank_scores(before, by, kinds), second, kinds, draws=1000).p


def test_looks_at_other_hours_are_not_taken_for_other_seeds():
    """Twins begin at different hours, so their looks are at different ages: that alone must not be found."""
    assert share_found(vigour, 0.94, 1.0) <= 0.10  # 0.054 of 500 such pairs
    assert share_found(curves, 0.94, 1.0) <= 0.05
    assert share_found(grid, 0.94, 1.0) > 0.10  # what the days of the looks by themselves would make of it


def test_bad_seed_is_found_about_as_often_as_is_said():
    seen = share_found(vigour, 0.6, 1.25)

    assert seen >= 0.7
    assert vigour_power(0.94, 9, 0.6, 9, 1.25, math.hypot(0.11, 1.0 / 3.8 / math.sqrt(12.0))) == pytest.approx(
        seen, abs=0.12
    )


def test_more_seeds_and_worse_seed_are_noticed_more_often():
    powers = [vigour_power(0.95, n, 0.6, n, ratio, 0.13) for n, ratio in ((5, 1.25), (9, 1.25), (9, 1.4), (30, 1.4))]

    assert powers == sorted(powers)
    assert powers[-1] > 0.999


def test_seed_that_only_fails_and_seed_that_is_only_late_are_told_apart():
    kinds, second = ["cress"] * 24, [False] * 12 + [True] * 12
    early = ([3.0] * 6 + [4.0] * 6, [4.0] * 6 + [5.0] * 6)
    fails = vigour_rearranged(early[0] + [20.0] * 9 + [3.0, 4.0, 4.0], early[1] + [math.inf] * 9 + [4.0, 5.0, 5.0],
                              second, kinds)  # fmt: skip
    late = vigour_rearranged(early[0] + [6.0] * 6 + [7.0] * 6, early[1] + [7.0] * 6 + [8.0] * 6, second, kinds)

    assert fails.p_each[0] < 0.01 < fails.p_each[1]
    assert late.p_each[1] < 0.01 < late.p_each[0]


def test_no_seedling_at_all_is_no_difference():
    assert vigour_rearranged([20.0] * 6, [math.inf] * 6, [False] * 3 + [True] * 3, ["cress"] * 6).p == 1.0


@pytest.mark.parametrize("call", [
    lambda: logrank_scores([2.0], [3.0, 4.0], ["a"]),
    lambda: lateness_scores([3.0], [3.0], ["a"]),
    lambda: time_shift([1.0] * 6, [1.0] * 6, [0, 0, 0, 1, 1, 1], ["a"] * 6),
])  # fmt: skip
def test_what_cannot_be_meant_is_refused(call):
    with pytest.raises(ValueError, match=r"of one length|must lie above before|below"):
        call()
