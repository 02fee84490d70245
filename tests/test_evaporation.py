"""Evaporation by the equation of Penman and Monteith, as FAO Irrigation and Drainage Paper 56 prints it."""

import pytest

from controller.science.evaporation import (
    ALBEDO,
    LATENT_HEAT_MJ_KG,
    PHOTONS_MJ_MOL,
    WIND_LEAST_M_S,
    reference_evapotranspiration_mm_day,
    slope_of_saturation_kpa_c,
)


@pytest.mark.parametrize(("air_c", "slope"), [(10.0, 0.082), (16.9, 0.122), (20.0, 0.145), (30.0, 0.243)])
def test_the_slope_is_that_of_the_papers_table(air_c, slope):
    # FAO-56, Annex 2, Table 2.4, and Example 18 (from memory, recomputed)
    assert slope_of_saturation_kpa_c(air_c) == pytest.approx(slope, abs=0.0006)


def test_the_papers_day_in_july_evaporates_3_9_mm():
    # FAO-56, Example 18: Brussels, 6 July (from memory, recomputed): the paper rounds 3.88 to 3.9 mm
    found = reference_evapotranspiration_mm_day(13.28, 16.9, 0.589, wind_m_s=2.078, pressure_kpa=100.1)
    assert found == pytest.approx(3.88, abs=0.01)


def test_without_a_deficit_only_the_heat_evaporates_and_without_heat_only_the_air():
    slope, constant = slope_of_saturation_kpa_c(20.0), 0.000665 * 101.3
    of_heat = reference_evapotranspiration_mm_day(2.45, 20.0, 0.0)
    of_air = reference_evapotranspiration_mm_day(0.0, 20.0, 1.0)

    assert of_heat == pytest.approx(slope / (slope + constant * (1 + 0.34 * WIND_LEAST_M_S)))  # 1 mm of heat
    assert of_air > 0.0
    both = reference_evapotranspiration_mm_day(2.45, 20.0, 1.0)
    assert both == pytest.approx(of_heat + of_air)


def test_air_is_never_taken_for_stiller_than_the_paper_allows():
    still = reference_evapotranspiration_mm_day(2.0, 20.0, 0.5, wind_m_s=0.0)
    assert still == reference_evapotranspiration_mm_day(2.0, 20.0, 0.5, wind_m_s=0.5)


def test_a_mole_of_photons_has_the_energy_that_physics_gives_it():
    planck_j_s, light_m_s, avogadro = 6.62607015e-34, 299_792_458, 6.02214076e23
    assert pytest.approx(avogadro * planck_j_s * light_m_s / 550e-9 / 1e6, rel=1e-3) == PHOTONS_MJ_MOL
    assert (LATENT_HEAT_MJ_KG, ALBEDO) == (2.45, 0.23)


@pytest.mark.parametrize("wrong", [
    {"net_radiation_mj_m2_day": -0.1}, {"air_temperature_c": 50.1}, {"air_temperature_c": -0.1},
    {"vapour_pressure_deficit_kpa": -0.1}, {"wind_m_s": -1.0}, {"pressure_kpa": 0.0},
    {"net_radiation_mj_m2_day": float("nan")},
])  # fmt: skip
def test_what_lies_outside_is_refused_by_name(wrong):
    good = {"net_radiation_mj_m2_day": 2.0, "air_temperature_c": 20.0, "vapour_pressure_deficit_kpa": 0.5}
    with pytest.raises(ValueError, match=next(iter(wrong))):
        reference_evapotranspiration_mm_day(**good | wrong)
