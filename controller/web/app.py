"""The page as one ASGI application, put together."""

from importlib.resources import files

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import Receive, Scope, Send

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
    technician_session,
)
from controller.web.doors import Doors
from controller.web.forms import FormFault
from controller.web.runs import Runs
from controller.web.site import TEMPLATES, RunOver, Site
from controller.web.texts import LANGUAGE_COOKIE, Texts, language_of

BAD_REQUEST, UNAVAILABLE = 400, 409


def build_app(site: Site, host_names: tuple[str, ...] = ()) -> Starlette:
    """The page of one run. ``host_names`` are names, besides its own, by which the computer is reached."""
    app = pages_of(site, *SHARED)
    app.add_middleware(Doors, host_names=host_names)
    return app


def build_runs_app(runs: Runs, host_names: tuple[str, ...] = ()) -> Starlette:
    """The pages of all runs of a folder: each below an address of its own, the bare address leads to the newest."""

    async def newest(request: Request) -> Response:
        site = await run_in_threadpool(runs.newest)
        query = f"?{request.url.query}" if request.url.query else ""
        return RedirectResponse(f"{site.root}/{query}", 307, {"cache-control": "no-store"})

    async def runs_page(request: Request) -> Response:
        site = await run_in_threadpool(runs.newest)
        if (closed := site.closed(request)) is not None:
            return closed
        listed = await run_in_threadpool(runs.listed)
        return site.page(request, "runs.jinja", runs=listed, newest=site.run.folder.name)

    async def one(scope: Scope, receive: Receive, send: Send) -> None:
        site = await run_in_threadpool(runs.site, scope["path_params"]["name"])
        if site is None:
            raise HTTPException(404)
        if site.pages is None:
            site.pages = pages_of(site)
        await site.pages(scope, receive, send)

    async def refused(request: Request, error: Exception) -> Response:
        site = await run_in_threadpool(runs.newest)
        return _refused(site, request, error)

    async def no_records(request: Request, error: Exception) -> Response:
        """Not even the newest run can be read, so there is no page to say it on."""
        texts = Texts(language_of(request.cookies.get(LANGUAGE_COOKIE), request.headers.get("accept-language", "")))
        headers = {"content-language": texts.language}
        return PlainTextResponse(texts.said_plainly(str(error)) + "\n", UNAVAILABLE, headers)

    return Starlette(
        routes=[
            *SHARED,
            Route("/", newest),
            Route("/runs", runs_page),
            Mount("/runs/{name}", app=one),
        ],
        middleware=[Middleware(Doors, host_names=host_names)],
        exception_handlers={HTTPException: refused, WardianError: no_records},
    )


def pages_of(site: Site, *more: BaseRoute) -> Starlette:
    """Every page of one run, and how its faults are told."""

    async def form_fault(request: Request, fault: Exception) -> Response:
        assert isinstance(fault, FormFault)
        return site.message(request, fault.words(site.texts(request)), BAD_REQUEST, site.address(request))

    async def no_records(request: Request, error: Exception) -> Response:
        """A journal that cannot be read or written just now: the page stays up and says so."""
        return site.message(request, site.texts(request).said(str(error)), UNAVAILABLE)

    async def over(request: Request, fault: Exception) -> Response:
        return site.message(request, site.texts(request)("answer.over"), UNAVAILABLE)

    async def refused(request: Request, error: Exception) -> Response:
        return _refused(site, request, error)

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
            *technician_session.routes(site),
            *more,
        ],
        exception_handlers={
            FormFault: form_fault,
            RunOver: over,
            WardianError: no_records,
            HTTPException: refused,
        },
    )


def _refused(site: Site, request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    texts = site.texts(request)
    words = texts("refused.nothing_here") if error.status_code == 404 else texts("refused.not_so")
    return site.message(request, words, error.status_code)


def plot_script(request: Request) -> Response:
    """The plot library's script, out of its wheel."""
    script = files("dygraphs").joinpath("assets", "dygraph-combined.js").read_bytes()
    return Response(script, media_type="text/javascript")


SHARED = (
    Route("/static/dygraph.js", plot_script),
    Mount("/static", StaticFiles(directory=TEMPLATES.parent / "static")),
)
