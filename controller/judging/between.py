"""What a plan asks of a chamber that the chamber cannot give. Sentences name the plan's keys first."""

from collections.abc import Callable, Iterator

from controller.control.model.moments import MS_PER_DAY, MS_PER_H
from controller.control.watering import BOARD_DAY_MS
from controller.judging.inside_chamber import BoardLimits, whole_steps
from controller.judging.kinds import number
from controller.judging.orders import exceeds, number_at
from controller.plan import Chamber, Plan

DUTY_MIN_FRACTION = 0.01  # the lamp output works in whole percents

Check = Callable[[Plan, Chamber, BoardLimits], Iterator[str]]


def at_most(plan_key: str, chamber_key: str, words: str) -> Check:
    """A check that a volume of the plan is at most a limit of the chamber, in words with {} for the limit."""

    def within_chamber(plan: Plan, chamber: Chamber, board: BoardLimits) -> Iterator[str]:
        volume_ml, most_ml = number_at(plan, plan_key), number_at(chamber, chamber_key)
        if volume_ml is not None and most_ml is not None and exceeds(volume_ml, most_ml):
            yield f"{plan_key} is {number(volume_ml)}, but {words.format(number(most_ml))} ({chamber_key})."

    return within_chamber


def at_least_a_step(plan_key: str) -> Check:
    """A check that a volume of the plan turns the pump at all."""

    def turns_the_pump(plan: Plan, chamber: Chamber, board: BoardLimits) -> Iterator[str]:
        volume_ml, ml_per_step = number_at(plan, plan_key), chamber.pump.ml_per_step
        if volume_ml is not None and whole_steps(volume_ml, ml_per_step) < 1:
            yield (
                f"{plan_key} is {number(volume_ml)}, which is less than one step of this chamber's pump "
                f"(pump.ml_per_step = {number(ml_per_step)})."
            )

    return turns_the_pump


def within_calibration(threshold: str) -> Check:
    """A check that a moisture threshold lies where the probe of the chamber is calibrated."""

    def probe_can_see(plan: Plan, chamber: Chamber, board: BoardLimits) -> Iterator[str]:
        moisture, probe = plan.watering.moisture, chamber.moisture_probe
        if moisture is None:
            return
        value = getattr(moisture, threshold)
        low, high = probe.dry_fraction, probe.wet_fraction
        if low < high and not low <= value <= high:
            yield (
                f"watering.moisture.{threshold} is {number(value)}, but this chamber's moisture probe is "
                f"calibrated only from {number(low)} to {number(high)} "
                "(moisture_probe.dry_fraction, moisture_probe.wet_fraction)."
            )

    return probe_can_see


def fixed_times_fit_the_counted_day(plan: Plan, chamber: Chamber, board: BoardLimits) -> Iterator[str]:
    """The day over which the chamber's limit is counted is longer than 24 hours, so that more fixed times fall into it
    than into a day of the clock. A dose that has to wait comes later each day, and in the end one is left out."""
    fixed, dose_ml, most_ml = plan.watering.fixed, plan.watering.dose_ml, chamber.limits.daily_max_ml
    if fixed is None or exceeds(plan.watering.daily_cap_ml, most_ml):  # which is said already
        return
    of_a_day_ms = [1000 * (3600 * each.hour + 60 * each.minute + each.second) for each in fixed.times]
    times_ms = [day * MS_PER_DAY + each for day in range(3) for each in of_a_day_ms]
    count = max(sum(first <= each < first + BOARD_DAY_MS for each in times_ms) for first in of_a_day_ms)
    if exceeds(count * dose_ml, most_ml):
        yield (
            f"watering.fixed.times brings {count} doses of {number(dose_ml)} ml (watering.dose_ml), together "
            f"{number(count * dose_ml)} ml, into the {number(BOARD_DAY_MS // MS_PER_H)} hours over which the board "
            f"counts a day, but this chamber gives at most {number(most_ml)} ml in them (limits.daily_max_ml)."
        )


def push_is_not_too_slow(plan: Plan, chamber: Chamber, board: BoardLimits) -> Iterator[str]:
    """The pump is slowed to the push rate of the plan, but it cannot turn slower than a step a second."""
    push_ml_per_min = plan.first_wetting.push_rate_max_ml_per_min
    least_ml_per_min = chamber.pump.ml_per_step * 60
    if exceeds(least_ml_per_min, push_ml_per_min):
        yield (
            f"first_wetting.push_rate_max_ml_per_min is {number(push_ml_per_min)}, but this chamber's pump gives "
            f"at least {number(least_ml_per_min)} ml/min at one step a second "
            f"(pump.ml_per_step = {number(chamber.pump.ml_per_step)})."
        )


