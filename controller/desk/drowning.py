"""Whether the caps of a plan keep the bed from drowning when the moisture probe lies.

A probe that has lost touch with the medium reads dry for ever, and the law then gives whatever the caps allow. Here
that is followed dose by dose, against the room in the bed and what leaves it by a published equation.
"""

from collections import deque
from collections.abc import Iterator
from itertools import count
from math import floor
from typing import NamedTuple

from controller.bed import FILLED_FRACTION, saturated_fraction, start_fraction
from controller.control.model.moments import MS_PER_H
from controller.control.watering import EFFECT_AFTER_MS
from controller.desk.answers import Advice
from controller.plan import DAYS_OF_A_WEEK, Settings
from controller.science.air import vapour_pressure_deficit_kpa
from controller.science.evaporation import ALBEDO, PHOTONS_MJ_MOL, reference_evapotranspiration_mm_day
from controller.science.light import daily_light_integral_mol_m2

DAY_H = 24.0
WEEK_H = DAYS_OF_A_WEEK * DAY_H


class Worst(NamedTuple):
    """What comes of a bed that gets all water the plan allows; ``over_ml`` is the most that has no room in it."""

    week_ml: float
    over_ml: float
    at_day: float


class Caps(NamedTuple):
    """What a plan lets the pump give, in ml: in any day, in any week, in all."""

    daily_ml: float
    weekly_ml: float
    total_ml: float


def light_mol_m2_day(settings: Settings) -> float:
    """Photons that a square metre of the bed gets in a day by the plan, in mol."""
    period = settings.plan.photoperiod
    flux = settings.lamp_duty_fraction * settings.chamber.lamp.ppfd_at_full_duty_umol_m2_s
    full_h = max(0.0, period.light_h - period.ramp_min / 60.0) * DAY_H / period.cycle_h
    return daily_light_integral_mol_m2(flux, min(DAY_H, full_h))


def leaves_ml_day(settings: Settings) -> float:
    """Water that leaves the bed in a day, in ml: in the middle of the plan's temperatures, at its most humid air."""
    climate = settings.plan.climate
    air_c = (climate.air_temperature_low_c + climate.air_temperature_high_c) / 2.0
    air_c = min(50.0, max(0.0, air_c))
    deficit_kpa = vapour_pressure_deficit_kpa(air_c, climate.relative_humidity_high_pct)
    net_mj_m2_day = (1.0 - ALBEDO) * PHOTONS_MJ_MOL * light_mol_m2_day(settings)
    return (
        reference_evapotranspiration_mm_day(net_mj_m2_day, air_c, deficit_kpa)
        / 10.0
        * (settings.plan.medium.bed_area_cm2)
    )


def worst_case(settings: Settings, caps: Caps) -> Worst:
    """The run in which every dose that the caps allow is given as soon as it may be."""
    medium = settings.plan.medium
    room_ml = (
        saturated_fraction(medium) - start_fraction(medium, settings.plan.first_wetting.total_ml)
    ) * medium.bed_volume_ml
    leaves_ml_h = leaves_ml_day(settings) / DAY_H
    given: deque[tuple[float, float]] = deque()
    total_ml = week_ml = most_ml = in_bed_ml = at_h = 0.0
    over_ml, over_at_h = -room_ml, 0.0
    for hour, dose_ml in _asked_for(settings):
        while given and given[0][0] <= hour - WEEK_H + 1e-9:
            week_ml -= given.popleft()[1]
        day_ml = sum(ml for h, ml in given if h > hour - DAY_H + 1e-9)
        if total_ml + dose_ml > caps.total_ml + 1e-9:
            break
        if week_ml + dose_ml > caps.weekly_ml + 1e-9 or day_ml + dose_ml > caps.daily_ml + 1e-9:
            continue
        given.append((hour, dose_ml))
        total_ml, week_ml = total_ml + dose_ml, week_ml + dose_ml
        most_ml = max(most_ml, week_ml)
        in_bed_ml, at_h = max(0.0, in_bed_ml - leaves_ml_h * (hour - at_h)) + dose_ml, hour
        if in_bed_ml - room_ml > over_ml + 1e-9:
            over_ml, over_at_h = in_bed_ml - room_ml, hour
    return Worst(most_ml, over_ml, over_at_h / DAY_H)


