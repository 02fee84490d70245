"""Figures of the places: differences against their margins, air and light over the run, agreement, water."""

from typing import TYPE_CHECKING

import numpy as np

from controller.records.plots import BAND, CLAY, FAINT, INK, LIGHT, WATER
from controller.twins.comparing import Comparison
from controller.twins.drawing import colour, key, line, mark, title
from controller.twins.gathering import Twin

if TYPE_CHECKING:
    from matplotlib.axes import Axes


SHOWN_MARGINS = 5.0
ROW_IN, PAIR_IN = 0.3, 0.065  # height of a channel with one pair, and of each further pair


def margins_height_in(comparison: Comparison) -> float:
    return 0.9 + len(_rows(comparison)) * (ROW_IN + PAIR_IN * (len(comparison.environments) - 1))


def _rows(comparison: Comparison) -> list[str]:
    """Channels that any pair has, in their order, and the water."""
    keys = [each.channel.key for environment in comparison.environments for each in environment.channels]
    return [*dict.fromkeys(keys), "water"]


def draw_margins(placed: list["Axes"], comparison: Comparison) -> bool:
    """Every difference in units of its margin: the shaded strip is what the plan lets pass as alike."""
    (axes,) = placed
    axes.axvspan(-1.0, 1.0, color=BAND, linewidth=0.0, zorder=0)
    axes.axvline(0.0, color=FAINT, linewidth=0.6)
    keys, labels = _rows(comparison), {"water": "Water delivered"}
    pairs = len(comparison.environments)
    for place, environment in enumerate(comparison.environments):
        apart = 0.72 * ((place + 0.5) / pairs - 0.5)
        for each in environment.channels:
            margin = each.channel.margin
            labels[each.channel.key] = each.channel.title
            row = keys.index(each.channel.key) + apart
            _whisker(axes, row, each.low / margin, each.difference / margin, each.high / margin, place + 1, pairs)
        water = environment.water
        half = 1.96 * water.standard_uncertainty_fraction
        low, high = water.difference_fraction - half, water.difference_fraction + half
        middle, margin = water.difference_fraction, water.margin_fraction
        _whisker(axes, len(keys) - 1 + apart, low / margin, middle / margin, high / margin, place + 1, pairs)
        if pairs > 1:
            name = f"{environment.second} less {environment.first}"
            axes.plot([], [], mark(place + 1), color=colour(place + 1), linestyle="-", linewidth=1.6, label=name)
    for row in range(1, len(keys) if pairs > 1 else 0):
        axes.axhline(row - 0.5, color=FAINT, linewidth=0.3)
    axes.set_yticks(range(len(keys)), [labels[name] for name in keys])
    axes.set_ylim(len(keys) - 0.5, -0.5)
    axes.set_xlim(-SHOWN_MARGINS * 1.06, SHOWN_MARGINS * 1.06)
    axes.tick_params(axis="y", length=0.0)
    axes.set_xlabel("difference, in margins (shaded: alike); bars: 95 % interval")
    if pairs > 1:
        key(axes, fontsize=7.5, loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=min(3, pairs))
    return True


def _whisker(axes: "Axes", row: float, low: float, middle: float, high: float, place: int, pairs: int) -> None:
    shown, size = SHOWN_MARGINS, 5.0 if pairs == 1 else 4.0
    ends = np.clip([low, high], -shown, shown)
    axes.plot(ends, [row, row], color=colour(place), linewidth=1.6 if pairs == 1 else 1.1, solid_capstyle="butt")
    if abs(middle) <= shown:
        axes.plot([middle], [row], mark(place), color=colour(place), markersize=size)
        return
    side = shown if middle > 0 else -shown
    axes.plot([side], [row], ">" if middle > 0 else "<", color=colour(place), markersize=size + 1.5)
    if pairs > 1:
        return  # the figures of so many stand in the tables
    axes.annotate(
        f"{middle:+.0f} margins",
        (side, row),
        xytext=(-8 if middle > 0 else 8, 0.5),
        textcoords="offset points",
        ha="right" if middle > 0 else "left",
        va="center",
        fontsize=8.0,
    )


