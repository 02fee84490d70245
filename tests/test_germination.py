"""Germination indices against a published worked example; survival against Freireich (1963) and scipy."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from controller.science.germination import (
    germination_cv,
    germination_index,
    germination_variance,
    kaplan_meier,
    logrank,
    mean_germination_time,
    synchrony_z,
    t50_coolbear,
    t50_farooq,
    uncertainty_bit,
)
from tests.reference_rows import row_id, rows

# The documentation example and the table of the germinationmetrics package (Aravind et al.): daily counts.
EXAMPLE = {row["id"]: row for row in rows("germination_example.csv")}
COUNTS = [int(count) for count in EXAMPLE["mgt"]["counts"].split()]
DAYS = list(range(1, 15))
ONE_SEED = [t50_coolbear, t50_farooq, mean_germination_time, uncertainty_bit]
TWO_SEEDS = [germination_variance, germination_cv, synchrony_z]


@pytest.mark.parametrize(
    ("name", "function"),
    [
        ("t50_coolbear", t50_coolbear),
        ("t50_farooq", t50_farooq),
        ("mgt", mean_germination_time),
        ("var_mgt", germination_variance),
        ("cv_mgt", germination_cv),
        ("uncertainty_U", uncertainty_bit),
        ("synchrony_Z", synchrony_z),
    ],
)
def test_an_index_agrees_with_the_worked_example_to_all_its_digits(name, function):
    assert function(COUNTS, DAYS) == pytest.approx(float(EXAMPLE[name]["value"]), rel=1e-13)


def test_other_printed_figures_of_the_example_follow_from_the_same_indices():
    mean, variance = mean_germination_time(COUNTS, DAYS), germination_variance(COUNTS, DAYS)
    for name, found in (
        ("mgr", 1.0 / mean),
        ("cvg", 100.0 / mean),
        ("se_mgt", math.sqrt(variance / sum(COUNTS))),
        ("cug", sum(COUNTS) / (variance * (sum(COUNTS) - 1))),
    ):
        assert found == pytest.approx(float(EXAMPLE[name]["value"]), rel=1e-13)


def test_the_germination_index_weights_by_t_last_minus_t():
    # The example prints 5.84 for 50 seeds sown and 7.3 for the 40 germinated; weighting by T + 1 - t, as some
    # textbooks do, would give 6.64 and is not what is meant here.
    assert germination_index(COUNTS, DAYS, 50) == pytest.approx(float(EXAMPLE["germ_index"]["value"]), rel=1e-13)
    germinated = germination_index(COUNTS, DAYS, 40)
    assert germinated == pytest.approx(float(EXAMPLE["germ_index_sa"]["value"]), rel=1e-13)


@pytest.mark.parametrize("row", rows("germination_table.csv"), ids=row_id)
def test_indices_agree_with_the_published_table_of_nine_batches(row):
    counts = [int(count) for count in row["counts"].split()]
    for function, name in (
        (t50_coolbear, "t50_coolbear_plain"),
        (t50_farooq, "t50_farooq_plain"),
        (mean_germination_time, "mean_germination_time"),
        (germination_variance, "variance"),
        (germination_cv, "cv"),
    ):
        assert function(counts, DAYS) == pytest.approx(float(row[name]), abs=0.51e-6)
    assert 100.0 / mean_germination_time(counts, DAYS) == pytest.approx(float(row["velocity"]), abs=0.51e-5)


def test_t50_departs_from_the_published_table_only_where_a_count_meets_the_half_exactly():
    # The package passes over such a count and interpolates across two intervals; the definition does not.
    for row in rows("germination_table.csv"):
        cumulative = np.cumsum([int(count) for count in row["counts"].split()])
        for name, half in (("t50_coolbear", (cumulative[-1] + 1) / 2), ("t50_farooq", cumulative[-1] / 2)):
            differs = row[f"{name}_plain"] != row[f"{name}_printed"]
            assert differs == (half in cumulative)


def test_t50_is_the_observation_day_when_the_half_is_met_there():
    assert t50_farooq([0, 2, 0, 2], [1, 2, 3, 4]) == 2.0
    assert t50_coolbear([1, 1, 1], [1, 2, 3]) == 2.0


def test_t50_before_the_first_observation_is_interpolated_from_nothing_on_day_zero():
    # By hand: ten seeds all seen on day 4; the fifth at 5/10 and the 5.5th at 5.5/10 of the way from day 0.
    assert t50_farooq([10, 0], [4, 5]) == pytest.approx(2.0)
    assert t50_coolbear([10, 0], [4, 5]) == pytest.approx(2.2)


def test_one_seed_on_one_day_is_certain_and_has_no_spread():
    assert mean_germination_time([0, 1, 0], [1, 2, 3]) == 2.0
    assert uncertainty_bit([0, 1, 0], [1, 2, 3]) == 0.0
    assert t50_coolbear([0, 1, 0], [1, 2, 3]) == 2.0
    assert germination_variance([0, 2, 0], [1, 2, 3]) == 0.0
    assert synchrony_z([0, 2, 0], [1, 2, 3]) == 1.0
    assert synchrony_z([1, 1, 0], [1, 2, 3]) == 0.0
    assert uncertainty_bit([1, 1, 1, 1], [1, 2, 3, 4]) == 2.0


@given(st.lists(st.integers(0, 30), min_size=2, max_size=20).filter(lambda counts: sum(counts) >= 2))
def test_moments_equal_those_of_the_single_seeds(counts):
    days = np.cumsum(np.arange(1, len(counts) + 1) % 3 + 1)
    seeds = np.repeat(days, counts)
    assert mean_germination_time(counts, days) == pytest.approx(seeds.mean(), rel=1e-12)
    assert germination_variance(counts, days) == pytest.approx(seeds.var(ddof=1), rel=1e-9, abs=1e-9)
    assert uncertainty_bit(counts, days) == pytest.approx(stats.entropy(counts, base=2), abs=1e-12)
    assert 0.0 < t50_farooq(counts, days) <= t50_coolbear(counts, days) <= days[-1]


def test_a_batch_that_did_not_germinate_has_an_index_of_zero_and_no_times():
    assert germination_index([0, 0], [1, 2], 10) == 0.0
    for function in ONE_SEED:
        with pytest.raises(ValueError, match=r"counts must hold 1 germinated or more, found 0"):
            function([0, 0], [1, 2])


@pytest.mark.parametrize("function", TWO_SEEDS)
def test_spread_and_synchrony_need_two_germinated_seeds(function):
    assert math.isfinite(function([1, 1], [1, 2]))
    with pytest.raises(ValueError, match=r"counts must hold 2 germinated or more, found 1"):
        function([0, 1], [1, 2])


@pytest.mark.parametrize("function", [*ONE_SEED, *TWO_SEEDS, lambda c, d: germination_index(c, d, 50)])
def test_broken_counts_and_days_are_refused_by_name(function):
    for counts, days, message in (
        ([], [], "counts must hold at least one number, found none"),
        ([2, -1], [1, 2], "counts must be 0 or more, found -1.0"),
        ([2, 1.5], [1, 2], "counts must be whole numbers, found 1.5"),
        ([2, math.nan], [1, 2], "counts must be 0 or more, found nan"),
        ([2, 1], [1, 2, 3], r"days must be as long as counts \(2\), found 3 numbers"),
        ([2, 1], [0, 1], r"days must start above 0 and rise, found \[0.0, 1.0\]"),
        ([2, 1], [3, 3], r"days must start above 0 and rise, found \[3.0, 3.0\]"),
        ([[2, 1]], [1, 2], "counts must be a row of 1 numbers or more"),
    ):
        with pytest.raises(ValueError, match=message):
            function(counts, days)


def test_more_seeds_cannot_germinate_than_were_sown():
    assert germination_index([3, 0], [1, 2], 3) == 1.0
    with pytest.raises(ValueError, match=r"seeds_sown must be at least the 3 germinated, found 2"):
        germination_index([3, 0], [1, 2], 2)
    with pytest.raises(ValueError, match=r"seeds_sown must be above 0, found 0\.0"):
        germination_index([0, 0], [1, 2], 0)


# Freireich et al. (1963), Blood 21:699-716: weeks of remission, 1 for a relapse and 0 for a watch cut short.
def arm(treatment):
    patients = [row for row in rows("freireich_data.csv") if row["treat"] == treatment]
    return [float(row["time"]) for row in patients], [row["cens"] == "1" for row in patients]


@pytest.mark.parametrize("row", rows("freireich_survival.csv"), ids=row_id)
def test_the_product_limit_estimate_agrees_with_the_leukaemia_trial(row):
    curve = kaplan_meier(*arm("6-MP"))
    (found,) = curve.survival[curve.times == float(row["time_weeks"])]
    assert abs(found - float(row["survival"])) <= 0.51e-4


@pytest.mark.parametrize(("treatment", "median_weeks"), [("6-MP", 23.0), ("control", 8.0)])
def test_median_remissions_of_the_trial_are_23_and_8_weeks(treatment, median_weeks):
    # As in Kleinbaum and Klein, Survival Analysis, ch. 2.
    curve = kaplan_meier(*arm(treatment))
    assert curve.times[curve.survival <= 0.5][0] == median_weeks


def test_the_log_rank_test_agrees_with_the_leukaemia_trial():
    (row,) = rows("freireich_logrank.csv")
    found = logrank(*arm("6-MP"), *arm("control"))
    assert found.statistic == pytest.approx(float(row["statistic"]), abs=0.51e-6)
    assert found.p == pytest.approx(float(row["p"]), rel=2e-4)


WATCHED = st.lists(st.tuples(st.integers(0, 12), st.booleans()), min_size=1, max_size=25)


def split(group):
    return [float(time) for time, _ in group], [seen for _, seen in group]


@given(WATCHED)
def test_the_product_limit_estimate_equals_that_of_scipy(group):
    times, observed = split(group)
    curve = kaplan_meier(times, observed)
    uncensored = [t for t, seen in zip(times, observed, strict=True) if seen]
    right = [t for t, seen in zip(times, observed, strict=True) if not seen]
    assert curve.times.tolist() == sorted(set(uncensored))
    if uncensored:
        expected = stats.ecdf(stats.CensoredData(uncensored, right=right)).sf
        assert curve.survival == pytest.approx(expected.evaluate(curve.times), abs=1e-12)


@given(WATCHED, WATCHED)
def test_the_log_rank_statistic_equals_that_of_scipy(first, second):
    a, b = split(first), split(second)
    try:
        found = logrank(*a, *b)
    except ValueError:
        shared = [t for t, seen in [*first, *second] if seen and t <= min(max(a[0]), max(b[0]))]
        at_risk = [sum(t >= moment for t in a[0] + b[0]) for moment in shared]
        events = [sum(seen and t == moment for t, seen in [*first, *second]) for moment in shared]
        assert at_risk == events  # nobody is left to tell the groups apart
        return
    # scipy's statistic is the signed root of the chi-square.
    x = stats.CensoredData([t for t, seen in first if seen], right=[t for t, seen in first if not seen])
    y = stats.CensoredData([t for t, seen in second if seen], right=[t for t, seen in second if not seen])
    expected = stats.logrank(x, y)
    assert found.statistic == pytest.approx(expected.statistic**2, rel=1e-9, abs=1e-12)
    assert found.p == pytest.approx(expected.pvalue, rel=1e-9)


def test_a_curve_without_events_is_empty_and_one_without_losses_ends_at_zero():
    nothing_seen = kaplan_meier([5.0, 6.0], [False, False])
    assert nothing_seen.times.size == nothing_seen.survival.size == 0
    assert kaplan_meier([5.0, 6.0], [True, True]).survival.tolist() == [0.5, 0.0]


def test_groups_that_cannot_be_compared_are_refused():
    with pytest.raises(ValueError, match=r"times_a and times_b must share a time at which both"):
        logrank([1.0, 2.0], [False, False], [3.0], [False])
    with pytest.raises(ValueError, match=r"times_a and times_b must share a time at which both"):
        logrank([1.0], [False], [3.0], [True])


def test_broken_times_and_marks_are_refused_by_name():
    good = ([1.0, 2.0], [True, False])
    for times, observed, message in (
        ([], [], "must hold at least one number, found none"),
        ([1.0, -2.0], [1, 1], "must be 0 or more, found -2.0"),
        ([1.0, math.nan], [1, 1], "must be 0 or more, found nan"),
        ([1.0, 2.0], [1], r"must be as long as .* \(2\), found 1 numbers"),
        ([1.0, 2.0], [1, 2], "must be True or False, found 2.0"),
        ([1.0, 2.0], ["yes", "no"], "must be a number or an array of numbers"),
    ):
        with pytest.raises(ValueError, match=f"(times|observed) {message}"):
            kaplan_meier(times, observed)
        with pytest.raises(ValueError, match=f"(times|observed)_a {message}"):
            logrank(times, observed, *good)
        with pytest.raises(ValueError, match=f"(times|observed)_b {message}"):
            logrank(*good, times, observed)
