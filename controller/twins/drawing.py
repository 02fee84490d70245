"""The looks that all figures of a comparison share: twins differ by line style and marker, not by colour alone."""

from typing import TYPE_CHECKING, Any

from controller.records.plots import CLAY, INK, LEAF, WATER

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WIDTH_IN = 8.4
COLOURS = (LEAF, CLAY, WATER, INK, "#7a5c8a", "#8d6b1f")
LINES: tuple[Any, ...] = ("-", (0, (5, 2)), (0, (1, 1.4)), (0, (6, 1.5, 1, 1.5)), (0, (3, 3)), (0, (8, 3)))
MARKS = ("o", "s", "^", "D", "v", "P")


def colour(place: int) -> str:
    return COLOURS[place % len(COLOURS)]


def line(place: int) -> Any:
    return LINES[place % len(LINES)]


def mark(place: int) -> str:
    return MARKS[place % len(MARKS)]


def title(axes: "Axes", words: str) -> None:
    axes.set_title(words, loc="left", fontsize=9.0, pad=4.0, fontweight="bold")


def key(axes: "Axes", **where: Any) -> None:
    axes.legend(
        **({"loc": "best", "framealpha": 0.85, "edgecolor": "none", "fontsize": 8.0, "handlelength": 2.6} | where)
    )
