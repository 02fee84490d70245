"""What a plan will do in a chamber, in plain sentences with their numbers; assumptions are marked as such.

The files' own faults are judged when they are read; here stand questions whose answers are estimates.
"""

from collections.abc import Iterator
from math import ceil

from controller.bed import FILLED_FRACTION, capacity_fraction
from controller.desk.answers import Advice
from controller.desk.doses import board, fixed_times, one_dose, without_effect
from controller.desk.drowning import drowning, light_mol_m2_day
from controller.plan import DAYS_OF_A_WEEK, Settings
from controller.science.medium import INFILTRATION

# Assumptions, marked as such wherever they are used; none has a published source for a bench like this.
FLOAT_LIFTS_AT_MM = 5.0  # standing water at which the overfill float may stop the pump (common practice)
DEMAND_MM_PER_DAY = (0.5, 3.0)  # evaporation and transpiration of a lit bed in a closed chamber (common practice)
LIGHT_MOL_M2 = (5.0, 20.0)  # daily light integral on which seedlings stay neither drawn nor scorched (common practice)
DRAIN_TOLD_ML = 5.0
# Base temperature in C and degree-days to half emergence. Onion: Brewster, Onions and Other Vegetable Alliums, Fig. 4.7
# (data of Harrington 1962). The others from memory, after Bierhuizen and Wagenvoort (1974), Scientia Hort. 2:213-219.
THERMAL_TIME = {
    "cress": (1.0, 64.0),
    "radish": (1.5, 75.0),
    "lettuce": (3.5, 71.0),
    "spinach": (0.1, 111.0),
    "cabbage": (1.0, 127.0),
    "onion": (2.5, 80.0),
}
READ_IN_SOURCE = ("onion",)


def advise(settings: Settings) -> list[Advice]:
    """All answers, in the order of a run."""
    return [
        *_first_wetting(settings),
        *_standing_water(settings),
        *_light(settings),
        *_emergence(settings),
        *_water_use(settings),
        *one_dose(settings),
        *without_effect(settings),
        *fixed_times(settings),
        *drowning(settings),
        *board(settings),
    ]


def _first_wetting(settings: Settings) -> Iterator[Advice]:
    plan = settings.plan
    medium, total_ml = plan.medium, plan.first_wetting.total_ml
    capacity = capacity_fraction(medium)
    holds_ml = capacity * medium.bed_volume_ml
    before_ml = FILLED_FRACTION * medium.bed_volume_ml
    over_ml = before_ml + total_ml - holds_ml
    numbers = {
        "container_capacity_fraction": round(capacity, 3),
        "bed_holds_ml": round(holds_ml, 1),
        "before_ml": round(before_ml, 1),
        "first_wetting_ml": total_ml,
        "drain_expected_ml": round(max(0.0, over_ml), 1),
    }
    assumed = f"the medium as filled holds {FILLED_FRACTION:g} ml of water a ml"
    words = (
        f"The bed of {medium.bed_volume_ml:.0f} ml holds {holds_ml:.0f} ml against free drainage and about "
        f"{before_ml:.0f} ml are in it when filled; the first wetting adds {total_ml:g} ml. "
    )
    if over_ml > DRAIN_TOLD_ML:
        drained = (
            "" if plan.first_wetting.drain else " But the plan has no draining: that water would stay in the tray."
        )
        yield Advice(
            "first wetting",
            plan.first_wetting.drain,
            f"{words}Expect about {over_ml:.0f} ml to drain.{drained}",
            numbers,
            assumed,
        )
        return
    share = (before_ml + total_ml) / holds_ml
    fit = "That fills it well." if share >= 0.75 else "That leaves it rather dry for seeds."
    words += f"It is {share:.0%} full then, so little or nothing should drain. {fit}"
    yield Advice("first wetting", share >= 0.75, words, numbers, assumed)


