"""The course of the run: points for the plots, thinned to the screen, and a table of days that needs no script."""

from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from controller.control import model as m
from controller.control.model.moments import MS_PER_DAY
from controller.records.account import entries_of
from controller.records.cells import Clock
from controller.records.happenings import standing_observations
from controller.records.journal import Journal
from controller.records.lanes import lit_spans, trip_spans
from controller.records.overview import CHANNELS, Curve, Overview
from controller.records.series import Window
from controller.records.timeline import Timeline
from controller.web.site import Site
from controller.web.texts import Texts

COLUMNS_MIN, COLUMNS_MAX = 50, 2_000
DECIMALS = (3, 2, 5)


def points(curve: Curve, decimals: int, break_ms: float) -> list[list[float | None]]:
    """[moment, value] pairs; a pair without a value breaks the line where readings are missing."""
    found: list[list[float | None]] = []
    before_ms = None
    for utc_ms, value in zip(curve.utc_ms.tolist(), curve.values.tolist(), strict=True):
        if before_ms is not None and utc_ms - before_ms > break_ms:
            found.append([(before_ms + utc_ms) // 2, None])
        found.append([utc_ms, round(value, decimals)])
        before_ms = utc_ms
    return found


def routes(site: Site) -> list[Route]:
    overview = site.overview

    def page(request: Request) -> Response:
        if (closed := site.closed(request)) is not None:
            return closed
        with site.run.journal() as journal:
            overview.catch_up(journal)
            days = _days(site, journal, overview)
        texts = site.texts(request)
        return site.page(request, "course.jinja", days=days, words=dict(texts.section("course")))

    def data(request: Request) -> Response:
        if site.closed(request) is not None:
            return JSONResponse({}, 401)
        with site.run.journal() as journal:
            overview.catch_up(journal)
            window = _window(request, overview)
            if window is None:
                return JSONResponse({"channels": {}, "from_ms": 0, "to_ms": 0})
            columns = _whole(request.query_params.get("columns", ""), 800, COLUMNS_MIN, COLUMNS_MAX)
            curves = overview.curves(journal, window, columns)
            break_ms = max(overview.break_ms, 2.5 * (window.to_ms - window.from_ms) / columns, 2.5 * 600_000)
            marks = _marks(journal, overview.timeline(journal), site, site.texts(request))
        channels = {
            name: points(curves[name], decimals, break_ms) for name, decimals in zip(CHANNELS, DECIMALS, strict=True)
        }
        extent_ms = overview.extent_ms or (window.from_ms, window.to_ms)
        return JSONResponse(
            {
                "channels": channels,
                "from_ms": window.from_ms,
                "to_ms": window.to_ms,
                "extent_ms": extent_ms,
                "bands": _bands(site),
                **marks,
            }
        )

    return [Route("/course", page), Route("/course/data", data)]


def _whole(text: str, otherwise: int, low: int, high: int) -> int:
    """A whole number of an address, kept inside its bounds."""
    try:
        return min(high, max(low, int(text)))
    except ValueError:
        return otherwise


def _window(request: Request, overview: Overview) -> Window | None:
    if overview.extent_ms is None:
        return None
    first_ms, last_ms = overview.extent_ms
    from_ms = _whole(request.query_params.get("from_ms", ""), first_ms, first_ms, last_ms)
    to_ms = _whole(request.query_params.get("to_ms", ""), last_ms, first_ms, last_ms)
    return Window(from_ms, max(to_ms, from_ms + 60_000))


def _bands(site: Site) -> dict[str, tuple[float, float]]:
    climate, law = site.run.settings.plan.climate, site.run.settings.plan.watering.moisture
    bands = {
        CHANNELS[0]: (climate.air_temperature_low_c, climate.air_temperature_high_c),
        CHANNELS[1]: (climate.relative_humidity_low_pct, climate.relative_humidity_high_pct),
    }
    if law is not None:
        bands[CHANNELS[2]] = (law.low_fraction, law.high_fraction)
    return bands


def _marks(journal: Journal, timeline: Timeline, site: Site, texts: Texts) -> dict[str, Any]:
    """Light, doses, trips and looks at the plants, on UTC in milliseconds."""
    last = journal.last_reading()
    end_ms = timeline.place(last.at).utc_ms if last else 0
    doses = [
        (timeline.place(entry.at).utc_ms, round(entry.closed.volume_ml, 3))
        for entry in entries_of(journal, site.run.settings)
        if entry.closed is not None
    ]
    trips = [
        (timeline.place(trip.at).utc_ms, texts.law("trip", trip.trip_reason, trip.trip_reason))
        for trip in journal.records(m.TripRecord)
    ]
    looks = sorted({timeline.place(seen.at).utc_ms for _, seen in standing_observations(journal)})
    return {
        "lit": lit_spans(journal, timeline, [], end_ms),
        "doses": doses,
        "trips": trips,
        "trip_spans": trip_spans(journal, timeline, end_ms),
        "looks": looks,
    }


def _days(site: Site, journal: Journal, overview: Overview) -> list[dict[str, Any]]:
    """One row a UTC day, the newest first."""
    timeline = overview.timeline(journal)
    water_ml: dict[int, float] = {}
    for entry in entries_of(journal, site.run.settings):
        if entry.closed is not None:
            day = timeline.place(entry.counts_at).utc_ms // MS_PER_DAY
            water_ml[day] = water_ml.get(day, 0.0) + entry.closed.volume_ml
    return [
        {"day": Clock.day(day), "water_ml": water_ml.get(day), **{name: found.get(name) for name in CHANNELS}}
        for day, found in sorted(overview.days().items(), reverse=True)
    ]
