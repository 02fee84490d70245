"""Figures of the plants: emergence, heights, leaves, green cover, growth stages."""

from typing import TYPE_CHECKING

import numpy as np

from controller.records.plots import GRID, INK
from controller.science.emergence import Survival
from controller.twins.comparing import Comparison
from controller.twins.cover import Cover
from controller.twins.drawing import colour, key, line, mark, title

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def draw_emergence(placed: list["Axes"], comparison: Comparison) -> bool:
    names = [twin.name for twin in comparison.twins]
    kinds = species_of(comparison)
    for axes, unit, told in (
        (placed[0], "curve_days", "By days since the first water"),
        (placed[1], "curve_degree_days", "By degree-days received"),
    ):
        title(axes, told)
        last = max((float(t) for batch in comparison.batches for t in getattr(batch, unit).times), default=0.0)
        end = 2.1 * last or 1.0  # after the last seedling every curve is level
        axes.set_xlim(-0.03 * end, end)
        for batch in comparison.batches:
            curve: Survival = getattr(batch, unit)
            place = names.index(batch.twin)
            steps = np.concatenate(([0.0], curve.times, [end]))
            came = 100.0 * (
                1.0 - np.concatenate(([1.0], curve.survival, curve.survival[-1:] if len(curve.times) else [1.0]))
            )
            axes.step(
                steps,
                came,
                where="post",
                color=colour(place),
                linestyle=line(kinds.index(batch.species)),
                linewidth=1.3,
                label=f"{batch.twin}, {batch.species}",
            )
        axes.set_ylim(-3.0, 103.0)
        axes.grid(axis="y")
    placed[0].set_ylabel("emerged, %")
    placed[0].set_xlabel("days")
    placed[1].set_xlabel("°C d")
    key(placed[1], fontsize=7.0, loc="lower right")
    return bool(comparison.batches)


def species_of(comparison: Comparison) -> list[str]:
    return list(dict.fromkeys(batch.species for batch in comparison.batches))


def draw_heights(placed: list["Axes"], comparison: Comparison) -> bool:
    return _growth(placed, comparison, "height_mm", "Height of {}, mm")


def draw_leaves(placed: list["Axes"], comparison: Comparison) -> bool:
    return _growth(placed, comparison, "leaves", "Leaves of {}")


def _growth(placed: list["Axes"], comparison: Comparison, what: str, told: str) -> bool:
    """Looks as marks, and the mean of the curves of a twin's plants."""
    drawn = False
    count = len(comparison.twins)
    for axes, kind in zip(placed, species_of(comparison), strict=True):
        title(axes, told.format(kind))
        for place, twin in enumerate(comparison.twins):
            positions = {p.number for p in twin.settings.plan.positions if p.species == kind}
            seen = [
                (look.hour_h / 24.0, value)
                for look in twin.looks
                if look.position in positions and (value := getattr(look, what)) is not None
            ]
            if not seen:
                continue
            drawn = True
            aside = 0.06 * (place - (count - 1) / 2.0) if what == "leaves" else 0.0  # whole numbers hide each other
            moments, values = np.array(seen).T
            axes.plot(moments, values + aside, mark(place), color=colour(place), markersize=2.4, alpha=0.5)
            days = np.linspace(0.0, float(moments.max()), 80)
            curves = [
                np.asarray(each.curve.at(days))
                for each in comparison.growth
                if each.twin == twin.name and each.species == kind and each.what == what and each.curve
            ]
            if curves:
                words = f"{twin.name}, mean of {len(curves)} curves"
                mean = np.mean(curves, axis=0)
                axes.plot(days, mean, color=colour(place), linestyle=line(place), linewidth=1.4, label=words)
        axes.grid(axis="y")
        axes.set_ylim(bottom=0.0)
        axes.set_xlabel("days since the first water")
        if axes.get_legend_handles_labels()[0]:
            key(axes, fontsize=7.0, loc="upper left")
    return drawn


def draw_cover(placed: list["Axes"], comparison: Comparison, covers: list[Cover]) -> bool:
    """Share of each bed that is green, with its curve and the curve's 95 % band of the final cover."""
    (axes,) = placed
    names = [twin.name for twin in comparison.twins]
    for cover in covers:
        place = names.index(cover.twin)
        shares = 100.0 * np.array(cover.cover_fraction)
        words = cover.twin if cover.curve else f"{cover.twin} (no curve)"
        axes.plot(cover.days, shares, mark(place), color=colour(place), markersize=3.6, label=words)
        if cover.curve is None:
            continue
        days = np.linspace(0.0, max(cover.days), 100)
        curve = 100.0 * np.asarray(cover.curve.at(days))
        axes.plot(days, curve, color=colour(place), linestyle=line(place), linewidth=1.4)
        final, half = 100.0 * cover.curve.final, 196.0 * cover.curve.final_se
        end = max(cover.days) + 0.35 + 0.25 * place
        if half < final:
            axes.errorbar([end], [final], yerr=[half], color=colour(place), linewidth=1.0, capsize=2.5)
    axes.grid(axis="y")
    axes.set_ylim(bottom=0.0)
    axes.set_ylabel("% of the bed")
    axes.set_xlabel("days since the first water (bars at the end: what each curve tends to, 95 %)")
    if covers:
        key(axes, loc="upper left")
    return bool(covers)


def draw_stages(placed: list["Axes"], comparison: Comparison) -> bool:
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
                axes.plot([day, end], [row, row], color=colour(place), linewidth=1.0, linestyle=line(place))
                last_day = max(last_day, end)
                if stage != before:
                    box = {"facecolor": "white", "edgecolor": colour(place), "linewidth": 0.5, "pad": 0.9}
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
