"""What must agree inside a plan. Each check answers sentences; one that meets a faulty value falls silent."""

from collections.abc import Callable, Iterator
from datetime import datetime
from difflib import get_close_matches

from controller.judging.kinds import either, number, text
from controller.judging.orders import PLAN_ORDERS, exceeds, out_of_order
from controller.plan import DAYS_OF_A_WEEK, HandsOnStep, Plan

# The texture classes of Carsel and Parrish (1988), Water Resources Research 24:755-769, by their common names.
TEXTURES = (
    "sand",
    "loamy sand",
    "sandy loam",
    "loam",
    "silt loam",
    "sandy clay loam",
    "clay loam",
    "silty clay loam",
    "silty clay",
    "clay",
)
OBSERVATION_STEP_PREFIX = "observe-day-"  # names of the steps that Settings makes of the observation days
FIRST_YEAR, LAST_YEAR = 2000, 2099
S_PER_DAY = 86_400


def numbers_in_order(plan: Plan) -> Iterator[str]:
    return out_of_order(plan, PLAN_ORDERS)


def one_of(table: str, first: str, second: str) -> Callable[[Plan], Iterator[str]]:
    """A check that exactly one of two optional keys of a table is given."""

    def exactly_one(plan: Plan) -> Iterator[str]:
        holder = getattr(plan, table)
        has_first, has_second = getattr(holder, first) is not None, getattr(holder, second) is not None
        if has_first == has_second:
            have = f"both {first} and {second}" if has_first else f"neither {first} nor {second}"
            yield f"{table} has {have}; give exactly one of them."

    return exactly_one


def repeated(values: list[str] | list[int]) -> list[str]:
    """The values that stand in a list more than once, in words."""
    seen: dict[str, int] = {}
    for value in values:
        seen[str(value)] = seen.get(str(value), 0) + 1
    return [value for value, times in seen.items() if times > 1]


# -- water ----


def known_texture(plan: Plan) -> Iterator[str]:
    texture = plan.medium.texture
    if texture is None or texture in TEXTURES:
        return
    close = get_close_matches(texture.lower(), TEXTURES, n=1, cutoff=0.8)
    guess = f"did you mean {text(close[0])}?" if close else f"give {either(list(TEXTURES))}, or medium.retention."
    yield f"medium.texture is {text(texture)}, which is not a texture known here; {guess}"


def first_wetting_fits_the_bed(plan: Plan) -> Iterator[str]:
    bed_ml = plan.medium.bed_volume_ml
    if exceeds(plan.first_wetting.total_ml, bed_ml):
        yield (
            f"first_wetting.total_ml is {number(plan.first_wetting.total_ml)}, but the whole bed is only "
            f"{number(bed_ml)} ml (medium.bed_area_cm2 x medium.bed_depth_cm)."
        )


def fallback_has_a_use(plan: Plan) -> Iterator[str]:
    if plan.watering.fixed is not None and plan.watering.fallback is not None:
        yield "watering.fallback has no use beside watering.fixed, which never looks at the moisture; leave it out."


def fixed_times_differ(plan: Plan) -> Iterator[str]:
    fixed = plan.watering.fixed
    if fixed is not None:
        for time_of_day in repeated([f"{one:%H:%M:%S}" for one in fixed.times]):
            yield f"watering.fixed.times holds {time_of_day} more than once; give each time once."


def fixed_times_within_daily_cap(plan: Plan) -> Iterator[str]:
    watering = plan.watering
    if watering.fixed is None:
        return
    times = len(watering.fixed.times)
    if times > 1 and exceeds(times * watering.dose_ml, watering.daily_cap_ml):
        yield (
            f"watering.fixed.times holds {times} times of {number(watering.dose_ml)} ml (watering.dose_ml), "
            f"together {number(times * watering.dose_ml)} ml, which is more than "
            f"watering.daily_cap_ml = {number(watering.daily_cap_ml)}."
        )


def weekly_cap_within_seven_daily_ones(plan: Plan) -> Iterator[str]:
    """A weekly cap over seven daily ones is never reached: whoever wrote it takes it for a guard that it is not."""
    watering = plan.watering
    weekly_ml, most_ml = watering.weekly_cap_ml, DAYS_OF_A_WEEK * watering.daily_cap_ml
    if weekly_ml is not None and exceeds(weekly_ml, most_ml):
        yield (
            f"watering.weekly_cap_ml is {number(weekly_ml)}, more than seven days of "
            f"watering.daily_cap_ml = {number(watering.daily_cap_ml)} give: at most {number(most_ml)}."
        )


def fixed_times_within_weekly_cap(plan: Plan) -> Iterator[str]:
    watering = plan.watering
    if watering.fixed is None or watering.weekly_cap_ml is None:
        return
    doses = DAYS_OF_A_WEEK * len(watering.fixed.times)
    if exceeds(doses * watering.dose_ml, watering.weekly_cap_ml):
        yield (
            f"watering.fixed.times brings {doses} doses of {number(watering.dose_ml)} ml (watering.dose_ml) in a week, "
            f"together {number(doses * watering.dose_ml)} ml, which is more than "
            f"watering.weekly_cap_ml = {number(watering.weekly_cap_ml)}."
        )


