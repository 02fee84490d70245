"""Agreement against Bland and Altman (1986), the sleep data, and worked examples of equivalence tests."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats

from controller.science.agreement import (
    limits_of_agreement,
    mean_of_series,
    spread_of_series,
    tost_independent,
    tost_paired,
    tost_summary,
    welch,
)
from tests.reference_rows import row_id, rows

# Peak expiratory flow, first readings of two meters: Bland and Altman (1986), Lancet i:307-310, Table 1.
WRIGHT = [float(row["wright1"]) for row in rows("peak_flow_data.csv")]
MINI = [float(row["mini1"]) for row in rows("peak_flow_data.csv")]
# Extra hours of sleep under two drugs: Student (1908), data of Cushny and Peebles.
SLEEP = (
    [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0],
    [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4],
)
# Yields A and B of the two-sample equivalence example in the NCSS documentation.
YIELDS = (
    [452, 874, 554, 447, 356, 754, 558, 574, 664, 682, 547, 435, 245],
    [546, 547, 774, 465, 459, 665, 467, 365, 589, 534, 456, 651, 654, 665, 546, 537],
)


def with_moments(mean, sd, n):
    """Invented values that have exactly this mean and standard deviation."""
    raw = np.sin(np.arange(n) * 1.7)
    return mean + sd * (raw - raw.mean()) / raw.std(ddof=1)


SUMMARY_TWO = (with_moments(5.25, 0.95, 95), with_moments(5.22, 0.83, 89))
SUMMARY_ONE = (with_moments(0.52, 0.5, 300), np.full(300, 0.5))

# Each worked example: its test as a function of the bounds, and the bounds of the example.
EXAMPLES = {
    "sleep_tost_welch": (lambda low, high: tost_independent(*SLEEP, low, high), 0.5),
    "sleep_paired": (lambda low, high: tost_paired(*SLEEP, low, high), 0.5),
    "ncss_tost_pooled": (lambda low, high: tost_independent(*YIELDS, low, high, equal_variances=True), 110.0),
    "ncss_tost_welch": (lambda low, high: tost_independent(*YIELDS, low, high), 110.0),
    "tost_summary_two": (lambda low, high: tost_independent(*SUMMARY_TWO, low, high), 0.384),
    "tost_summary_one_raw": (lambda low, high: tost_paired(*SUMMARY_ONE, low, high), 0.1),
}


def last_digit(text):
    return 10.0 ** -len(text.partition(".")[2])


def published(*prefixes):
    return [row for row in rows("agreement.csv") if row["statistic"].startswith(prefixes)]


@pytest.mark.parametrize("row", [r for r in rows("agreement.csv") if r["method"] == "limits"], ids=row_id)
def test_limits_of_agreement_agree_with_the_peak_flow_data(row):
    # The rows of the limits take the normal quantile to ten digits, which 1.96 rounds.
    found = limits_of_agreement(WRIGHT, MINI, 1.959963985)
    assert abs(getattr(found, row["statistic"]) - float(row["value"])) <= 0.51 * last_digit(row["value"])


def test_the_limits_of_bland_and_altman_are_two_rounded_standard_deviations_from_the_rounded_bias():
    printed = {r["statistic"]: float(r["value"]) for r in rows("agreement.csv") if "2 sd" in r["method"]}
    found = limits_of_agreement(WRIGHT, MINI, multiplier=2)
    bias, sd = round(found.bias, 1), round(found.sd, 1)
    assert (bias - 2 * sd, bias + 2 * sd) == pytest.approx((printed["low"], printed["high"]), abs=1e-9)
    assert (found.low, found.high) == pytest.approx((printed["low"], printed["high"]), abs=0.09)


def test_the_default_limits_lie_196_standard_deviations_from_the_bias():
    found = limits_of_agreement(WRIGHT, MINI)
    assert (round(found.low, 1), round(found.high, 1)) == (-78.1, 73.9)
    assert found.high - found.bias == pytest.approx(1.96 * found.sd, rel=1e-12)


@pytest.mark.parametrize("row", [r for r in published("") if r["method"] == "welch"], ids=row_id)
def test_welch_agrees_with_the_sleep_data(row):
    assert abs(getattr(welch(*SLEEP), row["statistic"]) - float(row["value"])) <= 0.51 * last_digit(row["value"])


@pytest.mark.parametrize("row", [r for r in published("p") if r["method"].startswith("tost")], ids=row_id)
def test_two_one_sided_tests_agree_with_worked_examples(row):
    test, bound = EXAMPLES[row["check"]]
    found = getattr(test(-bound, bound), row["statistic"])
    assert abs(found - float(row["value"])) <= 0.51 * last_digit(row["value"])


@pytest.mark.parametrize("row", published("interval"), ids=row_id)
def test_a_bound_at_the_end_of_the_published_interval_has_half_its_error_probability(row):
    # A 90 % interval has 0.05 beyond each end, a 95 % interval 0.025: the same t as the one-sided tests.
    test, _ = EXAMPLES[row["check"]]
    beyond = 0.05 if "90" in row["statistic"] else 0.025
    end = float(row["value"])
    found = test(end, end + 1e9).p_low if row["statistic"].endswith("low") else test(end - 1e9, end).p_high
    assert found == pytest.approx(beyond, abs=2e-4)


def test_every_worked_example_is_checked():
    checks = {row["check"] for row in rows("agreement.csv") if row["method"].startswith("tost")}
    assert checks == set(EXAMPLES)


FLOATS = st.floats(-1000.0, 1000.0)


@given(arrays(np.float64, 6, elements=FLOATS), arrays(np.float64, 9, elements=FLOATS))
def test_welch_equals_that_of_scipy(a, b):
    if np.std(a) < 1e-3 or np.std(b) < 1e-3:
        return
    found, expected = welch(a, b), stats.ttest_ind(a, b, equal_var=False)
    assert found.t == pytest.approx(expected.statistic, rel=1e-9, abs=1e-12)
    assert found.df == pytest.approx(expected.df, rel=1e-9)
    assert found.p == pytest.approx(expected.pvalue, rel=1e-8)


@given(arrays(np.float64, 7, elements=FLOATS), arrays(np.float64, 7, elements=FLOATS), st.floats(0.1, 100.0))
def test_equivalence_equals_two_one_sided_tests_of_scipy(a, b, bound):
    if np.std(a) < 1e-3 or np.std(b) < 1e-3 or np.std(a - b) < 1e-3:
        return
    paired = tost_paired(a, b, -bound, bound)
    above = stats.ttest_1samp(a - b, -bound, alternative="greater").pvalue
    below = stats.ttest_1samp(a - b, bound, alternative="less").pvalue
    assert (paired.p_low, paired.p_high) == pytest.approx((above, below), rel=1e-6, abs=1e-12)
    assert paired.p == max(paired.p_low, paired.p_high)
    for equal in (False, True):
        apart = tost_independent(a, b, -bound, bound, equal)
        above = stats.ttest_ind(a + bound, b, equal_var=equal, alternative="greater").pvalue
        below = stats.ttest_ind(a - bound, b, equal_var=equal, alternative="less").pvalue
        assert (apart.p_low, apart.p_high) == pytest.approx((above, below), rel=1e-6, abs=1e-12)


def test_the_yields_are_equivalent_at_5_pct_but_not_at_25_pct():
    # As the NCSS example concludes from its pooled test.
    assert 0.025 < tost_independent(*YIELDS, -110.0, 110.0, equal_variances=True).p < 0.05


def test_bounds_need_not_be_symmetric():
    lopsided, symmetric = tost_paired(*SLEEP, -3.0, 0.5), tost_paired(*SLEEP, -0.5, 0.5)
    assert lopsided.p_high == symmetric.p_high
    assert lopsided.p_low < symmetric.p_low


def test_swapping_the_groups_turns_the_sign_and_nothing_else():
    forth, back = welch(*SLEEP), welch(*reversed(SLEEP))
    assert (back.t, back.df, back.p) == pytest.approx((-forth.t, forth.df, forth.p), rel=1e-14)
    limits, turned = limits_of_agreement(*SLEEP), limits_of_agreement(*reversed(SLEEP))
    assert (turned.low, turned.high) == pytest.approx((-limits.high, -limits.low), rel=1e-14)


def test_identical_instruments_agree_within_nothing():
    found = limits_of_agreement([1.0, 2.0, 3.0], [1.0, 2.0, 3.0])
    assert (found.bias, found.sd, found.low, found.high) == (0.0, 0.0, 0.0, 0.0)


def test_one_constant_group_is_enough_spread_for_welch():
    assert math.isfinite(welch([1.0, 1.0], [1.0, 2.0]).p)
    with pytest.raises(ValueError, match=r"a and b must not both be constant"):
        welch([1.0, 1.0], [2.0, 2.0])
    with pytest.raises(ValueError, match=r"a - b must vary from pair to pair, found -1\.0 throughout"):
        tost_paired([1.0, 2.0], [2.0, 3.0], -1.0, 1.0)


FUNCTIONS = [
    limits_of_agreement,
    welch,
    lambda a, b: tost_paired(a, b, -1.0, 1.0),
    lambda a, b: tost_independent(a, b, -1.0, 1.0),
]


@pytest.mark.parametrize("function", FUNCTIONS)
def test_too_few_or_broken_readings_are_refused_by_name(function):
    with pytest.raises(ValueError, match=r"a must hold at least one number, found none"):
        function([], [])
    with pytest.raises(ValueError, match=r"a must be a row of 2 numbers or more"):
        function([1.0], [1.0])
    with pytest.raises(ValueError, match=r"b must be a row of 2 numbers or more"):
        function([1.0, 2.0], [1.0])
    with pytest.raises(ValueError, match=r"b must be finite, found nan"):
        function([1.0, 2.0], [1.0, math.nan])


def test_pairs_bounds_and_multiplier_are_checked():
    with pytest.raises(ValueError, match=r"b must be as long as a \(2\), found 3 numbers"):
        limits_of_agreement([1.0, 2.0], [1.0, 2.0, 3.0])
    with pytest.raises(ValueError, match=r"b must be as long as a \(2\), found 3 numbers"):
        tost_paired([1.0, 2.0], [1.0, 2.0, 3.0], -1.0, 1.0)
    with pytest.raises(ValueError, match=r"multiplier must be above 0, found 0\.0"):
        limits_of_agreement([1.0, 2.0], [1.0, 3.0], 0.0)
    for low, high in ((1.0, 1.0), (1.0, -1.0)):
        with pytest.raises(ValueError, match=rf"low must lie below high \({high}\), found 1\.0"):
            tost_paired(*SLEEP, low, high)
    with pytest.raises(ValueError, match=r"high must be finite, found inf"):
        tost_independent(*SLEEP, -1.0, math.inf)


@pytest.mark.parametrize("row", rows("tost_summary.csv"), ids=row_id)
def test_equivalence_from_a_summary_is_that_of_the_worked_example(row):
    difference, se, df, low, high = (float(row[name]) for name in ("difference", "se", "df", "low", "high"))
    found = tost_summary(difference, se, df, low, high)

    assert found.p_low == pytest.approx(float(row["p_low"]), rel=1e-5)
    assert found.p_high == pytest.approx(float(row["p_high"]), rel=1e-5)
    assert found.p == max(found.p_low, found.p_high)


def test_a_summary_of_pairs_gives_what_the_pairs_give():
    a, b = SLEEP
    moved = np.array(a) - np.array(b)
    found = tost_summary(float(moved.mean()), float(moved.std(ddof=1)) / math.sqrt(10), 9.0, -0.5, 0.5)

    assert found.p == pytest.approx(tost_paired(a, b, -0.5, 0.5).p)


def test_days_without_memory_give_students_interval():
    values = [1.0, -1.0, 2.0, -2.0, 1.5, -1.0, 0.5, -0.5]  # each day turns back from the one before
    found = mean_of_series(values)
    low, high = stats.t.interval(0.95, 7, np.mean(values), stats.sem(values))

    assert (found.low, found.high, found.df) == pytest.approx((low, high, 7.0))


def test_days_that_resemble_the_day_before_count_for_fewer():
    chance = np.random.default_rng(1)
    covered = {}
    for memory in (0.0, 0.7):
        held = []
        for _ in range(400):
            day, days = 0.0, []
            for _ in range(40):
                day = memory * day + chance.normal(0.0, math.sqrt(1.0 - memory**2))
                days.append(day)
            found = mean_of_series(days[10:])
            held.append(found.low <= 0.0 <= found.high)
        covered[memory] = np.mean(held)

    assert covered[0.0] >= 0.93
    assert covered[0.7] >= 0.82  # plain Student covers about 0.58 here


def test_what_all_days_share_never_averages_out():
    days = [0.1, -0.1] * 500

    assert mean_of_series(days, systematic_se=0.25).high == pytest.approx(1.96 * 0.25, abs=0.01)
    assert mean_of_series([1.0, 1.0, 1.0], least_sd=0.1).high > 1.0


@pytest.mark.parametrize("bad", [{"values": [1.0]}, {"values": [1.0, 2.0], "systematic_se": -1.0}])
def test_a_mean_of_too_little_is_refused(bad):
    with pytest.raises(ValueError, match=r"values|systematic_se"):
        mean_of_series(**bad)


def test_one_series_tells_its_own_spread():
    days = np.random.default_rng(3).normal(0.3, 1.0, 20)

    assert mean_of_series(days, spread=spread_of_series([days])) == mean_of_series(days)


def test_more_series_make_an_interval_surer_of_its_width():
    """Four chambers, six pairs: three are independent, so Student's t has three times the degrees of freedom."""
    chance = np.random.default_rng(4)
    places = chance.normal(0.0, 1.0, (4, 12))
    moved = [places[i] - places[j] for i in range(4) for j in range(i)]
    spread = spread_of_series(moved, 3)
    found = mean_of_series(moved[0], 0.99, spread=spread)
    count = 12 * (1 - spread.follow) / (1 + spread.follow)

    assert found.df == pytest.approx(3 * (count - 1))
    assert found.high - found.mean == pytest.approx(stats.t.ppf(0.995, 3 * (count - 1)) * spread.sd / math.sqrt(count))
