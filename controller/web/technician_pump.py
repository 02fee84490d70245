"""The pump by weighing, guided: portions that the chamber gave, their masses, and the verdict as a record.

A portion is asked for like everything else: as a request that the law of the running session grants or refuses.
"""

import re
from dataclasses import dataclass
from datetime import UTC, datetime

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from controller.bench.session import NOT_WEIGHED, given_portions
from controller.control import model as m
from controller.control.photoperiod import utc_ms
from controller.errors import WardianError
from controller.records.journal import Journal
from controller.web.codes import TECHNICIAN
from controller.web.forms import FormFault, number_of, word_of
from controller.web.site import Site

NOT_THERE = 404
SESSION_NAME = re.compile(r"session-\d{8}T\d{6,18}Z")
MASS_MAX_G = 1_000.0
PORTIONS_MAX = 200
FIELDS = (("water_c", "--water-c", 5.0, 40.0), ("pressure_kpa", "--pressure-kpa", 60.0, 110.0),
          ("evaporated_g", "--evaporated-g", 0.0, 1.0), ("resolution_g", "--resolution-g", 0.0, 1.0))  # fmt: skip
DEFAULTS = {"evaporated_g": "0", "resolution_g": "0.01"}


@dataclass(frozen=True)
class Session:
    """A session at the bench, and the portions (dose id, steps) that it gave to be weighed."""

    name: str
    when: str
    simulated: bool
    portions: list[tuple[int, int]]


def session_of(site: Site, name: str) -> Session | None:
    """One session of the chamber's folder, or None where there is none of that name."""
    folder = site.bench().folder / name
    if not SESSION_NAME.fullmatch(name) or not (folder / "journal.sqlite").is_file():
        return None
    began = datetime.strptime(name.removeprefix("session-")[:15], "%Y%m%dT%H%M%S").replace(tzinfo=UTC)
    journal = Journal.open(folder / "journal.sqlite")
    try:
        simulated = bool(journal.run_row()["simulated"])
    finally:
        journal.close()
    portions = given_portions(folder) if (folder / "bench.jsonl").is_file() else []
    return Session(name, site.local(utc_ms(began)), simulated, portions)


def sessions_of(site: Site) -> tuple[list[Session], list[str]]:
    """All sessions, the newest first, and a sentence for each one that cannot be read."""
    found, faults = [], []
    for name in sorted((path.name for path in site.bench().folder.glob("session-*Z")), reverse=True):
        try:
            session = session_of(site, name)
        except WardianError as error:
            faults.append(str(error))
            continue
        if session is not None:
            found.append(session)
    return found, faults


def routes(site: Site) -> list[Route]:
    ml_per_step = site.run.settings.chamber.pump.ml_per_step
    portion_max_ml = site.run.settings.chamber.limits.dose_max_ml

    def pump(request: Request) -> Response:
        if (closed := site.closed_to_all_but(request, TECHNICIAN)) is not None:
            return closed
        status = site.run.look().status
        sessions, faults = sessions_of(site)
        return site.page(
            request,
            "pump.jinja",
            sessions=sessions,
            faults=faults,
            is_live=status.phase == m.CALIBRATING,
            here=site.run.folder.resolve().name,
            portion_max_ml=portion_max_ml,
        )

    async def portion(request: Request) -> Response:
        form = await request.form(max_files=0, max_fields=10)
        if (refused := site.refusal(request, form, TECHNICIAN)) is not None:
            return refused
        session = site.session(request)
        assert session is not None
        volume_ml = number_of(form, "volume_ml", 0.1, portion_max_ml)
        if volume_ml is None:
            raise FormFault("fault.needed", field="volume_ml", low=0.1, high=portion_max_ml)
        steps = max(1, round(volume_ml / ml_per_step))
        note = NOT_WEIGHED if word_of(form, "weighed", 5) == "no" else ""
        answer = await site.ask(request=m.GIVE_PORTION, subject=str(steps), asked_by=session.initials, note=note)
        return site.answered(request, answer, "/technician/pump", "portion")

    def portions(request: Request) -> Response:
        if (closed := site.closed_to_all_but(request, TECHNICIAN)) is not None:
            return closed
        found = session_of(site, request.path_params["session"])
        if found is None:
            return site.message(request, site.texts(request)("technician.no_session"), NOT_THERE, "/technician/pump")
        values = {name: DEFAULTS.get(name, "") for name, *_ in FIELDS}
        return site.page(
            request,
            "portions.jinja",
            found=found,
            values=values,
            ml_per_step=ml_per_step,
            lot=site.run.settings.chamber.pump.tubing_lot,
        )

    async def weigh(request: Request) -> Response:
        form = await request.form(max_files=0, max_fields=PORTIONS_MAX + 20)
        if (refused := site.refusal(request, form, TECHNICIAN)) is not None:
            return refused
        session, texts = site.session(request), site.texts(request)
        assert session is not None
        found = await run_in_threadpool(session_of, site, request.path_params["session"])
        if found is None:
            return site.message(request, texts("technician.no_session"), NOT_THERE, "/technician/pump")
        options = [f"--session={site.bench().folder / found.name}"]
        for name, option, low, high in FIELDS:
            value = number_of(form, name, low, high)
            if value is None:
                raise FormFault("fault.needed", field=name, low=low, high=high)
            options.append(f"{option}={value!r}")
        options.append(f"--instruments={word_of(form, 'instruments', 300)}")
        options += ["--simulated"] if found.simulated else []
        masses = []
        for place, _ in enumerate(found.portions, 1):
            mass_g = number_of(form, f"mass_{place}_g", 0.0, MASS_MAX_G)
            if mass_g is None:
                raise FormFault("technician.mass_missing", n=place)
            masses.append([repr(mass_g)])
        rows = [["mass_g"], *masses]
        record_id = await run_in_threadpool(site.bench().work_out, "pump", session.initials, rows, options)
        return site.go(f"/technician/records/{record_id}?done=calibrated")

    return [
        Route("/technician/pump", pump),
        Route("/technician/portion", portion, methods=["POST"]),
        Route("/technician/pump/{session}", portions),
        Route("/technician/pump/{session}", weigh, methods=["POST"]),
    ]
