"""The bed of a plan, and the simulated one: both hold what the medium holds."""

import pytest

from controller import plan as p
from controller.bed import capacity_fraction, saturated_fraction
from controller.chamber.physics import DRAINS_ABOVE, Physics
from controller.science.medium import container_capacity_fraction
from tests import examples

# an invented peat: it holds twice what a sandy loam does
PEAT = p.Retention(theta_r=0.1, theta_s=0.85, alpha_per_cm=0.05, n=1.5)
MEDIA = [
    p.Medium(bed_area_cm2=220, bed_depth_cm=4.5, texture="sandy loam"),
    p.Medium(bed_area_cm2=220, bed_depth_cm=10, texture="sand"),
    p.Medium(bed_area_cm2=100, bed_depth_cm=4.5, retention=PEAT),
]


def test_a_medium_named_by_texture_and_one_measured_are_worked_out_alike():
    # Carsel and Parrish (1988), Water Resour. Res. 24:755-769: sandy loam
    named = p.Medium(bed_area_cm2=220, bed_depth_cm=4.5, texture="sandy loam")
    measured = p.Retention(theta_r=0.065, theta_s=0.41, alpha_per_cm=0.075, n=1.89)
    as_measured = p.Medium(bed_area_cm2=220, bed_depth_cm=4.5, retention=measured)

    assert capacity_fraction(named) == capacity_fraction(as_measured) == container_capacity_fraction("sandy loam", 4.5)
    assert saturated_fraction(named) == saturated_fraction(as_measured) == 0.41


@pytest.mark.parametrize("medium", MEDIA, ids=["sandy loam", "sand", "peat"])
@pytest.mark.parametrize(("share", "drains"), [(DRAINS_ABOVE - 0.01, False), (DRAINS_ABOVE + 0.01, True)])
def test_a_simulated_bed_drains_from_a_share_of_what_its_medium_holds(medium, share, drains):
    physics = Physics(examples.settings(medium=medium), seed=1)
    physics.in_medium_ml = share * capacity_fraction(medium) * medium.bed_volume_ml
    physics.advance(60.0)

    assert (physics.in_tray_ml > 0.0) == drains


@pytest.mark.parametrize("medium", MEDIA, ids=["sandy loam", "sand", "peat"])
def test_water_stands_on_a_simulated_bed_whose_pores_are_full(medium):
    physics = Physics(examples.settings(medium=medium), seed=1)
    physics.in_medium_ml = saturated_fraction(medium) * medium.bed_volume_ml
    physics.on_top_ml = 50.0
    physics.advance(1.0)

    assert physics.on_top_ml == 50.0
