"""The plots of the page, as SVG text: drawn once wide, for a screen or paper, and once narrow, for a phone.

Everything can be told apart without colour: by line style, marker or hatching.
"""

import io
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from controller.control import model as m
from controller.control.model.moments import MS_PER_DAY
from controller.control.photoperiod import moment_of
from controller.plan import Settings
from controller.records.account import Entry, Totals
from controller.records.lanes import Lane, Span
from controller.records.thinning import Trace, Traces

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, FAINT, GRID = "#25313a", "#8d9499", "#d9d5c8"
LEAF, WATER, CLAY, LIGHT = "#4d6b3c", "#2c5f86", "#9a4a2f", "#d9b44a"
BAND = "#e9eee2"
RC = {
    "svg.fonttype": "none",
    "svg.hashsalt": "run",
    "font.size": 9.0,
    "axes.edgecolor": FAINT,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.6,
    "axes.titley": 1.0,  # a place of its own, or the library measures every label to find one
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "text.color": INK,
    "grid.color": GRID,
    "grid.linewidth": 0.5,
    "hatch.linewidth": 0.5,
    "path.simplify": False,
}


class Size(NamedTuple):
    """Width of a drawing in inches (72 points each), and how many columns of points it can show."""

    name: str
    width_in: float
    columns: int


WIDE = Size("wide", 8.4, 760)
NARROW = Size("narrow", 3.9, 380)


class Sign(NamedTuple):
    """A mark for a kind of dose: the drawing library's letter, the page's name for it, and words."""

    marker: str
    name: str
    words: str


PURPOSE_SIGNS = {
    m.FIRST_WETTING: Sign("s", "square", "portion of the first wetting"),
    m.MOISTURE_LED: Sign("^", "triangle", "dose because the medium was dry"),
    m.FIXED_TIME: Sign("o", "circle", "dose at a set time"),
    m.CALIBRATION: Sign("v", "triangle", "portion of a calibration, not into the bed"),
    m.FALLBACK: Sign("D", "diamond", "fallback dose: the moisture was not trusted"),
}


@dataclass(frozen=True)
class Scene:
    """All that is drawn. Moments are UTC in ms; ``zero_ms`` is day 0."""

    settings: Settings
    zero_ms: int
    extent_ms: tuple[int, int]
    lit_ms: list[Span]
    doses: list[tuple[int, Entry]]  # where each closed dose stands
    account: list[tuple[int, Entry]]  # when each entry was settled
    lanes: list[Lane]

    def days(self, utc_ms: Any) -> Any:
        """Days since day 0, of one moment or of an array."""
        return (utc_ms - self.zero_ms) / MS_PER_DAY


def draw_all(scene: Scene, traces: dict[Size, Traces]) -> dict[str, dict[str, str]]:
    """Plot name -> size name -> SVG."""
    import matplotlib
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    plots: dict[str, tuple[list[float], float, Callable[[list[Axes], Scene, Traces, Size], None]]] = {
        "air": ([0.28, 1.45, 1.45, 1.2], LEFT_IN, _air),
        "medium": ([1.9], LEFT_IN, _medium),
        "account": ([1.7], LEFT_IN, _account),
        "lanes": ([0.25 * len(scene.lanes)], LANES_LEFT_IN, _lanes),
    }
    drawn: dict[str, dict[str, str]] = {}
    with matplotlib.rc_context(RC):  # type: ignore[arg-type]  # its stubs list every key by name
        for name, (heights_in, left_in, draw) in plots.items():
            for size, thinned in traces.items():
                figure = Figure()
                FigureCanvasSVG(figure)
                placed = _place(figure, heights_in, size, left_in)
                draw(placed, scene, thinned, size)
                _days_below(placed, scene, size)
                text = io.StringIO()
                figure.savefig(text, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
                drawn.setdefault(name, {})[size.name] = slim(text.getvalue(), f"{name}-{size.name}-")
    return drawn


# -- the paper ----

LEFT_IN, LANES_LEFT_IN, RIGHT_IN, TITLE_IN, BOTTOM_IN = 0.5, 1.35, 0.12, 0.27, 0.4


def _place(figure: "Figure", heights_in: list[float], size: Size, left_in: float) -> list["Axes"]:
    """Plots of these heights below each other, with room for a title above each and for the days below."""
    whole_in = sum(heights_in) + TITLE_IN * len(heights_in) + BOTTOM_IN
    figure.set_size_inches(size.width_in, whole_in)
    top_in = whole_in
    placed: list[Axes] = []
    for height_in in heights_in:
        top_in -= TITLE_IN + height_in
        left, width = left_in / size.width_in, (size.width_in - left_in - RIGHT_IN) / size.width_in
        placed.append(figure.add_axes((left, top_in / whole_in, width, height_in / whole_in)))
    return placed


def _title(axes: "Axes", words: str) -> None:
    axes.set_title(words, loc="left", fontsize=9.0, pad=4.0, fontweight="bold")


def _days_below(placed: list["Axes"], scene: Scene, size: Size) -> None:
    """Days since hydration under the last plot, and the date of UTC under some of them."""
    first, last = (scene.days(edge_ms) for edge_ms in scene.extent_ms)
    room = max(last - first, 1e-6)
    most = 22 if size is WIDE else 8
    step = next((each for each in (1, 2, 3, 7, 14, 28, 56) if room / each <= most), 112)
    days = np.arange(np.ceil(first), np.floor(last) + 1, 1.0)
    ticks = days[days % step == 0] if room >= 1.0 else np.linspace(first, last, 5)
    dated = max(1, round(len(ticks) / (8 if size is WIDE else 4)))
    labels = [
        _day_text(day, room) + (_date_text(scene, day) if place % dated == 0 else "")
        for place, day in enumerate((ticks + 0.0).tolist())
    ]
    for axes in placed:
        axes.set_xlim(first - 0.004 * room, last + 0.004 * room)
        if axes is placed[-1]:
            axes.set_xticks(ticks, labels)
        else:
            axes.set_xticks([])  # every tick costs time, and the last plot has them
        axes.tick_params(length=2.5, pad=2.0)
        axes.spines[["top", "right"]].set_visible(False)


def _day_text(day: float, room: float) -> str:
    return f"day {day:g}" if room >= 1.0 and day == 0 else f"{day:g}" if room >= 1.0 else f"{day:.2f}"


def _date_text(scene: Scene, day: float) -> str:
    at = moment_of(round(scene.zero_ms + day * MS_PER_DAY))
    return f"\n{at.day} {at:%b}"


def slim(svg: str, prefix: str) -> str:
    """The drawing alone, to stand inside a page beside others: no XML head, ids of its own, no fixed size."""
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.S)
    svg = re.sub(r"<!--.*?-->", "", svg, flags=re.S)
    svg = re.sub(r'\bid="', f'id="{prefix}', svg)
    svg = re.sub(r"url\(#", f"url(#{prefix}", svg)
    svg = re.sub(r'xlink:href="#', f'xlink:href="#{prefix}', svg)
    svg = re.sub(r'(<svg[^>]*?) width="[^"]*"', r"\1", svg, count=1)
    svg = re.sub(r'(<svg[^>]*?) height="[^"]*"', r"\1", svg, count=1)
    svg = re.sub(r"(\d+\.\d{2})\d+", r"\1", svg)  # a hundredth of a point is finer than any printer
    return re.sub(r"\n\s*", "\n", svg)


