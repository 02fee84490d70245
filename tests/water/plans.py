"""Plans whose days fit into hours, so that a life meets each budget: small doses, short rests, low caps."""

from dataclasses import replace
from datetime import time

from controller import plan as p
from controller.plan import Settings
from tests import examples

WETTING, FIXED, MOISTURE, PORTIONS = "first wetting", "fixed times", "moisture", "portions"
KINDS = (WETTING, FIXED, MOISTURE, PORTIONS)
DOSE_ML, REST_H = 3.0, 0.1
DAILY_ML, WEEKLY_ML, TOTAL_ML, CHAMBER_DAILY_ML = 15.0, 24.0, 45.0, 21.0
BED_ML = examples.PLAN.medium.bed_volume_ml
SLOT_TIMES = (time(9), time(9, 30), time(10), time(11), time(12), time(20))
GATE = p.HandsOnStep(name="clean-gloves", title="Put on clean gloves", due="before_wetting", gate=True)


def settings_of(kind: str, ml_per_step: float = 0.005) -> Settings:
    """The example's plan made quick; a dose of 3 ml takes six seconds, two leases."""
    watering = p.Watering(
        dose_ml=DOSE_ML, rest_h=REST_H, daily_cap_ml=DAILY_ML, weekly_cap_ml=WEEKLY_ML, total_cap_ml=TOTAL_ML,
        moisture=p.MoistureLed(low_fraction=0.24, high_fraction=0.28), fixed=None, fallback=None,
    )  # fmt: skip
    if kind == FIXED:
        watering = replace(watering, moisture=None, fixed=p.FixedTimes(times=list(SLOT_TIMES)))
    made = examples.settings(
        replace(examples.PLAN, steps=[GATE], length_days=300, observation=p.Observation(days=[])),
        first_wetting=p.FirstWetting(
            total_ml=6.0, aliquot_ml=3.0, push_rate_max_ml_per_min=25, pause_s=60, soak_s=60, drain=False
        ),
        watering=watering,
    )
    pump = replace(made.chamber.pump, steps_per_s=100, ml_per_step=ml_per_step)
    limits = replace(made.chamber.limits, dose_max_ml=6.0, daily_max_ml=CHAMBER_DAILY_ML)
    return replace(made, chamber=replace(made.chamber, pump=pump, limits=limits))
