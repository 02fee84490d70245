"""Pictures of certificates as SVG: lines with residuals, control charts, the map of a lamp. Grey paper will do."""

import io
import re
from typing import Any

from controller.bench.ageing import Standing
from controller.science.light import LUX_PER_UMOL_M2_S

INK, FAINT, GRID, WATER, CLAY = "#25313a", "#8d9499", "#d9d5c8", "#2c5f86", "#9a4a2f"
RC = {
    "svg.fonttype": "none",
    "svg.hashsalt": "certificate",
    "font.size": 8.5,
    "axes.edgecolor": FAINT,
    "axes.linewidth": 0.6,
    "text.color": INK,
    "axes.labelcolor": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "grid.color": GRID,
    "grid.linewidth": 0.5,
}
LIGHT_SPAN_MIN_FRACTION = 0.2  # the shades of a map span at least this share of the mean, else noise looks like a slope
WORDS = {
    "counts": "Raw count of the probe",
    "water_content_fraction": "Water content, ml/ml",
    "elapsed_min": "Minutes over the salt",
    "relative_humidity_pct": "Relative humidity shown by the sensor, %",
    "sensor_c": "Sensor less reference, °C",
    "reference_c": "Reference thermometer, °C",
}


def pump_picture(record: dict[str, Any]) -> str:
    """Portions, the line through them, and what is left beside it."""
    result = record["result"]
    rows = list(zip(record["data"]["weighings"], result["volumes_ml"], result["set_aside"], strict=True))
    slope, intercept = result["line"]["slope"], result["line"]["intercept"]

    def draw(figure: Any) -> None:
        fit = _axes(figure, (0.075, 0.16, 0.385, 0.74), "Volume, ml", "Steps")
        left = _axes(figure, (0.58, 0.16, 0.405, 0.74), "Residual, µl", "Steps")
        longest = max(row["steps"] for row, _, _ in rows) * 1.06
        fit.plot([0, longest], [intercept, intercept + slope * longest], color=WATER, linewidth=1.0)
        left.axhline(0.0, color=WATER, linewidth=1.0)
        for aside, marker, colour in ((False, "o", INK), (True, "x", CLAY)):
            of_kind = [(row["steps"], volume) for row, volume, out in rows if out == aside]
            if of_kind:
                steps, volumes = zip(*of_kind, strict=True)
                fit.plot(steps, volumes, marker, color=colour, markersize=4.5, fillstyle="none")
                rest = [1000.0 * (v - intercept - slope * s) for s, v in of_kind]
                left.plot(steps, rest, marker, color=colour, markersize=4.5, fillstyle="none")
        for axes in (fit, left):
            axes.set_xlim(0.0, longest)

    return _svg(draw, 2.7)


def readings_picture(record: dict[str, Any]) -> str:
    """The readings of a probe or sensor with what they are held against, and the residuals of a line."""
    kind, result, rows = record["kind"], record["result"], record["data"]["readings"]
    if kind == "lamp":
        return lamp_picture(record)
    if kind == "moisture":
        pairs = [(s["counts"], s["water_content_fraction"]) for s in record["data"].get("samples", rows)]
        return _line_with_rest(pairs, result, WORDS["counts"], WORDS["water_content_fraction"])
    if kind == "temperature":
        pairs = [(row["reference_c"], row["sensor_c"] - row["reference_c"]) for row in rows]
        return _about_bounds(pairs, 0.0, result, WORDS["reference_c"], WORDS["sensor_c"])
    pairs = [(row["elapsed_min"], row["relative_humidity_pct"]) for row in rows]
    return _about_bounds(
        pairs, result["reference"], result, WORDS["elapsed_min"], WORDS["relative_humidity_pct"]
    )  # fmt: skip


def _line_with_rest(pairs: list[tuple[float, float]], result: dict[str, Any], across: str, up: str) -> str:
    xs, ys = zip(*pairs, strict=True)

    def draw(figure: Any) -> None:
        fit = _axes(figure, (0.075, 0.17, 0.385, 0.73), up, across)
        left = _axes(figure, (0.58, 0.17, 0.405, 0.73), "Residual, ml/ml", across)
        ends = [min(xs), max(xs)]
        fit.plot(ends, [result["intercept"] + result["slope"] * x for x in ends], color=WATER, linewidth=1.0)
        predicted = sorted((row["counts"], row["water_content_fraction"], row["half_width_fraction"])
                           for row in result.get("prediction", []))  # fmt: skip
        for sign in (-1.0, 1.0):
            if predicted:
                fit.plot([c for c, _, _ in predicted], [v + sign * h for _, v, h in predicted], color=WATER,
                         linewidth=0.8, linestyle=(0, (4, 3)))  # fmt: skip
        fit.plot(xs, ys, "o", color=INK, markersize=4.5, fillstyle="none")
        left.axhline(0.0, color=WATER, linewidth=1.0)
        rest = [y - result["intercept"] - result["slope"] * x for x, y in pairs]
        left.plot(xs, rest, "o", color=INK, markersize=4.5, fillstyle="none")

    return _svg(draw, 2.7)


