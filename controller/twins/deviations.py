"""What went otherwise than planned, or otherwise than at the twin, ranked by how much it matters."""

from dataclasses import dataclass

import numpy as np

from controller.control.words import trip_words
from controller.records.series import Values
from controller.twins.environment import DIFFERENT, Environment, margins_of
from controller.twins.gathering import Twin


@dataclass(frozen=True, order=True)
class Deviation:
    """Something that was not as planned, or not as at the twin. ``margin_days`` ranks it: by how many margins it was
    off, times the days it lasted."""

    margin_days: float
    twin: str
    what: str
    words: str
    from_h: float
    to_h: float


def deviations_of(twins: list[Twin], environments: list[Environment]) -> list[Deviation]:
    """All deviations, the one that matters most first."""
    found: list[Deviation] = []
    for twin in twins:
        found += [*_from_plan(twin), *_missing(twin), *_stopped(twin)]
    off_plan = [each for each in found if each.what == "light_h"]
    for environment in environments:
        found += [each for each in _from_twin(environment) if not _is_told(each, off_plan)]
    return sorted(found, key=lambda each: -each.margin_days)


def _is_told(deviation: Deviation, off_plan: list[Deviation]) -> bool:
    """Whether light that differs from the twin's is told already as light that differs from the plan."""
    return deviation.what in ("light_h", "daily_light_integral_mol_m2") and any(
        each.from_h < deviation.to_h and deviation.from_h < each.to_h for each in off_plan
    )


def _runs(days: list[int], off: Values) -> list[tuple[int, int, float]]:
    """(first day, last day, sum of the sizes) of runs of days that are off; nothing where the size is 0."""
    found: list[tuple[int, int, float]] = []
    for day, size in zip(days, off.tolist(), strict=True):
        if size == 0.0:
            continue
        if found and found[-1][1] == day - 1 and (found[-1][2] > 0.0) == (size > 0.0):
            found[-1] = (found[-1][0], day, found[-1][2] + size)
        else:
            found.append((day, day, size))
    return found


def _from_plan(twin: Twin) -> list[Deviation]:
    margins = margins_of(twin)
    found = []
    known = [
        (day, planned) for day, planned in zip(twin.days, twin.planned_light_h, strict=True) if day.light_h is not None
    ]
    days = [day.day for day, _ in known]
    short_h = np.array([(day.light_h or 0.0) - planned for day, planned in known])
    unread_h = np.array([day.gap_h for day, _ in known])
    beyond = np.abs(short_h) > margins.light_h + unread_h  # what was not read may have been light
    for start, end, total in _runs(days, np.where(beyond, short_h, 0.0)):
        each_h = total / (end - start + 1)
        words = f"light {'too short' if each_h < 0 else 'too long'} by {abs(each_h):.1f} h a day"
        found.append(
            Deviation(abs(total) / margins.light_h, twin.name, "light_h", words, start * 24.0, (end + 1) * 24.0)
        )
    climate = twin.settings.plan.climate
    for key, outside, low, high, unit in (
        (
            "air_temperature_c",
            [day.air_temperature_outside_band_h or 0.0 for day in twin.days],
            climate.air_temperature_low_c,
            climate.air_temperature_high_c,
            "°C",
        ),
        (
            "relative_humidity_pct",
            [day.relative_humidity_outside_band_h or 0.0 for day in twin.days],
            climate.relative_humidity_low_pct,
            climate.relative_humidity_high_pct,
            "%",
        ),
    ):
        hours = np.array(outside)
        for start, end, total in _runs([day.day for day in twin.days], np.where(hours > 1.0, hours, 0.0)):
            name = "air temperature" if key == "air_temperature_c" else "humidity"
            words = f"{name} outside the band of {low:g} to {high:g} {unit} for {total:.0f} h"
            found.append(Deviation(total / 24.0, twin.name, f"{key} band", words, start * 24.0, (end + 1) * 24.0))
    missing_ml = twin.asked_ml - twin.water.delivered_ml
    share = missing_ml / twin.asked_ml if twin.asked_ml else 0.0
    if abs(share) > margins.water_fraction / 2.0:
        words = f"{100 * abs(share):.0f} % {'less' if share > 0 else 'more'} water delivered than was asked for"
        size = abs(share) / margins.water_fraction * twin.length_h / 24.0
        found.append(Deviation(size, twin.name, "water_delivered", words, 0.0, twin.length_h))
    return found


def _missing(twin: Twin) -> list[Deviation]:
    found = [
        Deviation((end - start) / 24.0, twin.name, "gap", f"no readings for {end - start:.1f} h", start, end)
        for start, end in twin.gaps_h
    ]
    for channel, count in twin.survey.not_good.items():
        share = count / twin.survey.readings if twin.survey.readings else 0.0
        if share > 0.01:
            words = f"{100 * share:.0f} % of the readings of {channel.replace('_', ' ')} were not good"
            found.append(
                Deviation(share * twin.length_h / 24.0, twin.name, f"{channel} quality", words, 0.0, twin.length_h)
            )
    if twin.readings_untrusted:
        words = f"{twin.readings_untrusted:,} readings have a time that nothing vouches for"
        found.append(Deviation(1.0, twin.name, "time", words, 0.0, twin.length_h))
    return found


def _stopped(twin: Twin) -> list[Deviation]:
    return [
        Deviation(
            max(0.01, (stop.to_h - stop.from_h) / 24.0),
            twin.name,
            f"trip {stop.reason}",
            f"water stopped: {trip_words(stop.reason)}".rstrip("."),
            stop.from_h,
            stop.to_h,
        )
        for stop in twin.stops
    ]


def _from_twin(environment: Environment) -> list[Deviation]:
    found = []
    for each in environment.channels:
        moved = np.array(each.second) - np.array(each.first)
        over = np.where(np.abs(moved) > each.channel.margin, moved, 0.0)
        for start, end, total in _runs(each.days, over):
            mean = total / (end - start + 1)
            lone = end - start < 1 and each.verdict != DIFFERENT
            if lone or each.channel.key == "degree_days":
                continue  # a single odd day is told by its plan's own line; degree-days repeat the temperature
            words = (
                f"{each.channel.title.lower()} {'lower' if mean < 0 else 'higher'} than at {environment.first} "
                f"by {abs(mean):.{each.channel.decimals}f} {each.channel.unit}"
            )
            size = abs(total) / each.channel.margin
            found.append(Deviation(size, environment.second, each.channel.key, words, start * 24.0, (end + 1) * 24.0))
    if environment.water.verdict == DIFFERENT:
        share = environment.water.difference_fraction
        words = (
            f"{100 * abs(share):.0f} % {'less' if share < 0 else 'more'} water delivered than at {environment.first}"
        )
        days = max((each.days[-1] + 1 for each in environment.channels), default=1)
        found.append(
            Deviation(
                abs(share) / environment.water.margin_fraction * days,
                environment.second,
                "water",
                words,
                0.0,
                days * 24.0,
            )
        )
    return found