def draw_places(placed: list["Axes"], comparison: Comparison) -> bool:
    climate = comparison.twins[0].settings.plan.climate
    temperatures = (climate.air_temperature_low_c, climate.air_temperature_high_c)
    humidities = (climate.relative_humidity_low_pct, climate.relative_humidity_high_pct)
    for axes, told, name, band in (
        (placed[0], "Air temperature, °C", "air_temperature_c", temperatures),
        (placed[1], "Relative humidity, %", "relative_humidity_pct", humidities),
        (placed[2], "Water in the medium, ml in a ml", "water_content_fraction", None),
    ):
        title(axes, told)
        if band is not None:
            axes.axhspan(*band, color=BAND, linewidth=0.0, zorder=0)
        for place, twin in enumerate(comparison.twins):
            values = getattr(twin.hours, name)
            days = (np.arange(len(values)) + 0.5) / 24.0
            axes.plot(days, values, color=colour(place), linestyle=line(place), linewidth=0.9, label=twin.name)
        axes.grid(axis="y")
    light = placed[3]
    title(light, "Light delivered, h a day (grey: planned)")
    _light(light, comparison.twins)
    key(placed[0], ncols=len(comparison.twins), loc="upper right", bbox_to_anchor=(1.0, 1.25))
    longest = max(len(twin.days) for twin in comparison.twins)
    for axes in placed:
        axes.set_xlim(-0.2, longest + 0.2)
    placed[3].set_xlabel("days since the first water")
    return longest > 0


def _light(axes: "Axes", twins: list[Twin]) -> None:
    first = twins[0]
    axes.bar(
        [day.day + 0.5 for day in first.days], first.planned_light_h, width=0.96, color=LIGHT, alpha=0.35, linewidth=0.0
    )
    for place, twin in enumerate(twins):
        days = np.array([day.day + 0.5 for day in twin.days])
        light_h = np.array([np.nan if day.light_h is None else day.light_h for day in twin.days])
        moved = days + 0.16 * (place - (len(twins) - 1) / 2.0)
        axes.plot(moved, light_h, mark(place), color=colour(place), markersize=3.4)
    axes.set_ylim(-1.6, 24.5)
    axes.set_yticks([0, 8, 16, 24])
    axes.grid(axis="y")


def draw_agreement(placed: list["Axes"], comparison: Comparison) -> bool:
    """Bland and Altman on daily means; of three twins or more each against the first, the other pairs in the table."""
    first_name = comparison.twins[0].name
    shown = [each for each in comparison.environments if each.first == first_name]
    drawn = False
    for axes, name, told in (
        (placed[0], "air_temperature_c", "Air temperature, °C"),
        (placed[1], "relative_humidity_pct", "Relative humidity, %"),
    ):
        title(axes, f"{told}: difference of each day")
        for place, environment in enumerate(shown, 1):
            each = environment.of(name)
            if each is None:
                continue
            drawn = True
            first, second = np.array(each.first), np.array(each.second)
            own = colour(place)
            axes.plot(
                (first + second) / 2.0,
                second - first,
                mark(place),
                color=own,
                markersize=4.0,
                label=f"{environment.second} less {environment.first}",
            )
            for at, style in ((each.limits_low, ":"), (each.difference, "-"), (each.limits_high, ":")):
                axes.axhline(at, color=own, linewidth=0.8, linestyle=style)
            axes.axhspan(-each.channel.margin, each.channel.margin, color=BAND, linewidth=0.0, zorder=0)
        axes.axhline(0.0, color=FAINT, linewidth=0.6)
        axes.set_xlabel("mean of the two")
        if drawn:
            key(axes, fontsize=7.0)
    return drawn


def draw_water(placed: list["Axes"], comparison: Comparison) -> bool:
    (axes,) = placed
    for row, twin in enumerate(comparison.twins):
        water = twin.water
        axes.barh(row, water.delivered_ml, height=0.5, color=WATER, alpha=0.8)
        axes.barh(row, -water.drained_ml, height=0.5, color=CLAY, alpha=0.8)
        axes.errorbar(
            water.delivered_ml,
            row,
            xerr=2.0 * water.delivered_standard_uncertainty_ml,
            color=INK,
            linewidth=1.0,
            capsize=3.0,
        )
        axes.plot([twin.asked_ml] * 2, [row - 0.38, row + 0.38], color=INK, linewidth=1.4, linestyle=(0, (2, 1)))
    axes.set_yticks(range(len(comparison.twins)), [twin.name for twin in comparison.twins])
    axes.set_ylim(len(comparison.twins) - 0.5, -0.5)
    axes.axvline(0.0, color=INK, linewidth=0.8)
    axes.tick_params(axis="y", length=0.0)
    axes.set_xlabel(
        "ml; to the left drained, to the right delivered (whisker: two standard uncertainties; dashes: asked for)"
    )
    return True
