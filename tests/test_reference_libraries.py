"""Our statistics beside the libraries that statisticians use. They are test-only: nothing here needs them to run."""

import warnings

import numpy as np
import pytest

from controller.science.agreement import tost_independent, tost_paired
from controller.science.emergence import survival_intervals
from controller.science.germination import logrank
from controller.science.proportions import heterogeneity, log_odds, wilson_interval
from controller.science.rearranged import holm
from tests.reference_rows import rows

PATIENTS = rows("freireich_data.csv")
PLATES = rows("orobanche_data.csv")


@pytest.fixture(scope="module")
def lifelines():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return pytest.importorskip("lifelines")


@pytest.fixture(scope="module")
def stats():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        pytest.importorskip("statsmodels")
        import statsmodels.api
        import statsmodels.stats.multitest
        import statsmodels.stats.proportion
        import statsmodels.stats.weightstats
    return statsmodels


def arm(name):
    wanted = [each for each in PATIENTS if each["treat"] == name]
    return [float(each["time"]) for each in wanted], [each["cens"] == "1" for each in wanted]


@pytest.mark.parametrize("name", ["6-MP", "control"])
def test_the_curve_and_its_interval_are_those_of_lifelines(lifelines, name):
    times, seen = arm(name)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = lifelines.KaplanMeierFitter().fit(times, seen)
        bounds = theirs.confidence_interval_survival_function_
    ours = survival_intervals(times, seen)

    assert ours.median == theirs.median_survival_time_
    for moment, share, low, high in zip(ours.times, ours.survival, ours.low, ours.high, strict=True):
        assert share == pytest.approx(float(theirs.survival_function_at_times(moment).iloc[0]))
        if share > 0.0:
            assert (low, high) == pytest.approx(tuple(bounds.loc[moment]), abs=1e-9)


def test_the_log_rank_test_is_that_of_lifelines(lifelines):
    from lifelines.statistics import logrank_test

    (a, seen_a), (b, seen_b) = arm("6-MP"), arm("control")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = logrank_test(a, b, seen_a, seen_b)
    ours = logrank(a, seen_a, b, seen_b)

    assert ours.statistic == pytest.approx(theirs.test_statistic)
    assert ours.p == pytest.approx(theirs.p_value)


def test_equivalence_tests_are_those_of_statsmodels(stats):
    chance = np.random.default_rng(1)
    a, b = chance.normal(20.0, 1.0, 21), chance.normal(20.2, 1.2, 21)
    paired = stats.stats.weightstats.ttost_paired(a, b, -1.0, 1.0)[0]
    apart = stats.stats.weightstats.ttost_ind(a, b, -1.0, 1.0, usevar="unequal")[0]

    assert tost_paired(a, b, -1.0, 1.0).p == pytest.approx(paired)
    assert tost_independent(a, b, -1.0, 1.0).p == pytest.approx(apart)


def test_crowders_seeds_are_those_of_a_logistic_regression(stats):
    y, n = (np.array([float(plate[name]) for plate in PLATES]) for name in ("y", "n"))
    seed = np.array([plate["seed"] == "O73" for plate in PLATES], dtype=float)
    root = np.array([plate["root"] == "CUCUMBER" for plate in PLATES], dtype=float)
    design = np.column_stack([np.ones_like(y), seed, root, seed * root])
    theirs = stats.api.GLM(np.column_stack([y, n - y]), design, family=stats.api.families.Binomial()).fit()
    ours = heterogeneity(y, n, [f"{s}{r}" for s, r in zip(seed, root, strict=True)])
    first = (seed == 0) & (root == 0)

    assert (ours.pearson, ours.deviance) == pytest.approx((theirs.pearson_chi2, theirs.deviance))
    assert log_odds(int(y[first].sum()), int(n[first].sum())) == pytest.approx((theirs.params[0], theirs.bse[0]))


def test_holm_and_wilson_are_those_of_statsmodels(stats):
    p = [0.04, 0.01, 0.2, 0.03, 0.03]
    theirs = stats.stats.multitest.multipletests(p, method="holm")[1]

    assert holm(p).tolist() == pytest.approx(theirs.tolist())
    ours = wilson_interval(7, 9)
    assert (ours.low_fraction, ours.high_fraction) == pytest.approx(
        stats.stats.proportion.proportion_confint(7, 9, method="wilson")
    )