def fixed_times_leave_the_rest(plan: Plan) -> Iterator[str]:
    """Two times closer than the rest would hold the second dose back every day."""
    fixed = plan.watering.fixed
    if fixed is None:
        return
    by_second_of_day = {one.hour * 3600 + one.minute * 60 + one.second: f"{one:%H:%M:%S}" for one in fixed.times}
    seconds = sorted(by_second_of_day)
    for this, following in zip(seconds, [*seconds[1:], seconds[0] + S_PER_DAY], strict=True):
        gap_h = (following - this) / 3600
        if exceeds(plan.watering.rest_h, gap_h):
            yield (
                f"watering.fixed.times has only {number(gap_h)} h from {by_second_of_day[this]} to "
                f"{by_second_of_day[following % S_PER_DAY]}, but watering.rest_h is {number(plan.watering.rest_h)}."
            )


# -- light ----


def ramps_within_light(plan: Plan) -> Iterator[str]:
    period = plan.photoperiod
    if exceeds(2 * period.ramp_min, period.light_h * 60):
        yield (
            f"photoperiod.ramp_min is {number(period.ramp_min)}, but two ramps must fit into "
            f"photoperiod.light_h = {number(period.light_h)}: at most {number(period.light_h * 30)}."
        )


def start_in_this_age(plan: Plan) -> Iterator[str]:
    start = plan.photoperiod.start
    if isinstance(start, datetime) and not FIRST_YEAR <= start.year <= LAST_YEAR:
        yield (f"photoperiod.start is {start.isoformat()}; give a moment in the years {FIRST_YEAR} to {LAST_YEAR}.")


# -- people ----


def position_numbers_differ(plan: Plan) -> Iterator[str]:
    for value in repeated([position.number for position in plan.positions]):
        yield f"positions holds number {value} more than once; give each position a number of its own."


def step_names_differ(plan: Plan) -> Iterator[str]:
    for value in repeated([step.name for step in plan.steps]):
        yield f"steps holds the name {text(value)} more than once; give each step a name of its own."


def draining_has_its_step(plan: Plan) -> Iterator[str]:
    if not plan.first_wetting.drain:
        return
    weighing = [step for step in plan.steps if step.asks_drained_mass and step.due == "after_soak"]
    if len(weighing) != 1:
        how_many = f"{len(weighing)} steps have" if weighing else "no step has"
        yield (
            f'first_wetting.drain is true, but {how_many} asks_drained_mass = true and due = "after_soak"; '
            "give exactly one such step."
        )


def observation_days_within_length(plan: Plan) -> Iterator[str]:
    late = [str(day) for day in dict.fromkeys(plan.observation.days) if day > plan.length_days]
    if late:
        yield f"observation.days holds {', '.join(late)}, after the end (length_days = {number(plan.length_days)})."


def observation_days_differ(plan: Plan) -> Iterator[str]:
    for value in repeated(plan.observation.days):
        yield f"observation.days holds {value} more than once; give each day once."


PLAN_CHECKS = (
    one_of("medium", "texture", "retention"),
    one_of("watering", "moisture", "fixed"),
    one_of("photoperiod", "ppfd_umol_m2_s", "duty_fraction"),
    numbers_in_order,
    known_texture,
    first_wetting_fits_the_bed,
    fallback_has_a_use,
    fixed_times_differ,
    fixed_times_within_daily_cap,
    weekly_cap_within_seven_daily_ones,
    fixed_times_within_weekly_cap,
    fixed_times_leave_the_rest,
    ramps_within_light,
    start_in_this_age,
    position_numbers_differ,
    step_names_differ,
    draining_has_its_step,
    observation_days_within_length,
    observation_days_differ,
)

# -- one step at a time ----


def step_name_is_free(path: str, step: HandsOnStep, plan: Plan) -> Iterator[str]:
    if step.name.startswith(OBSERVATION_STEP_PREFIX):
        yield (
            f"{path}.name is {text(step.name)}, but names that begin with {OBSERVATION_STEP_PREFIX} are kept for "
            "the days of [observation]."
        )


def step_has_its_day(path: str, step: HandsOnStep, plan: Plan) -> Iterator[str]:
    if step.due == "on_day" and step.day is None:
        yield f'{path}.day is missing; a step with due = "on_day" needs a day, counted from hydration.'


def other_steps_have_no_day(path: str, step: HandsOnStep, plan: Plan) -> Iterator[str]:
    if step.due != "on_day" and step.day is not None:
        yield f'{path}.day is {step.day}, but a step with due = "{step.due}" has no day; leave it out.'


def other_steps_have_no_time(path: str, step: HandsOnStep, plan: Plan) -> Iterator[str]:
    if step.due != "on_day" and step.at_utc is not None:
        yield f'{path}.at_utc is {step.at_utc}, but a step with due = "{step.due}" has no time; leave it out.'


def step_within_length(path: str, step: HandsOnStep, plan: Plan) -> Iterator[str]:
    if step.due == "on_day" and step.day is not None and step.day > plan.length_days:
        yield f"{path}.day is {step.day}, which is after the end (length_days = {number(plan.length_days)})."


def gate_holds_something(path: str, step: HandsOnStep, plan: Plan) -> Iterator[str]:
    """A gate that nothing would wait at is a mistake, not a wish."""
    if step.gate and step.due == "on_day":
        yield f'{path}.gate is true, but a step with due = "on_day" holds no water back; leave gate out.'
    elif step.gate and step.due == "after_soak" and not plan.first_wetting.drain:
        yield f"{path}.gate is true, but with first_wetting.drain = false nothing waits then; leave gate out."


STEP_CHECKS = (
    step_name_is_free,
    step_has_its_day,
    other_steps_have_no_day,
    other_steps_have_no_time,
    step_within_length,
    gate_holds_something,
)
