"""The figures of the comparison, as SVG text. Twins differ by line style and marker, not by colour alone."""

import io
from typing import TYPE_CHECKING, Any

import numpy as np

from controller.records.plots import BAND, CLAY, FAINT, GRID, INK, LEAF, LIGHT, RC, WATER, slim
from controller.science.emergence import Survival
from controller.twins.comparing import Comparison
from controller.twins.gathering import Twin

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WIDTH_IN = 8.4
COLOURS = (LEAF, CLAY, WATER, INK, "#7a5c8a", "#8d6b1f")
LINES: tuple[Any, ...] = ("-", (0, (5, 2)), (0, (1, 1.4)), (0, (6, 1.5, 1, 1.5)), (0, (3, 3)), (0, (8, 3)))
MARKS = ("o", "s", "^", "D", "v", "P")
STAGE_ROW_IN = 0.16


def draw_all(comparison: Comparison) -> dict[str, str]:
    """Figure name -> SVG text; a figure that would be empty is left out."""
    import matplotlib
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    drawn: dict[str, str] = {}
    rows = sum(len(twin.settings.plan.positions) for twin in comparison.twins)
    plots: dict[str, tuple[int, int, float, Any]] = {
        "margins": (1, 1, 0.5 + 0.3 * _margin_rows(comparison), _margins),
        "places": (4, 1, 6.0, _places),
        "agreement": (1, 2, 2.2, _agreement),
        "emergence": (1, 2, 2.5, _emergence),
        "heights": (1, max(1, len(_species(comparison))), 2.5, _heights),
        "stages": (1, 1, 0.6 + STAGE_ROW_IN * rows, _stages),
        "water": (1, 1, 0.6 + 0.5 * len(comparison.twins), _water),
    }
    with matplotlib.rc_context(RC):  # type: ignore[arg-type]  # its stubs list every key by name
        for name, (down, across, height_in, draw) in plots.items():
            figure = Figure(figsize=(WIDTH_IN, height_in), layout="constrained")
            FigureCanvasSVG(figure)
            placed = figure.subplots(down, across, squeeze=False)
            if not draw([axes for row in placed for axes in row], comparison):
                continue
            for axes in placed.ravel():
                axes.spines[["top", "right"]].set_visible(False)
                axes.tick_params(length=2.5, pad=2.0)
            text = io.StringIO()
            figure.savefig(text, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
            drawn[name] = slim(text.getvalue(), f"{name}-")
    return drawn


def _species(comparison: Comparison) -> list[str]:
    return list(dict.fromkeys(batch.species for batch in comparison.batches))


def _title(axes: "Axes", words: str) -> None:
    axes.set_title(words, loc="left", fontsize=9.0, pad=4.0, fontweight="bold")


def _key(axes: "Axes", **where: Any) -> None:
    axes.legend(**({"loc": "best", "frameon": False, "fontsize": 8.0, "handlelength": 2.6} | where))


def _margin_rows(comparison: Comparison) -> int:
    return sum(len(each.channels) + 1 for each in comparison.environments)


def _margins(placed: list["Axes"], comparison: Comparison) -> bool:
    """Every difference in units of its margin: the shaded strip is what the plan lets pass as alike."""
    (axes,) = placed
    labels = []
    axes.axvspan(-1.0, 1.0, color=BAND, linewidth=0.0, zorder=0)
    axes.axvline(0.0, color=FAINT, linewidth=0.6)
    shown = 5.0
    row = 0
    for place, environment in enumerate(comparison.environments, 1):
        for each in environment.channels:
            margin = each.channel.margin
            _whisker(axes, row, each.low / margin, each.difference / margin, each.high / margin, place, shown)
            labels.append(_row_name(comparison, each.channel.title, environment.second))
            row += 1
        water = environment.water
        half = 1.96 * water.standard_uncertainty_fraction
        low, high = water.difference_fraction - half, water.difference_fraction + half
        margin = water.margin_fraction
        _whisker(axes, row, low / margin, water.difference_fraction / margin, high / margin, place, shown)
        labels.append(_row_name(comparison, "Water delivered", environment.second))
        row += 1
    axes.set_yticks(range(row), labels)
    axes.set_ylim(row - 0.5, -0.5)
    axes.set_xlim(-shown * 1.06, shown * 1.06)
    axes.tick_params(axis="y", length=0.0)
    axes.set_xlabel("difference from the first twin, in margins (shaded: alike); bars: 95 % interval")
    return row > 0


def _row_name(comparison: Comparison, title: str, second: str) -> str:
    return title if len(comparison.environments) == 1 else f"{title}, {second}"


def _whisker(axes: "Axes", row: int, low: float, middle: float, high: float, place: int, shown: float) -> None:
    colour = COLOURS[place % len(COLOURS)]
    axes.plot(np.clip([low, high], -shown, shown), [row, row], color=colour, linewidth=1.6, solid_capstyle="butt")
    if abs(middle) <= shown:
        axes.plot([middle], [row], MARKS[place % len(MARKS)], color=colour, markersize=5.0)
    else:
        side = shown if middle > 0 else -shown
        axes.plot([side], [row], ">" if middle > 0 else "<", color=colour, markersize=7.0)
        axes.annotate(
            f"{middle:+.0f} margins",
            (side, row),
            xytext=(-8 if middle > 0 else 8, 0.5),
            textcoords="offset points",
            ha="right" if middle > 0 else "left",
            va="center",
            fontsize=8.0,
        )


def _places(placed: list["Axes"], comparison: Comparison) -> bool:
    climate = comparison.twins[0].settings.plan.climate
    temperatures = (climate.air_temperature_low_c, climate.air_temperature_high_c)
    humidities = (climate.relative_humidity_low_pct, climate.relative_humidity_high_pct)
    for axes, title, name, band in (
        (placed[0], "Air temperature, °C", "air_temperature_c", temperatures),
        (placed[1], "Relative humidity, %", "relative_humidity_pct", humidities),
        (placed[2], "Water in the medium, ml in a ml", "water_content_fraction", None),
    ):
        _title(axes, title)
        if band is not None:
            axes.axhspan(*band, color=BAND, linewidth=0.0, zorder=0)
        for place, twin in enumerate(comparison.twins):
            values = getattr(twin.hours, name)
            days = (np.arange(len(values)) + 0.5) / 24.0
            axes.plot(
                days, values, color=COLOURS[place % 6], linestyle=LINES[place % 6], linewidth=0.9, label=twin.name
            )
        axes.grid(axis="y")
    light = placed[3]
    _title(light, "Light delivered, h a day (grey: planned)")
    _light(light, comparison.twins)
    _key(placed[0], ncols=len(comparison.twins), loc="upper right", bbox_to_anchor=(1.0, 1.25))
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
        axes.plot(moved, light_h, MARKS[place % 6], color=COLOURS[place % 6], markersize=3.4)
    axes.set_ylim(-1.6, 24.5)
    axes.set_yticks([0, 8, 16, 24])
    axes.grid(axis="y")


def _agreement(placed: list["Axes"], comparison: Comparison) -> bool:
    """Bland and Altman, for temperature and for water content, on daily means."""
    drawn = False
    for axes, key, title in (
        (placed[0], "air_temperature_c", "Air temperature, °C"),
        (placed[1], "relative_humidity_pct", "Relative humidity, %"),
    ):
        _title(axes, f"{title}: difference of each day")
        for place, environment in enumerate(comparison.environments, 1):
            each = environment.of(key)
            if each is None:
                continue
            drawn = True
            first, second = np.array(each.first), np.array(each.second)
            colour = COLOURS[place % 6]
            axes.plot(
                (first + second) / 2.0,
                second - first,
                MARKS[place % 6],
                color=colour,
                markersize=4.0,
                label=f"{environment.second} less {environment.first}",
            )
            for at, style in ((each.limits_low, ":"), (each.difference, "-"), (each.limits_high, ":")):
                axes.axhline(at, color=colour, linewidth=0.8, linestyle=style)
            axes.axhspan(-each.channel.margin, each.channel.margin, color=BAND, linewidth=0.0, zorder=0)
        axes.axhline(0.0, color=FAINT, linewidth=0.6)
        axes.set_xlabel("mean of the two")
        if drawn:
            _key(axes, fontsize=7.0)
    return drawn


def _emergence(placed: list["Axes"], comparison: Comparison) -> bool:
    names = [twin.name for twin in comparison.twins]
    kinds = _species(comparison)
    for axes, unit, title in (
        (placed[0], "curve_days", "By days since the first water"),
        (placed[1], "curve_degree_days", "By degree-days received"),
    ):
        _title(axes, title)
        for batch in comparison.batches:
            curve: Survival = getattr(batch, unit)
            place = names.index(batch.twin)
            end = max((seed.day if unit == "curve_days" else seed.degree_days) for seed in comparison.seeds[batch.twin])
            steps = np.concatenate(([0.0], curve.times, [max(end, *curve.times, 0.0) if len(curve.times) else end]))
            came = 100.0 * (
                1.0 - np.concatenate(([1.0], curve.survival, curve.survival[-1:] if len(curve.times) else [1.0]))
            )
            axes.step(
                steps,
                came,
                where="post",
                color=COLOURS[place % 6],
                linestyle=LINES[kinds.index(batch.species) % 6],
                linewidth=1.3,
                label=f"{batch.twin}, {batch.species}",
            )
        axes.set_ylim(-3.0, 103.0)
        axes.grid(axis="y")
    placed[0].set_ylabel("emerged, %")
    placed[0].set_xlabel("days")
    placed[1].set_xlabel("°C d")
    _key(placed[1], fontsize=7.0, loc="upper left")
    return bool(comparison.batches)


def _heights(placed: list["Axes"], comparison: Comparison) -> bool:
    drawn = False
    names = [twin.name for twin in comparison.twins]
    for axes, kind in zip(placed, _species(comparison), strict=True):
        _title(axes, f"Height of {kind}, mm")
        for twin in comparison.twins:
            place = names.index(twin.name)
            positions = {p.number for p in twin.settings.plan.positions if p.species == kind}
            seen = [
                (look.hour_h / 24.0, look.height_mm)
                for look in twin.looks
                if look.position in positions and look.height_mm is not None
            ]
            if not seen:
                continue
            drawn = True
            axes.plot(*zip(*seen, strict=True), MARKS[place % 6], color=COLOURS[place % 6], markersize=2.4, alpha=0.5)
            days = np.linspace(0.0, max(day for day, _ in seen), 80)
            curves = [
                each.curve.at(days)
                for each in comparison.growth
                if each.twin == twin.name and each.species == kind and each.what == "height_mm" and each.curve
            ]
            if curves:
                axes.plot(
                    days,
                    np.mean(curves, axis=0),
                    color=COLOURS[place % 6],
                    linestyle=LINES[place % 6],
                    linewidth=1.4,
                    label=f"{twin.name}, mean of {len(curves)} curves",
                )
        axes.grid(axis="y")
        axes.set_ylim(bottom=0.0)
        axes.set_xlabel("days since the first water")
        if axes.get_legend_handles_labels()[0]:
            _key(axes, fontsize=7.0, loc="upper left")
    return drawn


def _stages(placed: list["Axes"], comparison: Comparison) -> bool:
    (axes,) = placed
    row, labels, last_day = 0, [], 1.0
    for place, twin in enumerate(comparison.twins):
        for position in twin.settings.plan.positions:
            stages = [
                (look.hour_h / 24.0, look.growth_stage_bbch)
                for look in twin.looks
                if look.position == position.number and look.growth_stage_bbch is not None
            ]
            before: int | None = None
            for number, (day, stage) in enumerate(stages):
                end = stages[number + 1][0] if number + 1 < len(stages) else day + 1.0
                axes.plot([day, end], [row, row], color=COLOURS[place % 6], linewidth=1.0, linestyle=LINES[place % 6])
                last_day = max(last_day, end)
                if stage != before:
                    box = {"facecolor": "white", "edgecolor": COLOURS[place % 6], "linewidth": 0.5, "pad": 0.9}
                    axes.text(day, row, f"{stage:02d}", fontsize=7.0, va="center", ha="center", color=INK, bbox=box)
                before = stage
            labels.append(f"{twin.name} {position.number} {position.species}")
            row += 1
        axes.axhline(row - 0.5, color=GRID, linewidth=0.8)
    axes.set_yticks(range(row), labels, fontsize=7.5)
    axes.set_ylim(row - 0.5, -0.5)
    axes.set_xlim(0.0, last_day + 0.3)
    axes.tick_params(axis="y", length=0.0)
    axes.grid(axis="x")
    axes.set_xlabel("days since the first water; the number in each box is the BBCH code from that look on")
    return last_day > 1.0


def _water(placed: list["Axes"], comparison: Comparison) -> bool:
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
