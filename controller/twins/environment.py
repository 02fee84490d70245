"""Were the places alike? Each channel day by day, the water accounts, and what went otherwise than planned."""

import math
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
from scipy.special import ndtri

from controller.plan import Margins
from controller.records.survey import Day
from controller.science.agreement import Spread, limits_of_agreement, mean_of_series, spread_of_series, tost_summary
from controller.twins.gathering import Twin

ALIKE, DIFFERENT, OPEN = "alike", "different", "not settled"
DAY_GAP_MAX_H = 4.0  # a day with more than this unread is compared with nothing (a choice, no source)
# What every reading of one sensor shares. SHT31 data sheet: typically within 2 % relative humidity; within 0.3 C
# (from memory); taken as the half width of a rectangular distribution (JCGM 100:2008, 4.3.7). Assumptions.
AIR_TEMPERATURE_SE_C = 0.3 / math.sqrt(3.0)
RELATIVE_HUMIDITY_SE_PCT = 2.0 / math.sqrt(3.0)
VAPOUR_PRESSURE_DEFICIT_SE_KPA = 0.05  # of those two at 22 C and 65 % (computed)
LEAST_DAYS = 3
# Eight questions are asked of two places, so each is answered "different" only at 99 %: together they then call
# places that are alike different in at most about 5 of 100 comparisons.
DIFFERENT_CONFIDENCE = 0.99


@dataclass(frozen=True)
class Channel:
    """One thing that is compared day by day; ``margin`` is how far twins may differ, in the unit of the values."""

    key: str
    title: str
    unit: str
    decimals: int
    margin: float
    sensor_se: float
    least_sd: float
    exact: bool = False  # delivered and recorded in full, not sampled by a sensor: days are no chance


@dataclass(frozen=True, eq=False)
class ChannelComparison:
    """A channel of two twins. Differences are second less first."""

    channel: Channel
    days: list[int]
    first: list[float]
    second: list[float]
    mean_first: float
    mean_second: float
    difference: float
    low: float
    high: float
    limits_low: float
    limits_high: float
    p_alike: float
    verdict: str


@dataclass(frozen=True)
class WaterComparison:
    """The accounts of two twins, in ml; the verdict is about what was delivered."""

    difference_ml: float
    difference_fraction: float
    standard_uncertainty_fraction: float
    margin_fraction: float
    verdict: str


@dataclass(frozen=True, eq=False)
class Environment:
    """The places of two twins."""

    first: str
    second: str
    channels: list[ChannelComparison]
    water: WaterComparison
    skipped: list[str] = field(default_factory=list)

    def of(self, key: str) -> ChannelComparison | None:
        return next((each for each in self.channels if each.channel.key == key), None)


def margins_of(twin: Twin) -> Margins:
    """The plan's margins, or the assumed ones."""
    return twin.settings.plan.margins or Margins()


def channels_of(first: Twin, second: Twin) -> list[Channel]:
    """What is compared, with the margins of the first twin's plan."""
    margins = margins_of(first)
    two = math.sqrt(2.0)
    probes = (
        max(chamber.moisture_probe.standard_uncertainty_fraction for chamber in each.settings.chambers)
        for each in (first, second)
    )
    integral = float(np.mean(first.planned_light_integral_mol_m2)) if first.planned_light_integral_mol_m2 else 0.0
    temperature_se = AIR_TEMPERATURE_SE_C * two
    return [
        Channel("air_temperature_c", "Air temperature", "°C", 2, margins.air_temperature_c, temperature_se, 0.01),
        Channel("degree_days", "Degree-days a day", "°C d", 2, margins.air_temperature_c, temperature_se, 0.01),
        Channel(
            "relative_humidity_pct",
            "Relative humidity",
            "%",
            1,
            margins.relative_humidity_pct,
            RELATIVE_HUMIDITY_SE_PCT * two,
            0.05,
        ),
        Channel(
            "vapour_pressure_deficit_kpa",
            "Vapour pressure deficit",
            "kPa",
            3,
            margins.vapour_pressure_deficit_kpa,
            VAPOUR_PRESSURE_DEFICIT_SE_KPA * two,
            0.002,
        ),
        Channel(
            "water_content_fraction",
            "Water in the medium",
            "ml/ml",
            3,
            margins.water_content_fraction,
            math.hypot(*probes),
            0.001,
        ),
        Channel("light_h", "Hours of light a day", "h", 2, margins.light_h, 0.0, 0.02, exact=True),
        Channel(
            "daily_light_integral_mol_m2",
            "Daily light integral",
            "mol/m²",
            2,
            max(0.01, margins.daily_light_integral_fraction * integral),
            0.0,
            0.01,
            exact=True,
        ),
    ]