# -- what the signs mean ----


class Swatch(NamedTuple):
    """A small sample of a line, mark or area, drawn by the page beside its words."""

    sign: str
    colour: str
    words: str


def legends_of(scene: Scene) -> dict[str, list[Swatch]]:
    """Plot name -> what its signs mean."""
    purposes = {entry.intended.purpose for _, entry in scene.doses if entry.intended and entry.certain}
    medium = [Swatch("line", LEAF, "water content")]
    if scene.settings.plan.watering.moisture is not None:
        medium += [
            Swatch("dashes", CLAY, "drier than this: water"),
            Swatch("dots", WATER, "wetter than this: enough"),
        ]
    medium += [Swatch(PURPOSE_SIGNS[p].name, WATER, PURPOSE_SIGNS[p].words) for p in PURPOSE_SIGNS if p in purposes]
    if any(not entry.certain for _, entry in scene.doses):
        medium.append(Swatch("cross", INK, "dose whose count was lost"))
    doubt = Swatch("hatch", FAINT, "some readings here were not trusted")
    return {
        "air": [Swatch("bar", LIGHT, "lamp on"), Swatch("band", LEAF, "the band the plan asks for"), doubt],
        "medium": [*medium, doubt],
        "account": [
            Swatch("line", WATER, "delivered; shaded: two standard uncertainties either way"),
            Swatch("dashes", INK, "held: delivered less drained"),
            Swatch("dots", CLAY, "drained"),
        ],
        "lanes": [],
    }


# -- the plots ----


def _curve(axes: "Axes", trace: Trace, scene: Scene, colour: str) -> None:
    axes.plot(scene.days(trace.utc_ms), trace.values, color=colour, linewidth=0.8, solid_joinstyle="round")


def _doubt(axes: "Axes", spans_ms: list[Span], scene: Scene) -> None:
    for start_ms, end_ms in spans_ms:
        axes.axvspan(
            scene.days(start_ms), scene.days(end_ms), facecolor="none", edgecolor=FAINT, hatch="////", linewidth=0.0
        )


def _band(axes: "Axes", low: float, high: float) -> None:
    axes.axhspan(low, high, color=BAND, linewidth=0.0, zorder=0)
    for edge in (low, high):
        axes.axhline(edge, color=LEAF, linewidth=0.6, linestyle=(0, (4, 3)), zorder=1)