def _about_bounds(pairs: list[tuple[float, float]], centre: float, result: dict[str, Any], across: str, up: str) -> str:
    """Readings about a reference, with the stated accuracy as dashed lines."""
    xs, ys = zip(*pairs, strict=True)

    def draw(figure: Any) -> None:
        axes = _axes(figure, (0.075, 0.18, 0.91, 0.72), up, across)
        axes.axhline(centre, color=WATER, linewidth=1.0)
        bound = result.get("stated_accuracy")
        if bound is not None:
            for at in (centre - bound, centre + bound):
                axes.axhline(at, color=INK, linewidth=0.8, linestyle=(0, (4, 3)))
        axes.plot(xs, ys, "o", color=INK, markersize=4.5, fillstyle="none")

    return _svg(draw, 2.6)


def lamp_picture(record: dict[str, Any]) -> str:
    """The map of the light over the positions, every value printed, and the response to the duty beside it."""
    from matplotlib.colors import LinearSegmentedColormap
    from matplotlib.patches import Rectangle

    result = record["result"]
    spread = result.get("map") or {"measured": False, "places": _in_rows(result["positions"])}
    places = spread["places"]
    values = [each["ppfd_umol_m2_s"] for each in places]
    mean = sum(values) / len(values)
    half = max(max(values) - mean, mean - min(values), LIGHT_SPAN_MIN_FRACTION * mean / 2.0)
    shade = LinearSegmentedColormap.from_list("light", ["#86a3b5", "#c3cfcf", "#fdf6dc"])
    xs, ys = [each["x"] for each in places], [each["y"] for each in places]
    side = _nearest(list(zip(xs, ys, strict=True)))
    deep = (max(ys) - min(ys)) / side + 1.0
    tall = min(4.2, max(2.4, 0.62 * deep + 0.9))

    def draw(figure: Any) -> None:
        up = {"x": "x, cm", "y": "y, cm"} if spread["measured"] else {"x": "", "y": ""}
        seen = _axes(figure, (0.06, 0.14, 0.46, 0.74), "Light over the positions, µmol m⁻² s⁻¹", up["x"], grid=False)
        seen.set_ylabel(up["y"])
        seen.set_aspect("equal")
        for each, value in zip(places, values, strict=True):
            level = 0.5 + (value - mean) / (2.0 * half)
            box = (each["x"] - 0.47 * side, each["y"] - 0.47 * side)
            seen.add_patch(Rectangle(box, 0.94 * side, 0.94 * side, facecolor=shade(level), edgecolor=INK, lw=0.5))
            seen.text(each["x"], each["y"], f"{value:.0f}", ha="center", va="center", fontsize=10)
            seen.text(box[0] + 0.05 * side, box[1] + 0.89 * side if spread["measured"] else box[1] + 0.05 * side,
                      str(each["position"]), ha="left", va="top", fontsize=6.5)  # fmt: skip
        seen.set_xlim(min(xs) - 0.6 * side, max(xs) + 0.6 * side)
        ends = (min(ys) - 0.6 * side, max(ys) + 0.6 * side)
        seen.set_ylim(*(ends if spread["measured"] else ends[::-1]))
        if not spread["measured"]:
            seen.set_xticks([])
            seen.set_yticks([])
            for edge in ("left", "bottom"):
                seen.spines[edge].set_visible(False)
        answer = _axes(figure, (0.61, 0.17, 0.375, 0.71), "All readings, µmol m⁻² s⁻¹, and their line", "Duty")
        rows, line = record["data"]["readings"], result["line"]
        factor = record["data"].get("lux_per_umol_m2_s") or LUX_PER_UMOL_M2_S.get(record["data"].get("lux_source"))
        duties = [row["duty_fraction"] for row in rows]
        read = [row["ppfd_umol_m2_s"] if factor is None else row["illuminance_lux"] / factor for row in rows]
        answer.plot([0.0, 1.0], [line["intercept"], line["intercept"] + line["slope"]], color=WATER, linewidth=1.0)
        answer.plot(duties, read, "o", color=INK, markersize=3.5, fillstyle="none")
        answer.set_xlim(0.0, 1.04)
        answer.set_ylim(bottom=0.0)

    return _svg(draw, tall)


def _in_rows(positions: dict[str, float]) -> list[dict[str, float]]:
    """Places of an older record, which did not say where they lie: one row."""
    return [
        {"position": int(name), "x": float(number), "y": 0.0, "ppfd_umol_m2_s": value}
        for number, (name, value) in enumerate(positions.items())
    ]