def value_of(day: Day, key: str) -> float | None:
    """The day's figure for a channel; None where it is not known."""
    if day.gap_h > DAY_GAP_MAX_H:
        return None
    return {
        "air_temperature_c": day.air_temperature_c.mean,
        "degree_days": day.degree_days,
        "relative_humidity_pct": day.relative_humidity_pct.mean,
        "vapour_pressure_deficit_kpa": day.vapour_pressure_deficit_mean_kpa,
        "water_content_fraction": day.water_content_fraction.mean,
        "light_h": day.light_h,
        "daily_light_integral_mol_m2": day.daily_light_integral_mol_m2,
    }[key]


def compare_environments(twins: list[Twin]) -> list[Environment]:
    """Every pair of twins: each channel on the days that both have, and the water accounts.

    With more than two twins each verdict is asked to be surer, so that all pairs together err as one would
    (Bonferroni), and the scatter of days is taken from all pairs, which makes up for some of it.
    """
    found = {
        (a.name, b.name): Environment(a.name, b.name, [], _water(a, b, math.comb(len(twins), 2)))
        for a, b in combinations(twins, 2)
    }
    for place in range(len(channels_of(twins[0], twins[1]))):
        known: dict[tuple[str, str], tuple[Channel, Known]] = {}
        for a, b in combinations(twins, 2):
            channel = channels_of(a, b)[place]
            days = _known(channel, a, b)
            if len(days) < LEAST_DAYS:
                found[a.name, b.name].skipped.append(f"{channel.title}: only {len(days)} whole days are known at both.")
            else:
                known[a.name, b.name] = channel, days
        if not known:
            continue
        least_sd = next(iter(known.values()))[0].least_sd
        moved = [np.array([b - a for _, a, b in days]) for _, days in known.values()]
        spread = spread_of_series(moved, len(twins) - 1, least_sd)
        for pair, (channel, days) in known.items():
            found[pair].channels.append(_compared(channel, days, spread, math.comb(len(twins), 2)))
    return list(found.values())


Known = list[tuple[int, float, float]]  # day, and the figure of the first and of the second twin


def _known(channel: Channel, first: Twin, second: Twin) -> Known:
    by_day = {day.day: day for day in second.days}
    pairs = [(day, by_day[day.day]) for day in first.days if day.day in by_day]
    return [
        (here.day, a, b)
        for here, there in pairs
        if (a := value_of(here, channel.key)) is not None and (b := value_of(there, channel.key)) is not None
    ]


def _compared(channel: Channel, known: Known, spread: Spread, pairs: int) -> ChannelComparison:
    days, a, b = ([each[i] for each in known] for i in range(3))
    moved = np.array(b) - np.array(a)
    agreement = limits_of_agreement(b, a)
    sure_fraction = 1.0 - (1.0 - DIFFERENT_CONFIDENCE) / pairs
    wide = mean_of_series(moved, 0.95, channel.sensor_se, spread=spread)
    sure = mean_of_series(moved, sure_fraction, channel.sensor_se, spread=spread)
    test = tost_summary(wide.mean, wide.se, wide.df, -channel.margin, channel.margin)
    told = verdict(wide.mean, sure.low, sure.high, min(1.0, pairs * test.p), channel.margin)
    low, high = wide.low, wide.high
    if channel.exact:
        low = high = wide.mean
        told = DIFFERENT if float(np.mean(np.abs(moved))) > channel.margin else ALIKE
    return ChannelComparison(
        channel,
        [int(day) for day in days],
        [float(each) for each in a],
        [float(each) for each in b],
        float(np.mean(a)),
        float(np.mean(b)),
        wide.mean,
        low,
        high,
        agreement.low,
        agreement.high,
        test.p,
        told,
    )


def verdict(difference: float, low: float, high: float, p_alike: float, margin: float) -> str:
    """Alike: the two one-sided tests pass. Different: the 99 % interval (``low`` to ``high``) leaves out 0 and the
    difference is over the margin.

    Everything else is not settled: the records can neither show the twins alike nor unlike.
    """
    if p_alike < 0.05:
        return ALIKE
    if abs(difference) > margin and (low > 0.0 or high < 0.0):
        return DIFFERENT
    return OPEN


def _water(first: Twin, second: Twin, pairs: int) -> WaterComparison:
    margin = margins_of(first).water_fraction
    a, b = first.water.delivered_ml, second.water.delivered_ml
    middle = (a + b) / 2.0
    if middle <= 0.0:
        return WaterComparison(b - a, 0.0, 0.0, margin, OPEN)
    share = (b - a) / middle
    spread = (
        math.hypot(first.water.delivered_standard_uncertainty_ml, second.water.delivered_standard_uncertainty_ml)
        / middle
    )
    test = tost_summary(share, max(spread, 1e-6), 1e6, -margin, margin)
    half = float(ndtri(1.0 - (1.0 - DIFFERENT_CONFIDENCE) / (2.0 * pairs))) * spread
    told = verdict(share, share - half, share + half, min(1.0, pairs * test.p), margin)
    return WaterComparison(b - a, share, spread, margin, told)
