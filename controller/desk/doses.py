"""What single doses do in a chamber: whether the bed takes them, the probe sees them and the board gives them."""

from collections.abc import Iterator
from itertools import pairwise

from controller.bed import capacity_fraction
from controller.control.model.moments import MS_PER_H
from controller.control.watering import EFFECT_RISE_MIN_FRACTION, EFFECTS_MISSED_MAX, SLOT_GRACE_MS
from controller.desk.answers import Advice
from controller.judging.headroom import narrow_limits
from controller.plan import DAYS_OF_A_WEEK, Settings

SLACK_H = SLOT_GRACE_MS / MS_PER_H  # a fixed time that was missed is used for so long after


def one_dose(settings: Settings) -> Iterator[Advice]:
    """Whether a dose fits into the bed, and whether the probe can tell that it came."""
    watering, bed_ml = settings.plan.watering, settings.plan.medium.bed_volume_ml
    rise, capacity = watering.dose_ml / bed_ml, capacity_fraction(settings.plan.medium)
    before = 0.0 if watering.moisture is None else watering.moisture.low_fraction
    over_ml = (before + rise - capacity) * bed_ml
    numbers = {"rise_fraction": round(rise, 4), "over_ml": round(max(0.0, over_ml), 1)}
    words = f"A dose of {watering.dose_ml:g} ml raises the water content of the bed by {rise:.4f}."
    if over_ml > 0.0:
        full = "" if watering.moisture is None else f", given at {before:g} (watering.moisture.low_fraction),"
        words += (
            f" That{full} is {over_ml:.1f} ml more than the bed holds: it stands in the tray, where mould grows, and "
            "may lift the overfill float. Give smaller doses."
        )
    is_seen = rise >= EFFECT_RISE_MIN_FRACTION
    if not is_seen:
        words += (
            f" A probe cannot tell less than {EFFECT_RISE_MIN_FRACTION:g} from its noise, so nobody is told of doses "
            "that do not arrive, as when the tube has come off. Give larger doses, less often."
        )
    yield Advice("dose", is_seen and over_ml <= 0.0, words, numbers)


def without_effect(settings: Settings) -> Iterator[Advice]:
    """What happens to the water when doses do not make the medium wetter: tube off, or a probe that has lost touch."""
    watering, bed_ml = settings.plan.watering, settings.plan.medium.bed_volume_ml
    if watering.dose_ml / bed_ml < EFFECT_RISE_MIN_FRACTION:
        return  # no dose is looked for, which ``one_dose`` says
    words = f"When {EFFECTS_MISSED_MAX} doses in a row do not make the medium wetter, an alarm calls a person"
    fallback = watering.fallback
    if fallback is None or not fallback.without_effect:
        key = "" if fallback is None else " (watering.fallback.without_effect = false)"
        words += f" and there is no water until somebody comes and clears it{key}: see that somebody can, in time."
        yield Advice("no effect", True, words, {"goes_on": False})
        return
    a_week_ml = min(watering.most_in_a_week_ml, DAYS_OF_A_WEEK * 24.0 / fallback.every_h * fallback.dose_ml)
    words += (
        f", and until it is cleared {fallback.dose_ml:g} ml every {fallback.every_h:g} h go on, at most "
        f"{a_week_ml:.0f} ml in a week (watering.fallback.without_effect = true). If the tube has come off, that water "
        "runs beside the bed: only with a leak probe under the tray, and look at it before the run."
    )
    yield Advice("no effect", True, words, {"goes_on": True, "most_in_a_week_ml": round(a_week_ml, 1)})


def fixed_times(settings: Settings) -> Iterator[Advice]:
    """Whether a dose that comes late, after a trip for instance, makes every later one late."""
    watering = settings.plan.watering
    if watering.fixed is None:
        return
    hours = sorted(each.hour + each.minute / 60 + each.second / 3600 for each in watering.fixed.times)
    gap_h = min(later - earlier for earlier, later in pairwise([*hours, hours[0] + 24.0]))
    slack_h, slack_ml = gap_h - watering.rest_h, watering.daily_cap_ml - len(hours) * watering.dose_ml
    numbers = {"least_gap_h": round(gap_h, 2), "slack_h": round(slack_h, 2), "slack_ml": round(slack_ml, 2)}
    words = (
        f"Between two fixed times lie at least {gap_h:g} h, and doses rest {watering.rest_h:g} h; a day brings "
        f"{len(hours) * watering.dose_ml:g} ml of the {watering.daily_cap_ml:g} ml that the plan allows."
    )
    has_slack = slack_h >= SLACK_H and slack_ml >= watering.dose_ml
    if not has_slack:
        words += (
            f" A dose that comes late makes all later ones late: leave {SLACK_H:g} h more between the times than they "
            "rest, and a dose below the daily cap."
        )
    yield Advice("fixed times", has_slack, words, numbers)


def board(settings: Settings) -> Iterator[Advice]:
    """Whether chamber and board give what the plan may want, after the next pump calibration too."""
    plan, chamber = settings.plan, settings.chamber
    fallback = plan.watering.fallback
    largest_ml = max(plan.first_wetting.aliquot_ml, plan.watering.dose_ml, fallback.dose_ml if fallback else 0.0)
    first_day_ml = plan.first_wetting.total_ml + plan.watering.daily_cap_ml
    numbers = {"largest_dose_ml": largest_ml, "dose_max_ml": chamber.limits.dose_max_ml, "first_day_ml": first_day_ml}
    words = (
        f"The largest dose is {largest_ml:g} ml, the chamber allows {chamber.limits.dose_max_ml:g} ml; in the first 24 "
        f"hours up to {first_day_ml:g} ml may be wanted, and {chamber.limits.daily_max_ml:g} ml are allowed."
    )
    held_back = first_day_ml > chamber.limits.daily_max_ml
    if held_back:
        words += " Water beyond that is held back until the next day."
    narrow = list(narrow_limits(chamber))
    words = " ".join([words, *narrow])
    yield Advice("board", largest_ml <= chamber.limits.dose_max_ml and not narrow, words, numbers)
