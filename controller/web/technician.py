"""The technician's first page: what the chamber takes, all calibrations and checks, and each with its certificate."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import Route

from controller.bench import records
from controller.bench.taking import NamedPlan, put_into_use
from controller.control import model as m
from controller.control.photoperiod import moment_of, utc_ms
from controller.plan import Chamber
from controller.settings import read_chamber
from controller.web.codes import TECHNICIAN
from controller.web.forms import word_of
from controller.web.site import Site
from controller.web.texts import Texts

NOT_THERE = 404
KINDS = ("pump", "moisture", "lamp", "humidity", "temperature")
A_YEAR = timedelta(days=365)  # how long a sensor check or a map of the lamp is trusted (common practice, no source)
FOR_A_YEAR = ("lamp", "humidity", "temperature")
PAPERS = {"html": "text/html; charset=utf-8", "pdf": "application/pdf", "json": "application/json"}
# A certificate is a whole page with a style of its own: it may draw, and nothing else.
PAPER_POLICY = "sandbox; default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'; base-uri 'none'"


@dataclass(frozen=True)
class Standing:
    """One record as the list shows it. ``standing`` is in_use, accepted or refused."""

    record: dict[str, Any]
    standing: str
    when: str
    figure: str
    validity: str
    is_valid: bool


def figure_of(record: dict[str, Any], texts: Texts) -> str:
    """What was found, in one line."""
    result = record["result"]
    if "ml_per_step" in result:
        return texts("technician.ml_per_step", ml=texts.number(result["ml_per_step"], 6))
    return texts.said(str(record["words"][0]))


def validity_of(record: dict[str, Any], chamber: Chamber, today: date, texts: Texts) -> tuple[str, bool]:
    """How long and for what a record holds, in words, and whether it does today."""
    kind = record["kind"]
    if kind in ("pump", "check"):
        lot = record["tubing_lot"]
        if lot != chamber.pump.tubing_lot:
            return texts("technician.other_tube", lot=lot or "?", now=chamber.pump.tubing_lot or "?"), False
        return texts("technician.this_tube", lot=lot or "?"), True
    if kind in FOR_A_YEAR:
        until = datetime.fromisoformat(record["at_utc"]).date() + A_YEAR
        return texts("technician.until" if today <= until else "technician.expired", day=until), today <= until
    return texts("technician.this_medium"), True


class Calibrations:
    """The records beside the chamber file, as the pages tell them."""

    def __init__(self, site: Site) -> None:
        self._site = site

    def chamber(self) -> Chamber:
        """The chamber file as it stands now."""
        return read_chamber(self._site.bench().chamber_path)

    def standings(self, texts: Texts) -> list[Standing]:
        """Every calibration and check, the newest first."""
        folder, chamber = self._site.bench().folder, self.chamber()
        used = {record["id"] for record in records.in_use(folder).values()}
        found = [each for each in records.read_all(folder) if each["kind"] != records.USE]
        return [self._standing(each, used, chamber, texts) for each in reversed(found)]

    def standing(self, record_id: str, texts: Texts) -> Standing | None:
        """One of them, or None where there is none of that name."""
        folder = self._site.bench().folder
        if record_id not in {path.stem for path in folder.glob("*-*Z*.json")}:
            return None
        used = {record["id"] for record in records.in_use(folder).values()}
        record = records.read(folder, record_id)
        return None if record["kind"] == records.USE else self._standing(record, used, self.chamber(), texts)

    def _standing(self, record: dict[str, Any], used: set[str], chamber: Chamber, texts: Texts) -> Standing:
        standing = "in_use" if record["id"] in used else ("accepted" if record["accepted"] else "refused")
        when = self._site.local(utc_ms(datetime.fromisoformat(record["at_utc"])))
        validity, is_valid = validity_of(record, chamber, self._site.today().date(), texts)
        return Standing(record, standing, when, figure_of(record, texts), validity, is_valid)


def routes(site: Site) -> list[Route]:
    calibrations = Calibrations(site)

    def overview(request: Request) -> Response:
        if (closed := site.closed_to_all_but(request, TECHNICIAN)) is not None:
            return closed
        standings = calibrations.standings(site.texts(request))
        in_use = {each.record["kind"]: each for each in standings if each.standing == "in_use"}
        return site.page(request, "technician.jinja", standings=standings, in_use=in_use, kinds=KINDS)

    def one(request: Request) -> Response:
        if (closed := site.closed_to_all_but(request, TECHNICIAN)) is not None:
            return closed
        texts, folder = site.texts(request), site.bench().folder
        found = calibrations.standing(request.path_params["record_id"], texts)
        if found is None:
            return site.message(request, texts("technician.no_record"), NOT_THERE, "/technician")
        record = found.record
        papers = [ending for ending in PAPERS if (folder / f"{record['id']}.{ending}").is_file()]
        readings = record["data"].get("weighings") or record["data"].get("readings") or []
        may_use = record["kind"] in records.SECTIONS and record["accepted"] and found.standing != "in_use"
        return site.page(
            request, "record.jinja", found=found, record=record, papers=papers, readings=readings, may_use=may_use
        )

    def paper(request: Request) -> Response:
        if (closed := site.closed_to_all_but(request, TECHNICIAN)) is not None:
            return closed
        texts, folder = site.texts(request), site.bench().folder
        record_id, ending = request.path_params["record_id"], request.path_params["ending"]
        known = calibrations.standing(record_id, texts)
        path = folder / f"{record_id}.{ending}"
        if known is None or ending not in PAPERS or not path.is_file():
            return site.message(request, texts("technician.no_record"), NOT_THERE, "/technician")
        headers = {"content-security-policy": PAPER_POLICY}
        if "download" in request.query_params or ending != "html":
            return FileResponse(path, media_type=PAPERS[ending], headers=headers, filename=path.name)
        return FileResponse(path, media_type=PAPERS[ending], headers=headers)

    async def use(request: Request) -> Response:
        form = await request.form(max_files=0, max_fields=10)
        if (refused := site.refusal(request, form, TECHNICIAN)) is not None:
            return refused
        session = site.session(request)
        assert session is not None
        record_id = word_of(form, "calibration", 100)
        await run_in_threadpool(_put_into_use, site, record_id, session.initials)
        return site.go(f"/technician/records/{record_id}?done=use")

    return [
        Route("/technician", overview),
        Route("/technician/use", use, methods=["POST"]),
        Route("/technician/records/{record_id}", one),
        Route("/technician/records/{record_id}/certificate.{ending}", paper),
    ]


def _put_into_use(site: Site, record_id: str, by: str) -> None:
    """Let the chamber take this record, if it and the run's plan stay good with it; SettingsError otherwise."""
    if not site.run.simulated:
        records.judge_real((record_id,))
    phase, settings = site.run.look(fresh=True).status.phase, site.run.settings

    def plans(chamber: Chamber) -> list[NamedPlan]:
        here = phase != m.ENDED and chamber.site == settings.chamber.site
        return [NamedPlan(str(site.run.folder.absolute()), settings.plan_text)] if here else []

    at_utc = moment_of(site.run.clock_ms()).astimezone(UTC)
    put_into_use(site.bench().chamber_path, record_id, by, at_utc, plans=plans)