def _standing_water(settings: Settings) -> Iterator[Advice]:
    plan = settings.plan
    soil = INFILTRATION.get(plan.medium.texture or "")
    if soil is None:
        yield Advice(
            "standing water",
            True,
            "Whether water will stand on the bed cannot be told: no intake figures are known for this medium. Push "
            "the first portion slowly and watch.",
            {},
        )
        return
    stands_mm, at_ml = _deepest_standing_mm(settings)
    numbers = {
        "standing_mm": round(stands_mm, 1),
        "supply_cm_h": round(plan.first_wetting.push_rate_max_ml_per_min * 60.0 / plan.medium.bed_area_cm2, 2),
        "conductivity_cm_h": soil.conductivity_cm_h,
        "suction_cm": soil.suction_cm,
    }
    assumed = "water spreads over the whole bed; intake of the texture class (Rawls 1983), Green and Ampt"
    if stands_mm < 0.1:
        words = f"At {plan.first_wetting.push_rate_max_ml_per_min:g} ml a minute all water soaks in as it comes."
        yield Advice("standing water", True, words, numbers, assumed)
        return
    words = f"Water will stand up to {stands_mm:.1f} mm deep during the first wetting, the most after {at_ml:.0f} ml."
    if stands_mm >= FLOAT_LIFTS_AT_MM:
        words += (
            f" That may lift the overfill float (taken as {FLOAT_LIFTS_AT_MM:g} mm) and stop the pump: push more "
            "slowly (first_wetting.push_rate_max_ml_per_min) or pause longer (first_wetting.pause_s)."
        )
    yield Advice("standing water", stands_mm < FLOAT_LIFTS_AT_MM, words, numbers, assumed)


def _deepest_standing_mm(settings: Settings) -> tuple[float, float]:
    """(deepest water on the bed, ml given by then), second by second through portions and pauses."""
    plan, wetting = settings.plan, settings.plan.first_wetting
    soil = INFILTRATION[str(plan.medium.texture)]
    area_cm2 = plan.medium.bed_area_cm2
    capillary_cm = soil.suction_cm * max(0.01, soil.effective_porosity_fraction - FILLED_FRACTION)
    room_cm = (soil.effective_porosity_fraction - FILLED_FRACTION) * plan.medium.bed_depth_cm
    taken_cm, on_top_cm, deepest_cm, deepest_at_ml, given_ml = 0.0, 0.0, 0.0, 0.0, 0.0
    push_ml_per_s = wetting.push_rate_max_ml_per_min / 60.0
    while given_ml < wetting.total_ml - 1e-6:
        portion_ml = min(wetting.aliquot_ml, wetting.total_ml - given_ml)
        seconds = max(1, round(portion_ml / push_ml_per_s))
        for second in range(seconds + round(min(wetting.pause_s, 3_600.0))):
            if second < seconds:
                given_ml += portion_ml / seconds
                on_top_cm += portion_ml / seconds / area_cm2
            rate_cm_h = soil.conductivity_cm_h * (1.0 + capillary_cm / max(taken_cm, 0.001))
            sinks_cm = min(on_top_cm, rate_cm_h / 3_600.0)
            if taken_cm >= room_cm:  # full to the bottom: only what drains makes room
                sinks_cm = min(sinks_cm, soil.conductivity_cm_h / 3_600.0)
            on_top_cm -= sinks_cm
            taken_cm += sinks_cm
            if on_top_cm > deepest_cm + 1e-9:
                deepest_cm, deepest_at_ml = on_top_cm, given_ml
    return deepest_cm * 10.0, deepest_at_ml


def _light(settings: Settings) -> Iterator[Advice]:
    period = settings.plan.photoperiod
    flux = settings.lamp_duty_fraction * settings.chamber.lamp.ppfd_at_full_duty_umol_m2_s
    integral = light_mol_m2_day(settings)
    low, high = LIGHT_MOL_M2
    numbers = {"daily_light_integral_mol_m2": round(integral, 2), "ppfd_umol_m2_s": round(flux, 1)}
    words = f"{flux:.0f} umol m-2 s-1 for {period.light_h:g} h in every {period.cycle_h:g} h is "
    words += f"{integral:.1f} mol m-2 a day"
    if integral < low:
        words += f"; seedlings may grow thin and drawn below {low:g}."
    elif integral > high:
        words += f"; seedlings seldom need more than {high:g}, and heat and drying rise with it."
    else:
        words += ", which suits seedlings."
    yield Advice("light", low <= integral <= high, words, numbers, f"{low:g} to {high:g} mol m-2 a day suits seedlings")


