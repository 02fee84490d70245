"""Downloads for teachers: tables with a preview, a workbook, the pictures, the whole run."""

import tempfile
from collections.abc import AsyncIterator, Generator, Iterable, Iterator
from contextlib import closing
from dataclasses import replace
from datetime import date
from itertools import islice
from pathlib import Path

import anyio
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route

from controller.control.model import BootRecord
from controller.control.photoperiod import moment_of
from controller.web.archive import PIECE_BYTES, zip_chunks
from controller.web.forms import FormFault
from controller.web.logbook import PICTURE_NAME
from controller.web.site import Site
from controller.web.tables import DECIMALS, SEPARATORS, STEPS_S, TABLES, Choice, csv_chunks, plain_chunks, rows_of
from controller.web.texts import DECIMAL_COMMA, Texts
from controller.web.workbook import TooManyRows, write_workbook

PREVIEW_ROWS = 6
AT_ONCE = 2  # downloads are made by so many threads; the rest wait their turn, and the first page does not


def choice_of(request: Request) -> Choice:
    """What the address asks for; FormFault where it cannot be meant."""
    asked = request.query_params

    def one_of(name: str, allowed: Iterable[str], default: str) -> str:
        found = asked.get(name, default)
        if found not in allowed:
            raise FormFault("fault.none_of", field=name, choices=", ".join(allowed))
        return found

    def day(name: str) -> date | None:
        text = asked.get(name, "")
        try:
            found = date.fromisoformat(text) if text else None
        except ValueError:
            raise FormFault("fault.no_day", field=name) from None
        if found is not None and not 1971 <= found.year <= 2200:
            raise FormFault("fault.year", field=name, day=str(found))
        return found

    first, last = day("first"), day("last")
    if first is not None and last is not None and last < first:
        raise FormFault("fault.days_order", field="last", last=str(last), first=str(first))
    return Choice(
        one_of("table", TABLES, "climate"),
        first,
        last,
        one_of("step", STEPS_S, "10min"),
        one_of("separator", SEPARATORS, "comma"),
        one_of("decimal", DECIMALS, "point"),
    )


