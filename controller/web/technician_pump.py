"""The pump by weighing, guided: a session at the bench, the masses of its portions, and the verdict as a record; and
the quick check by one portion of a session, onto the control chart.
"""

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from controller.errors import WardianError
from controller.web.bench_forms import MASS_MAX_G, PORTIONS_MAX, BenchSession, options_of, session_of
from controller.web.codes import TECHNICIAN
from controller.web.forms import FormFault, number_of, whole_of
from controller.web.site import Site
from controller.web.technician_session import NOT_THERE, OF_SESSION, ONE_PORTION, PUMP, STARTS, in_session, show_session


def sessions_of(site: Site) -> tuple[list[BenchSession], list[str]]:
    """All sessions, the newest first, and a sentence for each one that cannot be read."""
    found, faults = [], []
    for name in site.bench().session.names():
        try:
            session = session_of(site, name)
        except WardianError as error:
            faults.append(str(error))
            continue
        if session is not None:
            found.append(session)
    return found, faults


def routes(site: Site) -> list[Route]:
    def start(request: Request) -> Response:
        if (closed := site.closed_to_all_but(request, TECHNICIAN)) is not None:
            return closed
        way = ONE_PORTION if request.url.path.endswith(STARTS[ONE_PORTION]) else PUMP
        sessions, faults = sessions_of(site)
        standing = site.bench().session.standing()
        return site.page(request, "pump.jinja", way=way, sessions=sessions, faults=faults, standing=standing)

    def shown(request: Request) -> Response:
        if (closed := site.closed_to_all_but(request, TECHNICIAN)) is not None:
            return closed
        found = session_of(site, request.path_params["session"])
        if found is None:
            return site.message(request, site.texts(request)("technician.no_session"), NOT_THERE, "/technician/pump")
        return show_session(site, request, found, ONE_PORTION if request.url.path.endswith(ONE_PORTION) else PUMP)

    async def judge(request: Request, form: FormData, found: BenchSession, by: str) -> Response:
        """All portions as a calibration, or one of them as a check."""
        options, kind, places = options_of(found, form), "pump", list(range(1, len(found.portions) + 1))
        if request.url.path.endswith(ONE_PORTION):
            kind, place = "check", whole_of(form, "portion", 1, min(len(found.portions), PORTIONS_MAX))
            if place is None:
                raise FormFault("bench.which_portion")
            places, options = [place], [*options, f"--portion={place}"]
        masses = []
        for place in places:
            mass_g = number_of(form, f"mass_{place}_g", 0.0, MASS_MAX_G)
            if mass_g is None:
                raise FormFault("technician.mass_missing", n=place)
            masses.append([repr(mass_g)])
        rows = [["mass_g"], *masses]
        record_id = await run_in_threadpool(site.bench().work_out, kind, by, rows, options)
        if kind == "check":
            return site.go(f"/technician/chart?record={record_id}&done=checked")
        return site.go(f"/technician/records/{record_id}?done=calibrated")

    return [
        *(Route(address, start) for address in STARTS.values()),
        Route(OF_SESSION, shown),
        Route(f"{OF_SESSION}/{ONE_PORTION}", shown),
        Route(OF_SESSION, in_session(site, judge), methods=["POST"]),
        Route(f"{OF_SESSION}/{ONE_PORTION}", in_session(site, judge), methods=["POST"]),
    ]
