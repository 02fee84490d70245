"""Daily light integral by its definition, and the lux factors of Thimijan and Heins (1983)."""

import math

import numpy as np
import pytest

from controller.science.light import (
    LUX_PER_UMOL_M2_S,
    daily_light_integral_mol_m2,
    lux_to_ppfd_umol_m2_s,
)
from tests.reference_rows import row_id, rows


def decimals(text):
    return len(text.partition(".")[2])


@pytest.mark.parametrize("row", rows("daily_light_integral.csv"), ids=row_id)
def test_daily_light_integral_agrees_with_worked_examples_to_their_decimals(row):
    found = daily_light_integral_mol_m2(float(row["ppfd_umol_m2_s"]), float(row["photoperiod_h"]))
    expected = row["daily_light_integral_mol_m2"]
    assert abs(found - float(expected)) <= 0.5 * 10.0 ** -decimals(expected) + 1e-12


@pytest.mark.parametrize("row", rows("lux_factors.csv"), ids=row_id)
def test_lux_factors_agree_with_the_table_in_both_directions(row):
    source = row["light_source"]
    assert lux_to_ppfd_umol_m2_s(float(row["lux_per_umol_m2_s"]), source) == pytest.approx(1.0, rel=1e-14)
    per_lux = row["umol_m2_s_per_lux"]
    assert abs(lux_to_ppfd_umol_m2_s(1.0, source) - float(per_lux)) <= 0.5 * 10.0 ** -decimals(per_lux)


def test_every_light_source_is_checked_against_the_table():
    assert set(LUX_PER_UMOL_M2_S) == {row["light_source"] for row in rows("lux_factors.csv")}


def test_full_sun_of_108000_lux_is_2000_umol_m2_s():
    # Worked example beside the same table (Apogee Instruments, after Thimijan and Heins 1983).
    assert lux_to_ppfd_umol_m2_s(108_000.0, "sunlight") == pytest.approx(2000.0, rel=1e-14)


def test_a_white_led_has_no_factor_and_the_refusal_says_what_to_do():
    with pytest.raises(ValueError, match=r"source must be one of sunlight, .*found 'white led'; .*measure"):
        lux_to_ppfd_umol_m2_s(1000.0, "white led")


def test_the_ends_of_the_ranges_are_inside_and_what_lies_beyond_is_refused():
    assert daily_light_integral_mol_m2(0.0, 24.0) == 0.0
    assert daily_light_integral_mol_m2(200.0, 0.0) == 0.0
    assert daily_light_integral_mol_m2(200.0, 24.0) == pytest.approx(17.28, rel=1e-14)
    with pytest.raises(ValueError, match=r"photoperiod_h must be between 0 and 24, found 24\.1"):
        daily_light_integral_mol_m2(200.0, 24.1)
    with pytest.raises(ValueError, match=r"photoperiod_h must be between 0 and 24, found -0\.1"):
        daily_light_integral_mol_m2(200.0, -0.1)
    with pytest.raises(ValueError, match=r"ppfd_umol_m2_s must be 0 or more, found -1\.0"):
        daily_light_integral_mol_m2(-1.0, 16.0)
    with pytest.raises(ValueError, match=r"ppfd_umol_m2_s must be 0 or more, found inf"):
        daily_light_integral_mol_m2(math.inf, 16.0)
    with pytest.raises(ValueError, match=r"illuminance_lux must be 0 or more, found -0\.5"):
        lux_to_ppfd_umol_m2_s(-0.5, "sunlight")


def test_scalars_give_a_float_and_arrays_an_array():
    assert type(daily_light_integral_mol_m2(150, 16)) is float
    assert type(lux_to_ppfd_umol_m2_s(540, "sunlight")) is float
    several = daily_light_integral_mol_m2(np.array([100.0, 150.0]), 16.0)
    assert several == pytest.approx(np.array([5.76, 8.64]), rel=1e-14)
    hours = daily_light_integral_mol_m2(150.0, np.array([0.0, 16.0]))
    assert hours == pytest.approx(np.array([0.0, 8.64]), rel=1e-14)
    assert lux_to_ppfd_umol_m2_s(np.array([54.0, 108.0]), "sunlight") == pytest.approx(np.array([1.0, 2.0]))


def test_a_missing_reading_stays_missing():
    answer = daily_light_integral_mol_m2(np.array([100.0, math.nan]), 16.0)
    assert np.isnan(answer).tolist() == [False, True]
    assert math.isnan(daily_light_integral_mol_m2(100.0, math.nan))
    assert math.isnan(lux_to_ppfd_umol_m2_s(math.nan, "sunlight"))


def test_empty_records_are_refused():
    with pytest.raises(ValueError, match=r"ppfd_umol_m2_s must hold at least one number, found none"):
        daily_light_integral_mol_m2(np.array([]), 16.0)
    with pytest.raises(ValueError, match=r"illuminance_lux must hold at least one number, found none"):
        lux_to_ppfd_umol_m2_s(np.array([]), "sunlight")
