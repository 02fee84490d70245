"""Pairs of numbers that must stand in an order, as a table: one line a pair."""

from collections.abc import Callable, Iterator
from typing import Any, NamedTuple, cast

from controller.judging.kinds import number
from controller.judging.shape import UnknownValue

ROUNDING = 1e-9  # of sums and products of decimal numbers


def exceeds(value: float, bound: float) -> bool:
    """Whether a value is over a bound by more than the rounding of decimal numbers."""
    return value > bound * (1.0 + ROUNDING) + ROUNDING


class Order(NamedTuple):
    """``key`` must not stand to ``other`` as the words say."""

    key: str
    wrong: Callable[[float, float], bool]
    words: str
    other: str


def _is_below(value: float, bound: float) -> bool:
    return value < bound


def _is_above(value: float, bound: float) -> bool:
    return value > bound


def _is_not_below(value: float, bound: float) -> bool:
    return value >= bound


def _not_below(key: str, other: str) -> Order:
    return Order(key, _is_not_below, "not below", other)


def _more_than(key: str, other: str) -> Order:
    return Order(key, exceeds, "more than", other)


PLAN_ORDERS = (
    _not_below("medium.retention.theta_r", "medium.retention.theta_s"),
    _more_than("first_wetting.aliquot_ml", "first_wetting.total_ml"),
    _not_below("watering.moisture.low_fraction", "watering.moisture.high_fraction"),
    _not_below("watering.moisture.high_fraction", "medium.retention.theta_s"),  # wetter than full is never reached
    _more_than("watering.dose_ml", "watering.daily_cap_ml"),
    _more_than("watering.fallback.dose_ml", "watering.daily_cap_ml"),
    _more_than("watering.daily_cap_ml", "watering.total_cap_ml"),
    _more_than("watering.daily_cap_ml", "watering.weekly_cap_ml"),  # and so no dose is
    _more_than("watering.weekly_cap_ml", "watering.total_cap_ml"),
    Order("photoperiod.light_h", exceeds, "longer than", "photoperiod.cycle_h"),
    _not_below("climate.air_temperature_low_c", "climate.air_temperature_high_c"),
    Order("climate.air_temperature_alarm_low_c", _is_above, "above", "climate.air_temperature_low_c"),
    Order("climate.air_temperature_alarm_high_c", _is_below, "below", "climate.air_temperature_high_c"),
    Order("climate.lamp_off_above_c", _is_below, "below", "climate.air_temperature_alarm_high_c"),
    _not_below("climate.relative_humidity_low_pct", "climate.relative_humidity_high_pct"),
    Order("climate.relative_humidity_alarm_low_pct", _is_above, "above", "climate.relative_humidity_low_pct"),
    Order("climate.relative_humidity_alarm_high_pct", _is_below, "below", "climate.relative_humidity_high_pct"),
)

CHAMBER_ORDERS = (
    _not_below("moisture_probe.dry_fraction", "moisture_probe.wet_fraction"),
    _not_below("pump.ml_per_step_standard_uncertainty", "pump.ml_per_step"),
    _more_than("limits.dose_max_ml", "limits.daily_max_ml"),
    _not_below("picture.left_fraction", "picture.right_fraction"),
    _not_below("picture.top_fraction", "picture.bottom_fraction"),
)


def out_of_order(subject: Any, orders: tuple[Order, ...]) -> Iterator[str]:
    """A sentence for each pair that stands wrong; pairs with an absent or faulty number are passed over."""
    for key, wrong, words, other in orders:
        try:
            value, bound = number_at(subject, key), number_at(subject, other)
        except UnknownValue:
            continue
        if value is not None and bound is not None and wrong(value, bound):
            yield f"{key} is {number(value)}, which is {words} {other} = {number(bound)}."


def number_at(subject: Any, path: str) -> float | None:
    """The number at a dotted path, or None where a table or the number is left out."""
    for key in path.split("."):
        subject = None if subject is None else getattr(subject, key)
    return cast(float | None, subject)