def _nearest(places: list[tuple[float, float]]) -> float:
    """The least distance of two places, along or across, 1 where there is only one."""
    apart = [
        max(abs(a[0] - b[0]), abs(a[1] - b[1])) for number, a in enumerate(places) for b in places[:number] if a != b
    ]
    return min(apart, default=1.0)


def charts_picture(standing: Standing) -> str:
    """Individuals and moving average of one tube's factors, in microlitres a step, with their limits."""
    points = standing.points
    numbers = list(range(1, len(points) + 1))
    values = [1000.0 * each.ml_per_step for each in points]
    bars = [2000.0 * each.ml_per_step_standard_uncertainty for each in points]

    def draw(figure: Any) -> None:
        single = _axes(figure, (0.085, 0.58, 0.76, 0.35), "Single factors ± 2 standard uncertainties, µl a step", "")
        single.errorbar(numbers, values, yerr=bars, fmt="none", ecolor=FAINT, elinewidth=0.8, capsize=2.5)
        _limits(single, standing.individuals, len(points))
        _marked(single, standing, values, None if standing.individuals is None else standing.individuals.outside)
        moving = _axes(figure, (0.085, 0.13, 0.76, 0.31), "Moving average (EWMA, weight 0.3), µl a step", "")
        if standing.ewma is None:
            moving.text(0.5, 0.5, "drawn from six points of one tube on", transform=moving.transAxes, ha="center",
                        va="center", color=FAINT)  # fmt: skip
            moving.set_yticks([])
            moving.set_ylim(0.0, 1.0)
        else:
            averages = [1000.0 * float(each) for each in standing.ewma.points]
            _limits(moving, standing.ewma, len(points))
            moving.plot(numbers, averages, color=INK, linewidth=0.7)
            _marked(moving, standing, averages, standing.ewma.outside)
        every = -(-len(points) // 7)
        for axes in (single, moving):
            axes.set_xlim(0.4, len(points) + 0.6)
            axes.set_xticks(numbers[::every])
            axes.ticklabel_format(axis="y", useOffset=False)
            axes.margins(y=0.16)
        single.set_xticklabels([])
        moving.set_xticklabels([f"{points[n - 1].at_utc:%d %b %y}" for n in numbers[::every]])

    return _svg(draw, 4.3)


def _limits(axes: Any, chart: Any, points_count: int) -> None:
    if chart is None:
        return
    for value, words in ((chart.high, "upper limit"), (chart.centre, "centre"), (chart.low, "lower limit")):
        dashes = "solid" if words == "centre" else (0, (4, 3))
        axes.axhline(1000.0 * value, color=WATER, linewidth=0.9, linestyle=dashes)
        axes.annotate(f"{words} {1000.0 * value:.3f}", (points_count + 0.6, 1000.0 * value), xytext=(3, 0),
                      textcoords="offset points", va="center", fontsize=7.0, annotation_clip=False)  # fmt: skip


def _marked(axes: Any, standing: Standing, values: list[float], outside: Any) -> None:
    """Calibrations as full circles, checks as open diamonds, a ring and the word out where a limit is passed."""
    for number, (point, value) in enumerate(zip(standing.points, values, strict=True), 1):
        is_check = point.record_id.startswith("check")
        axes.plot([number], [value], "D" if is_check else "o", color=INK, markersize=4.5,
                  fillstyle="none" if is_check else "full", zorder=3)  # fmt: skip
        if outside is not None and outside[number - 1]:
            axes.plot([number], [value], "o", color=CLAY, markersize=11, fillstyle="none", zorder=3)
            axes.annotate("out", (number, value), xytext=(0, 9), textcoords="offset points", ha="center", fontsize=7.5,
                          color=CLAY, weight="bold")  # fmt: skip


def _axes(figure: Any, place: tuple[float, float, float, float], title: str, across: str, *, grid: bool = True) -> Any:
    axes = figure.add_axes(place)
    axes.set_title(title, loc="left", fontsize=9.0)
    axes.set_xlabel(across)
    axes.set_axisbelow(True)
    if grid:
        axes.grid()
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    return axes


def _svg(draw: Any, tall: float) -> str:
    """A figure as the SVG element that stands inside a page."""
    import matplotlib
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    with matplotlib.rc_context(RC):  # type: ignore[arg-type]  # its stubs list every key by name
        figure = Figure(figsize=(7.2, tall))
        FigureCanvasSVG(figure)
        draw(figure)
        text = io.StringIO()
        figure.savefig(text, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
    return re.sub(r"^.*?(?=<svg)", "", text.getvalue(), count=1, flags=re.DOTALL)