def _asked_for(settings: Settings) -> Iterator[tuple[float, float]]:
    """(hours after the first wetting, ml) of each dose that a lying probe makes the law ask for, or a clock."""
    law, end_h = settings.plan.watering, DAY_H * settings.plan.length_days
    if law.fixed is not None:
        hours = sorted(each.hour + each.minute / 60.0 + each.second / 3600.0 for each in law.fixed.times)
        for day in count():
            for hour in hours:
                if DAY_H * day + hour > end_h:
                    return
                yield DAY_H * day + hour, law.dose_ml
    ways = [(law.dose_ml, max(law.rest_h, EFFECT_AFTER_MS / MS_PER_H))]  # each dose is looked for before the next
    if law.fallback is not None:
        ways.append((law.fallback.dose_ml, max(law.rest_h, law.fallback.every_h)))
    dose_ml, every_h = max(ways, key=lambda way: way[0] / way[1])
    for number in range(int(end_h / every_h) + 1):
        yield number * every_h, dose_ml


def _clear_weekly_ml(settings: Settings, caps: Caps) -> float | None:
    """The largest weekly cap in whole ml that keeps clear, or None where none does."""
    law = settings.plan.watering
    least = max(1, floor(law.dose_ml))
    low, high = least - 1, floor(caps.weekly_ml) + 1
    while high - low > 1:
        middle = (low + high) // 2
        if worst_case(settings, caps._replace(weekly_ml=float(middle))).over_ml <= 0.0:
            low = middle
        else:
            high = middle
    return float(low) if low >= max(law.dose_ml, law.fallback.dose_ml if law.fallback else 0.0) else None


def drowning(settings: Settings) -> Iterator[Advice]:
    """Whether the caps keep the bed out of standing water when the probe always reads dry."""
    plan, law, medium = settings.plan, settings.plan.watering, settings.plan.medium
    caps = Caps(law.daily_cap_ml, law.most_in_a_week_ml, law.total_cap_ml)
    worst = worst_case(settings, caps)
    start, full = start_fraction(medium, plan.first_wetting.total_ml), saturated_fraction(medium)
    room_ml, leaves_ml = (full - start) * medium.bed_volume_ml, DAYS_OF_A_WEEK * leaves_ml_day(settings)
    numbers = {
        "most_in_a_week_ml": round(worst.week_ml, 1),
        "room_ml": round(room_ml, 1),
        "leaves_in_a_week_ml": round(leaves_ml, 1),
        "over_ml": round(max(0.0, worst.over_ml), 1),
    }
    assumed = (
        f"the medium as filled holds {FILLED_FRACTION:g} ml of water a ml; what leaves by the equation of Penman and "
        "Monteith (FAO-56) from the lamp's light, in the middle of the plan's temperatures and at its highest humidity"
    )
    given = (
        "The fixed times give"
        if law.fixed is not None
        else "If the moisture probe always read dry, the plan could give"
    )
    words = (
        f"{given} up to {worst.week_ml:.0f} ml in a week. After the first wetting the bed has room for "
        f"{room_ml:.0f} ml more, and about {leaves_ml:.0f} ml leave it in a week. "
    )
    if worst.over_ml <= 0.0:
        yield Advice("drowning", True, f"{words}So no water would stand in it.", numbers, assumed)
        return
    words += f"By day {worst.at_day:.0f} up to {worst.over_ml:.0f} ml would stand in it, and it could drown. "
    clear_ml = _clear_weekly_ml(settings, caps)
    if law.fixed is not None:
        most_ml = floor(10.0 * leaves_ml / DAYS_OF_A_WEEK / len(law.fixed.times)) / 10.0
        words += f"Give less each time: {most_ml:g} ml leave again (watering.dose_ml)."
    elif clear_ml is not None:
        words += f"watering.weekly_cap_ml = {clear_ml:g} keeps clear of that."
    else:
        words += f"Give less in all: watering.total_cap_ml = {max(0, floor(room_ml))} has room."
    yield Advice("drowning", False, words, numbers, assumed)