def aliquot_ends_in_time(plan: Plan, chamber: Chamber, board: BoardLimits) -> Iterator[str]:
    """A slow push makes a long run, and the board lets no dose run for long."""
    wetting, pump = plan.first_wetting, chamber.pump
    push_steps_per_s = whole_steps(wetting.push_rate_max_ml_per_min / 60, pump.ml_per_step)
    steps_per_s = min(pump.steps_per_s, push_steps_per_s)
    steps = whole_steps(wetting.aliquot_ml, pump.ml_per_step)
    too_much = exceeds(wetting.aliquot_ml, chamber.limits.dose_max_ml)  # which is said already
    if not too_much and steps_per_s >= 1 and board.run_ms(steps, steps_per_s) > board.run_max_ms:
        allowed_s = (board.run_max_ms - board.run_margin_ms) / 1000
        yield (
            f"first_wetting.aliquot_ml is {number(wetting.aliquot_ml)}, which takes "
            f"{number(round(steps / steps_per_s, 1))} s at "
            f"first_wetting.push_rate_max_ml_per_min = {number(wetting.push_rate_max_ml_per_min)}, but this "
            f"chamber's board runs a dose for at most {number(allowed_s)} s."
        )


def ppfd_is_in_reach(plan: Plan, chamber: Chamber, board: BoardLimits) -> Iterator[str]:
    ppfd, lamp = plan.photoperiod.ppfd_umol_m2_s, chamber.lamp
    if ppfd is None:
        return
    most = lamp.ppfd_at_full_duty_umol_m2_s * lamp.duty_max_fraction
    least = lamp.ppfd_at_full_duty_umol_m2_s * DUTY_MIN_FRACTION
    if exceeds(ppfd, most):
        yield (
            f"photoperiod.ppfd_umol_m2_s is {number(ppfd)}, but this chamber's lamp gives at most {number(most)} "
            "(lamp.ppfd_at_full_duty_umol_m2_s x lamp.duty_max_fraction)."
        )
    elif ppfd > 0.0 and exceeds(least, ppfd):
        yield (
            f"photoperiod.ppfd_umol_m2_s is {number(ppfd)}, but this chamber's lamp gives at least {number(least)} "
            "when it is on (one percent of lamp.ppfd_at_full_duty_umol_m2_s)."
        )


def duty_is_in_reach(plan: Plan, chamber: Chamber, board: BoardLimits) -> Iterator[str]:
    duty, most = plan.photoperiod.duty_fraction, chamber.lamp.duty_max_fraction
    if duty is None:
        return
    if exceeds(duty, most):
        yield (
            f"photoperiod.duty_fraction is {number(duty)}, but this chamber's lamp is driven at {number(most)} at "
            "most (lamp.duty_max_fraction)."
        )
    elif 0.0 < duty < DUTY_MIN_FRACTION:
        yield f"photoperiod.duty_fraction is {number(duty)}, but a lamp cannot be dimmed below {DUTY_MIN_FRACTION}."


ONE_DOSE = "this chamber gives at most {} ml in one dose"
ONE_DAY = "this chamber gives at most {} ml in 24 hours"

BETWEEN_CHECKS: tuple[Check, ...] = (
    at_most("first_wetting.aliquot_ml", "limits.dose_max_ml", ONE_DOSE),
    at_most("watering.dose_ml", "limits.dose_max_ml", ONE_DOSE),
    at_most("watering.fallback.dose_ml", "limits.dose_max_ml", ONE_DOSE),
    at_most("first_wetting.total_ml", "limits.daily_max_ml", ONE_DAY),
    at_most("watering.daily_cap_ml", "limits.daily_max_ml", ONE_DAY),
    at_most("first_wetting.total_ml", "limits.reservoir_ml", "this chamber's reservoir holds {} ml"),
    at_least_a_step("first_wetting.aliquot_ml"),
    at_least_a_step("watering.dose_ml"),
    at_least_a_step("watering.fallback.dose_ml"),
    within_calibration("low_fraction"),
    within_calibration("high_fraction"),
    fixed_times_fit_the_counted_day,
    push_is_not_too_slow,
    aliquot_ends_in_time,
    ppfd_is_in_reach,
    duty_is_in_reach,
)