class Downloads:
    """Makes files of one run while they are sent."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._limiter: anyio.CapacityLimiter | None = None

    def send(self, pieces: Iterator[bytes], media_type: str, file_name: str) -> Response:
        headers = {"content-disposition": f'attachment; filename="{file_name}"'}
        return StreamingResponse(self._in_turn(pieces), media_type=media_type, headers=headers)

    async def _in_turn(self, pieces: Iterator[bytes]) -> AsyncIterator[bytes]:
        if self._limiter is None:
            self._limiter = anyio.CapacityLimiter(AT_ONCE)
        try:
            while (piece := await anyio.to_thread.run_sync(next, pieces, None, limiter=self._limiter)) is not None:
                yield piece
        finally:
            if hasattr(pieces, "close"):
                pieces.close()

    def rows(self, choice: Choice) -> Generator[list[str], None, None]:
        run = self._site.run
        with run.journal() as journal:
            yield from rows_of(journal, run.settings, choice, run.zone)

    def lines(self, choice: Choice) -> Iterator[bytes]:
        """The file, piece by piece."""
        run = self._site.run
        if choice.is_plain:
            with run.journal() as journal:
                yield from plain_chunks(journal, run.settings, choice, run.zone)
        else:
            yield from csv_chunks(lambda: self.rows(choice), choice)

    def preview(self, choice: Choice) -> str:
        """The first lines of the file."""
        with closing(self.rows(choice)) as rows:
            return b"".join(csv_chunks(lambda: islice(rows, PREVIEW_ROWS), choice)).decode("utf-8-sig")

    def workbook(self, choice: Choice, texts: Texts) -> Generator[bytes, None, None]:
        run = self._site.run
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "table.xlsx"
            with run.journal() as journal, closing(self.rows(choice)) as rows:
                write_workbook(path, rows, choice, run.settings, journal.run_row(), texts)
            with path.open("rb") as file:
                while piece := file.read(PIECE_BYTES):
                    yield piece

    def pictures(self) -> Iterator[tuple[str, Path]]:
        folder = self._site.run.pictures
        if folder.is_dir():
            for path in sorted(folder.iterdir()):
                if PICTURE_NAME.fullmatch(path.name) and not path.name.endswith(".small.jpg"):
                    yield f"pictures/{path.name}", path

    def whole_run(self) -> Iterator[bytes]:
        """Journal, plan, chamber file, tables of ten minutes and pictures, in one archive."""
        run = self._site.run
        with tempfile.TemporaryDirectory() as folder:
            copy = Path(folder) / "journal.sqlite"
            with run.journal() as journal:
                journal.copy_to(copy)
                row = journal.run_row()
            yield from zip_chunks(self._members(copy, row))

    def _members(self, copy: Path, row: dict[str, str | int]) -> Iterator[tuple[str, Path | Iterable[bytes]]]:
        yield "journal.sqlite", copy
        yield "plan.toml", [str(row["plan_text"]).encode()]
        yield "chamber.toml", [str(row["chamber_text"]).encode()]
        for table in TABLES:
            choice = Choice(table)
            with closing(self.rows(choice)) as rows:
                yield f"{table}.csv", csv_chunks(lambda rows=rows: rows, choice)  # type: ignore[misc]
        yield from self.pictures()


def routes(site: Site) -> list[Route]:
    downloads = Downloads(site)
    place = site.run.settings.chamber.site.name

    def file_name(choice: Choice, ending: str) -> str:
        """A name with the days that the file holds, also where none was chosen."""
        first, last = _days(site)
        return replace(choice, first=choice.first or first, last=choice.last or last).file_name(place, ending)

    def page(request: Request) -> Response:
        if (closed := site.closed(request)) is not None:
            return closed
        asked = dict(request.query_params)
        asked.pop("lang", None)
        choice = choice_of(request)
        if not asked and site.texts(request).language in DECIMAL_COMMA:
            choice = replace(choice, separator="semicolon", decimal="comma")
        preview = downloads.preview(choice) if asked else ""
        return site.page(
            request,
            "downloads.jinja",
            choice=choice,
            preview=preview,
            file_name=file_name(choice, "csv"),
            query=str(request.url.query),
            days=_days(site),
            steps=list(STEPS_S),
            tables=list(TABLES),
            pictures=sum(1 for _ in downloads.pictures()),
        )

    def table(request: Request) -> Response:
        if (closed := site.closed(request)) is not None:
            return closed
        choice = choice_of(request)
        return downloads.send(downloads.lines(choice), "text/csv; charset=utf-8", file_name(choice, "csv"))

    async def workbook(request: Request) -> Response:
        if (closed := site.closed(request)) is not None:
            return closed
        choice = choice_of(request)
        pieces = downloads.workbook(choice, site.texts(request))
        try:
            first = await run_in_threadpool(next, pieces)  # made whole before anything is promised
        except TooManyRows:
            return site.message(request, site.texts(request)("downloads.too_many"), 413, "/downloads")

        def all_pieces() -> Iterator[bytes]:
            with closing(pieces):
                yield first
                yield from pieces

        media_type = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
        return downloads.send(all_pieces(), media_type, await run_in_threadpool(file_name, choice, "xlsx"))

    def pictures(request: Request) -> Response:
        if (closed := site.closed(request)) is not None:
            return closed
        name = f"{site.run.run_id}_pictures.zip"
        return downloads.send(zip_chunks(downloads.pictures()), "application/zip", name)

    def whole(request: Request) -> Response:
        if (closed := site.closed(request)) is not None:
            return closed
        return downloads.send(downloads.whole_run(), "application/zip", f"{site.run.run_id}.zip")

    def columns(request: Request) -> Response:
        if (closed := site.closed(request)) is not None:
            return closed
        return site.page(request, "columns.jinja", tables=TABLES)

    return [
        Route("/downloads", page),
        Route("/downloads/table.csv", table),
        Route("/downloads/table.xlsx", workbook),
        Route("/downloads/pictures.zip", pictures),
        Route("/downloads/run.zip", whole),
        Route("/columns", columns),
    ]


def _days(site: Site) -> tuple[date | None, date | None]:
    """The first and the last day of the run so far, by the chamber's clocks; None where nothing was written."""
    with site.run.journal() as journal:
        ends = (next(journal.records(BootRecord), None), journal.last_reading())
    first, last = (None if end is None else moment_of(end.at.utc_ms).astimezone(site.run.zone).date() for end in ends)
    return first, last
