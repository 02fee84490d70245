"""What is done in a session at the bench: begin and end it, ask for a portion, keep masses, read the balance.

A portion is asked for like everything else: as a request that the law of the open session grants or refuses.
"""

import time
from collections.abc import Awaitable, Callable
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from controller.bench.session import NOT_WEIGHED
from controller.control import model as m
from controller.errors import ChamberError
from controller.settings import read_chamber
from controller.web.bench_forms import FIELDS_MAX, BenchSession, keep_typed, read_balance, session_of
from controller.web.codes import TECHNICIAN
from controller.web.forms import FormFault, number_of, whole_of, word_of
from controller.web.session_process import IN_TERMINAL, OPEN, OVER, REFUSED, UNDER_WAY
from controller.web.site import WARN, Site

NOT_THERE, BAD_REQUEST = 404, 400
PUMP, ONE_PORTION = "pump", "one-portion"  # both ways of using a session, and the page of each
STARTS = {PUMP: "/technician/pump", ONE_PORTION: "/technician/one-portion"}
TEMPLATES = {PUMP: "portions.jinja", ONE_PORTION: "one_portion.jinja"}
OF_SESSION = "/technician/pump/{session}"

Act = Callable[[Request, FormData, BenchSession, str], Awaitable[Response]]


def page_of(name: str, way: str) -> str:
    """The address of a session's page."""
    return f"/technician/pump/{name}" + (f"/{ONE_PORTION}" if way == ONE_PORTION else "")


def way_of(form: FormData) -> str:
    """Which of the two pages a form stood on."""
    return ONE_PORTION if word_of(form, "way", 20) == ONE_PORTION else PUMP


def show_session(
    site: Site, request: Request, found: BenchSession, way: str, *, fault: str = "", volume: str = "",
    status: int = 200,
) -> Response:  # fmt: skip
    """A session's page with everything that is kept of it; ``fault`` says what could not be done."""
    values: dict[str, Any] = {
        "found": found,
        "volume_ml": volume or ("20" if way == ONE_PORTION else ""),
        "way": way,
        "fault": fault,
        "masses": found.masses(),
        "conditions": found.conditions(),
        "is_open": site.bench().session.is_open(found.name),
        "has_balance": found.has_balance(read_chamber(site.bench().chamber_path)),
    }
    return site.page(request, TEMPLATES[way], status, **values)


def in_session(site: Site, act: Act) -> Callable[[Request], Awaitable[Response]]:
    """A route on which a technician does something in a session: whatever was typed is kept before anything else.

    What cannot be meant is told on the session's own page.
    """

    async def endpoint(request: Request) -> Response:
        form = await request.form(max_files=0, max_fields=FIELDS_MAX)
        if (refused := site.refusal(request, form, TECHNICIAN)) is not None:
            return refused
        session, texts = site.session(request), site.texts(request)
        assert session is not None
        found = await run_in_threadpool(session_of, site, request.path_params["session"])
        if found is None:
            return site.message(request, texts("technician.no_session"), NOT_THERE, STARTS[PUMP])
        try:
            await run_in_threadpool(keep_typed, found, form, session.initials)
            return await act(request, form, found, session.initials)
        except FormFault as fault:
            volume = str(form.get("volume_ml", ""))[:20]
            way = ONE_PORTION if form.get("way") == ONE_PORTION else PUMP
            return await run_in_threadpool(
                show_session, site, request, found, way, status=BAD_REQUEST,
                fault=fault.words(texts), volume=volume,
            )  # fmt: skip

    return endpoint


def routes(site: Site) -> list[Route]:
    async def begin(request: Request) -> Response:
        form = await request.form(max_files=0, max_fields=10)
        if (refused := site.refusal(request, form, TECHNICIAN)) is not None:
            return refused
        session, way = site.session(request), way_of(form)
        assert session is not None
        process = site.bench().session
        standing = await run_in_threadpool(process.begin, session.initials, simulated=site.run.simulated)
        if standing.state == OPEN:
            return site.go(page_of(standing.name, way) + "?done=begun")
        if standing.state in (REFUSED, OVER, IN_TERMINAL):
            texts = site.texts(request)
            words = texts("bench.terminal") if standing.state == IN_TERMINAL else standing.words
            return site.message(request, texts("bench.refused", words=texts.said(words)), WARN, STARTS[way])
        return site.go(STARTS[way])

    async def end(request: Request, form: FormData, found: BenchSession, by: str) -> Response:
        process, now_utc_ms, back = site.bench().session, time.time_ns() // 1_000_000, page_of(found.name, way_of(form))
        standing = await run_in_threadpool(process.end, found.name, by, now_utc_ms, site.ask_with)
        if standing.name == found.name and standing.state in UNDER_WAY:
            return site.message(request, site.texts(request)("bench.not_ended"), WARN, back)
        return site.go(f"{back}?done=ended")

    async def portion(request: Request, form: FormData, found: BenchSession, by: str) -> Response:
        texts, most_ml = site.texts(request), found.chamber.limits.dose_max_ml
        process, back = site.bench().session, page_of(found.name, way_of(form))
        volume_ml = number_of(form, "volume_ml", 0.1, most_ml)
        if volume_ml is None:
            raise FormFault("bench.volume_needed", most=most_ml)
        if not await run_in_threadpool(process.is_open, found.name):
            return site.message(request, texts("bench.not_open"), WARN, back)
        wish = {
            "request": m.GIVE_PORTION,
            "asked_by": by,
            "subject": str(max(1, round(volume_ml / found.chamber.pump.ml_per_step))),
            "note": NOT_WEIGHED if word_of(form, "weighed", 5) == "no" else "",
        }
        answer = await run_in_threadpool(process.ask, found.name, site.ask_with, **wish)
        if answer is None:
            return site.message(request, texts("bench.no_answer"), 202, back)
        if not answer.granted:
            return site.message(request, texts("bench.was_refused", words=texts.said(answer.words)), WARN, back)
        return site.go(f"{back}?done=portion")

    async def masses(request: Request, form: FormData, found: BenchSession, by: str) -> Response:
        way, place = way_of(form), whole_of(form, "read", 1, len(found.portions))
        if place is None:
            return site.go(page_of(found.name, way) + "?done=kept")
        try:
            await run_in_threadpool(read_balance, site, found, place, by)
        except ChamberError as error:
            return await run_in_threadpool(
                show_session, site, request, found, way, fault=site.texts(request).said(str(error)), status=WARN
            )
        return site.go(page_of(found.name, way) + "?done=read")

    return [
        Route("/technician/session", begin, methods=["POST"]),
        Route(f"{OF_SESSION}/end", in_session(site, end), methods=["POST"]),
        Route(f"{OF_SESSION}/portion", in_session(site, portion), methods=["POST"]),
        Route(f"{OF_SESSION}/masses", in_session(site, masses), methods=["POST"]),
    ]
