"""The page as one ASGI application, put together."""

from importlib.resources import files

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from controller.errors import WardianError
from controller.web import (
    course,
    downloads,
    logbook,
    present,
    signing_in,
    steps,
    technician,
    technician_chart,
    technician_checks,
    technician_pump,
    technician_readings,
)
from controller.web.doors import Doors
from controller.web.forms import FormFault
from controller.web.site import TEMPLATES, Site

BAD_REQUEST, UNAVAILABLE = 400, 409


def build_app(site: Site, host_names: tuple[str, ...] = ()) -> Starlette:
    """The page of one run. ``host_names`` are names, besides its own, by which the computer is reached."""

    async def form_fault(request: Request, fault: Exception) -> Response:
        assert isinstance(fault, FormFault)
        back = request.url.path.removeprefix(site.root)
        return site.message(request, fault.words(site.texts(request)), BAD_REQUEST, back)

    async def no_records(request: Request, error: Exception) -> Response:
        """A journal that cannot be read or written just now: the page stays up and says so."""
        return site.message(request, site.texts(request).said(str(error)), UNAVAILABLE)

    async def refused(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        texts = site.texts(request)
        words = texts("refused.nothing_here") if error.status_code == 404 else texts("refused.not_so")
        return site.message(request, words, error.status_code)

    return Starlette(
        routes=[
            *present.routes(site),
            *course.routes(site),
            *steps.routes(site),
            *logbook.routes(site),
            *downloads.routes(site),
            *signing_in.routes(site),
            *technician.routes(site),
            *technician_chart.routes(site),
            *technician_checks.routes(site),
            *technician_readings.routes(site),
            *technician_pump.routes(site),
            Route("/static/dygraph.js", plot_script),
            Mount("/static", StaticFiles(directory=TEMPLATES.parent / "static")),
        ],
        middleware=[Middleware(Doors, host_names=host_names)],
        exception_handlers={FormFault: form_fault, WardianError: no_records, HTTPException: refused},
    )


def plot_script(request: Request) -> Response:
    """The plot library's script, out of its wheel."""
    script = files("dygraphs").joinpath("assets", "dygraph-combined.js").read_bytes()
    return Response(script, media_type="text/javascript")