def _air(placed: list["Axes"], scene: Scene, traces: Traces, size: Size) -> None:
    lamp, air, humidity, deficit = placed
    _title(lamp, "Lamp on")
    lamp.broken_barh(_bars(scene.lit_ms, scene), (0.0, 1.0), facecolor=LIGHT, edgecolor=INK, linewidth=0.4)
    lamp.set_ylim(-0.15, 1.15)
    lamp.set_yticks([])
    climate = scene.settings.plan.climate
    _title(air, "Air temperature, °C")
    _band(air, climate.air_temperature_low_c, climate.air_temperature_high_c)
    _doubt(air, traces.air_temperature_c.doubted_ms, scene)
    _curve(air, traces.air_temperature_c, scene, CLAY)
    _title(humidity, "Relative humidity, %")
    _band(humidity, climate.relative_humidity_low_pct, climate.relative_humidity_high_pct)
    _doubt(humidity, traces.relative_humidity_pct.doubted_ms, scene)
    _curve(humidity, traces.relative_humidity_pct, scene, WATER)
    _title(deficit, "Vapour pressure deficit, kPa")
    _curve(deficit, traces.vapour_pressure_deficit_kpa, scene, INK)
    deficit.set_ylim(bottom=0.0)
    for axes in (air, humidity, deficit):
        axes.grid(axis="y")


def _bars(spans_ms: list[Span], scene: Scene) -> list[tuple[float, float]]:
    return [(scene.days(start_ms), (end_ms - start_ms) / MS_PER_DAY) for start_ms, end_ms in spans_ms]


def _medium(placed: list["Axes"], scene: Scene, traces: Traces, size: Size) -> None:
    (axes,) = placed
    _title(axes, "Water content, ml of water in a ml of medium")
    _doubt(axes, traces.water_content_fraction.doubted_ms, scene)
    _curve(axes, traces.water_content_fraction, scene, LEAF)
    law = scene.settings.plan.watering.moisture
    if law is not None:
        axes.axhline(law.low_fraction, color=CLAY, linewidth=0.9, linestyle=(0, (5, 2)))
        axes.axhline(law.high_fraction, color=WATER, linewidth=0.9, linestyle=(0, (1, 1.6)))
    bottom, top = axes.get_ylim()
    floor = bottom - 0.1 * (top - bottom)
    for purpose, sign in PURPOSE_SIGNS.items():
        days = [scene.days(at) for at, e in scene.doses if e.intended and e.intended.purpose == purpose and e.certain]
        if days:
            axes.plot(days, [floor] * len(days), sign.marker, color=WATER, markersize=4.5)
    doubted = [scene.days(at) for at, entry in scene.doses if not entry.certain]
    if doubted:
        axes.plot(doubted, [floor] * len(doubted), "x", color=INK, markersize=5.5, markeredgewidth=1.4)
    axes.set_ylim(floor - 0.08 * (top - bottom), top)
    axes.grid(axis="y")


def _account(placed: list["Axes"], scene: Scene, traces: Traces, size: Size) -> None:
    (axes,) = placed
    _title(axes, "Water since the beginning, ml")
    end = scene.days(scene.extent_ms[1])
    days = np.array([scene.days(scene.extent_ms[0]), *(scene.days(at_ms) for at_ms, _ in scene.account), end])
    totals = [Totals(), *(entry.totals for _, entry in scene.account)]
    totals = [*totals, totals[-1]]
    delivered = np.array([each.delivered_ml for each in totals])
    spread = 2.0 * np.array([each.delivered_standard_uncertainty_ml for each in totals])
    axes.fill_between(days, delivered - spread, delivered + spread, step="post", color=WATER, alpha=0.18, linewidth=0)
    held = [each.held_ml for each in totals]
    drained = [each.drained_ml for each in totals]
    for values, colour, style in ((delivered, WATER, "-"), (held, INK, (0, (5, 2))), (drained, CLAY, (0, (1, 1.6)))):
        axes.step(days, values, where="post", color=colour, linestyle=style, linewidth=1.1)
    axes.set_ylim(bottom=0.0)
    axes.grid(axis="y")


LANE_STYLES: dict[str, dict[str, str | None]] = {
    "trip": {"facecolor": CLAY, "hatch": None},
    "alarm": {"facecolor": "#e3b9a6", "hatch": "...."},
    "gap": {"facecolor": "none", "hatch": "xxxx"},
    "due": {"facecolor": BAND, "hatch": None},
}
MARK_STYLES = {"signed": "o", "look": "|", "boot": "^", "link": "s", "clock": "D"}


def _lanes(placed: list["Axes"], scene: Scene, traces: Traces, size: Size) -> None:
    (axes,) = placed
    least = 0.004 * scene.days(scene.extent_ms[1])  # a short span still shows
    for row, lane in enumerate(scene.lanes):
        if lane.spans:
            bars = [(start, max(width, least)) for start, width in _bars(lane.spans, scene)]
            axes.broken_barh(bars, (row - 0.32, 0.64), edgecolor=INK, linewidth=0.6, **LANE_STYLES[lane.style])  # type: ignore[arg-type]
        if lane.marks:
            days = [scene.days(at_ms) for at_ms in lane.marks]
            axes.plot(days, [row] * len(days), MARK_STYLES[lane.style], color=INK, markersize=4.5)
        axes.axhline(row + 0.5, color=GRID, linewidth=0.5)
    axes.set_ylim(len(scene.lanes) - 0.5, -0.5)
    axes.set_yticks(range(len(scene.lanes)), [lane.title for lane in scene.lanes])
    axes.tick_params(axis="y", length=0.0)
