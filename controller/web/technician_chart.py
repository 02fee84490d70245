"""The control charts of the pump: its factor over calibrations and checks, drawn on the page itself."""

from dataclasses import dataclass
from datetime import datetime

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from controller.bench import ageing, records
from controller.control.photoperiod import utc_ms
from controller.science.lines import ControlChart
from controller.settings import read_chamber
from controller.web.codes import TECHNICIAN
from controller.web.site import Site
from controller.web.texts import Texts

WIDTH, HEIGHT, LEFT, RIGHT, TOP, BOTTOM = 360, 170, 62, 8, 12, 26  # of the drawing, in its own units


@dataclass(frozen=True)
class Dot:
    """One point of a chart, in the units of the drawing; ``low`` and ``high`` are the ends of its uncertainty bar."""

    place: int
    across: float
    up: float
    low: float
    high: float
    is_outside: bool


@dataclass(frozen=True)
class Rule:
    """A level line with what it says beside it."""

    name: str  # centre, low, high
    up: float
    words: str


@dataclass(frozen=True)
class Drawing:
    """One chart, ready to be written as SVG."""

    dots: tuple[Dot, ...]
    rules: tuple[Rule, ...]

    @property
    def path(self) -> str:
        return "M" + "L".join(f"{dot.across:.1f} {dot.up:.1f}" for dot in self.dots)


def draw(values: list[float], bars: list[float], chart: ControlChart | None, texts: Texts) -> Drawing:
    """The points in their order with half bars, and the limits where there are any; three level lines otherwise."""
    if chart is None:
        middle = sum(values) / len(values)
        marks = {"low": min(values), "centre": middle, "high": max(values)} if min(values) < max(values) else {}
        marks = marks or {"centre": middle}
    else:
        marks = {"low": chart.low, "centre": chart.centre, "high": chart.high}
    ends = [v - b for v, b in zip(values, bars, strict=True)] + [v + b for v, b in zip(values, bars, strict=True)]
    bottom, top = min([*ends, *marks.values()]), max([*ends, *marks.values()])
    span = (top - bottom) or abs(top) or 1.0

    def up(value: float) -> float:
        return TOP + (top - value) / span * (HEIGHT - TOP - BOTTOM)

    step = (WIDTH - LEFT - RIGHT) / len(values)
    outside = [False] * len(values) if chart is None else [bool(each) for each in chart.outside]
    dots = tuple(
        Dot(number + 1, LEFT + step * (number + 0.5), up(value), up(value - bar), up(value + bar), outside[number])
        for number, (value, bar) in enumerate(zip(values, bars, strict=True))
    )
    return Drawing(dots, tuple(Rule(name, up(value), texts.number(value, 6)) for name, value in marks.items()))


def routes(site: Site) -> list[Route]:
    def chart(request: Request) -> Response:
        if (closed := site.closed_to_all_but(request, TECHNICIAN)) is not None:
            return closed
        texts, folder = site.texts(request), site.bench().folder
        pump = read_chamber(site.bench().chamber_path).pump
        kept = records.read_all(folder)
        asked_for = request.query_params.get("record", "")
        newest = next((each for each in kept if each["id"] == asked_for and each["kind"] == "check"), None)
        simulated = ageing.is_all_simulated(kept) if newest is None else bool(newest.get("simulated"))
        points = ageing.points_of(kept, simulated=simulated)
        standing = ageing.judge_factors(points, pump.tubing_lot, pump.calibration_id or "")
        values = [each.ml_per_step for each in standing.points]
        individuals = ewma = None
        if standing.points:
            bars = [each.ml_per_step_standard_uncertainty for each in standing.points]
            individuals = draw(values, bars, standing.individuals, texts)
        if standing.ewma is not None:
            smoothed = [float(value) for value in standing.ewma.points]
            ewma = draw(smoothed, [0.0] * len(smoothed), standing.ewma, texts)
        return site.page(
            request,
            "chart.jinja",
            newest=newest,
            simulated=simulated,
            standing=standing,
            drawings=[(name, each) for name, each in (("individuals", individuals), ("ewma", ewma)) if each],
            points=list(zip(standing.points, _whens(site, [each.at_utc for each in standing.points]), strict=True)),
            points_min=ageing.HISTORY_MIN + 1,
            size=(WIDTH, HEIGHT, LEFT, RIGHT, TOP, BOTTOM),
        )

    return [Route("/technician/chart", chart)]


def _whens(site: Site, moments: list[datetime]) -> list[str]:
    return [site.local(utc_ms(each)) for each in moments]