def _emergence(settings: Settings) -> Iterator[Advice]:
    plan = settings.plan
    cold_c, warm_c = plan.climate.air_temperature_low_c, plan.climate.air_temperature_high_c
    last_look = max(plan.observation.days, default=0)
    for species in dict.fromkeys(position.species for position in plan.positions):
        known = THERMAL_TIME.get(species.lower())
        if known is None:
            words = f"When {species} should emerge is not known here; give it the time its packet says."
            yield Advice("emergence", True, words, {"species": species})
            continue
        base_c, needs = known
        if cold_c <= base_c:
            words = f"At {cold_c:g} C {species} gains no warmth (base {base_c:g} C), so it may never emerge."
            yield Advice("emergence", False, words, {"species": species})
            continue
        soon_days, late_days = needs / (warm_c - base_c), needs / (cold_c - base_c)
        numbers = {"species": species, "emerges_from_day": round(soon_days, 1), "emerges_to_day": round(late_days, 1)}
        words = (
            f"Half of the {species} should be up between day {soon_days:.1f} (at {warm_c:g} C throughout) and day "
            f"{late_days:.1f} (at {cold_c:g} C)."
        )
        looks_far_enough = last_look >= late_days * 1.5
        if not looks_far_enough:
            words += f" The last look is on day {last_look}: too early to call a seed dead."
        assumed = f"{needs:g} degree-days above {base_c:g} C"
        assumed += "" if species.lower() in READ_IN_SOURCE else " (from memory)"
        yield Advice("emergence", looks_far_enough, words, numbers, assumed)


def _water_use(settings: Settings) -> Iterator[Advice]:
    plan, limits = settings.plan, settings.chamber.limits
    watering, first_ml = plan.watering, plan.first_wetting.total_ml
    least_ml, most_ml = (each / 10.0 * plan.medium.bed_area_cm2 for each in DEMAND_MM_PER_DAY)
    assumed = f"{DEMAND_MM_PER_DAY[0]:g} to {DEMAND_MM_PER_DAY[1]:g} mm of water leave the bed a day"
    gathers_ml = 0.0
    if watering.fixed is not None:
        gathers_ml = len(watering.fixed.times) * watering.dose_ml - most_ml
        least_ml = most_ml = len(watering.fixed.times) * watering.dose_ml
        assumed = assumed if gathers_ml > 0.0 else ""
    least_ml, most_ml = (min(each, watering.daily_cap_ml) for each in (least_ml, most_ml))
    low_ml, high_ml = (first_ml + min(watering.total_cap_ml, each * plan.length_days) for each in (least_ml, most_ml))
    lasts_days = (limits.reservoir_ml - first_ml) / watering.daily_cap_ml
    numbers = {
        "water_low_ml": round(low_ml),
        "water_high_ml": round(high_ml),
        "reservoir_ml": limits.reservoir_ml,
        "lasts_at_least_days": round(lasts_days, 1),
    }
    words = (
        f"The run will use {low_ml:.0f} to {high_ml:.0f} ml"
        if high_ml > low_ml + 1
        else f"The run will use {low_ml:.0f} ml"
    )
    too_much = ""
    if gathers_ml > 0.0:
        too_much = (
            f" The fixed times bring at least {gathers_ml:.0f} ml a day more than leaves the bed: it gathers in the "
            "tray, where mould grows. Give less."
        )
    weeks = ceil(plan.length_days / DAYS_OF_A_WEEK)
    caps_ml = watering.total_cap_ml, watering.daily_cap_ml * plan.length_days, watering.most_in_a_week_ml * weeks
    worst_ml = first_ml + min(caps_ml)
    if worst_ml <= limits.reservoir_ml:
        words += (
            f"; even at the most that the plan allows ({worst_ml:.0f} ml) the full reservoir of "
            f"{limits.reservoir_ml:g} ml lasts to the end: nobody needs to fill it over a holiday."
        )
        yield Advice("water", not too_much, words + too_much, numbers, assumed)
        return
    usual_days = (limits.reservoir_ml - first_ml) / max(most_ml, 0.1)
    words += (
        f". After the first wetting the full reservoir of {limits.reservoir_ml:g} ml lasts at least "
        f"{lasts_days:.0f} days at the daily cap of {watering.daily_cap_ml:g} ml, and "
        f"about {usual_days:.0f} days at the expected use: fill it before a holiday."
    )
    yield Advice("water", high_ml <= limits.reservoir_ml and not too_much, words + too_much, numbers, assumed)
