"""The logbook: what people see at each position, with pictures; a correction is a new entry that names the old."""

import re
from dataclasses import dataclass
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import Route

from controller.control import model as m
from controller.records.happenings import standing_observations
from controller.web.codes import PUPIL
from controller.web.forms import FormFault, number_of, whole_of, word_of
from controller.web.pictures import canopy_cover_fraction, drop_picture, keep_picture, thumbnail_of
from controller.web.site import Site

NOT_THERE = 404
PICTURE_NAME = re.compile(r"position-\d{2,3}-\d{8}T\d{6}Z-[0-9a-f]{8}(\.small)?\.jpg")
# a short key to the stages that a school sees, by their codes on the general BBCH scale (texts hold the words)
STAGES = ("00", "01", "05", "09", "10", "11", "12", "13", "19", "41", "51", "60", "65", "69", "89", "97")


@dataclass(frozen=True)
class Entry:
    """One entry of the logbook; ``corrected_by`` is the number of the entry that replaces it."""

    row: int
    seen: m.ObservationRecord
    when: str
    corrected_by: int | None = None
    cover_pct: float | None = None

    @property
    def thumbnail(self) -> str:
        return thumbnail_of(self.seen.picture) if self.seen.picture else ""


def latest_of(site: Site) -> dict[int, Entry]:
    """Position -> its newest entry that stands."""
    with site.run.journal() as journal:
        standing = standing_observations(journal)
    return {seen.position: Entry(row, seen, site.local(seen.at.utc_ms)) for row, seen in standing}


def history_of(site: Site, position: int) -> list[Entry]:
    """Every entry of a position, the newest first, those that were corrected among them."""
    with site.run.journal() as journal:
        rows = list(journal.numbered(m.ObservationRecord, "position = ?", (position,)))
    replaced = {seen.corrects: row for row, seen in rows if seen.corrects is not None}
    return [
        Entry(row, seen, site.local(seen.at.utc_ms), replaced.get(row), _cover_pct(site.run.pictures, seen.picture))
        for row, seen in reversed(rows)
    ]


def _cover_pct(folder: Path, picture: str) -> float | None:
    if not PICTURE_NAME.fullmatch(picture):
        return None
    cover = canopy_cover_fraction(folder / picture)
    return None if cover is None else 100.0 * cover


def routes(site: Site) -> list[Route]:
    species = {each.number: each.species for each in site.run.settings.plan.positions}

    def logbook(request: Request) -> Response:
        if (closed := site.closed(request)) is not None:
            return closed
        return site.page(request, "logbook.jinja", species=species, latest=latest_of(site))

    def one(request: Request) -> Response:
        if (closed := site.closed(request)) is not None:
            return closed
        position = request.path_params["position"]
        texts = site.texts(request)
        if position not in species:
            return site.message(request, texts("logbook.no_position", n=position), NOT_THERE, "/logbook")
        entries = history_of(site, position)
        wanted = request.query_params.get("corrects", "")
        old = next((each for each in entries if str(each.row) == wanted and each.corrected_by is None), None)
        return site.page(
            request,
            "position.jinja",
            position=position,
            species=species,
            entries=entries,
            old=old,
            stages=STAGES,
        )

    async def write(request: Request) -> Response:
        position = request.path_params["position"]
        async with request.form(max_files=1, max_fields=20) as form:
            if (refused := site.refusal(request, form, PUPIL)) is not None:
                return refused
            session = site.session(request)
            assert session is not None
            emerged = {"yes": True, "no": False}.get(word_of(form, "emerged", 5))
            wish = {
                "request": m.OBSERVE,
                "position": position,
                "asked_by": session.initials,
                "emerged": emerged,
                "height_mm": number_of(form, "height_mm", 0.0, 3_000.0),
                "leaves": whole_of(form, "leaves", 0, 500),
                "growth_stage_bbch": whole_of(form, "growth_stage_bbch", 0, 99),
                "note": word_of(form, "note", 1_000),
                "corrects": whole_of(form, "corrects", 1, 2**53),
            }
            if wish["corrects"] is not None:
                rows = await run_in_threadpool(history_of, site, position)
                if wish["corrects"] not in [each.row for each in rows if each.corrected_by is None]:
                    raise FormFault("logbook.no_entry", n=wish["corrects"])
            sent = form.get("picture")
            picture = ""
            if isinstance(sent, UploadFile) and sent.size:
                content = await sent.read()
                if position in species:
                    at_ms = site.run.clock_ms()
                    picture = await run_in_threadpool(keep_picture, site.run.pictures, position, at_ms, content)
        said = [wish[name] for name in ("emerged", "height_mm", "leaves", "growth_stage_bbch")]
        if not picture and not wish["note"] and said == [None] * 4:
            raise FormFault("logbook.empty")
        answer = await site.ask(**wish, picture=picture)
        if picture and answer is not None and not answer.granted:
            await run_in_threadpool(drop_picture, site.run.pictures, picture)
        return site.answered(request, answer, f"/logbook/{position}", "observe")

    def picture(request: Request) -> Response:
        if (closed := site.closed(request)) is not None:
            return closed
        name = request.path_params["name"]
        path = site.run.pictures / name
        if not PICTURE_NAME.fullmatch(name) or not path.is_file():
            return site.message(request, site.texts(request)("logbook.no_picture"), NOT_THERE, "/logbook")
        return FileResponse(path, media_type="image/jpeg")

    return [
        Route("/logbook", logbook),
        Route("/logbook/{position:int}", one),
        Route("/logbook/{position:int}", write, methods=["POST"]),
        Route("/pictures/{name}", picture),
    ]
