"""``wardian check`` started and what it found last, and how far the acceptance tests of the bench have come."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from controller.acceptance.definition import TESTS, AcceptanceTest
from controller.acceptance.record import BenchRecord
from controller.check_record import CheckRecord
from controller.control.photoperiod import utc_ms
from controller.web.codes import TECHNICIAN
from controller.web.site import Site


@dataclass(frozen=True)
class Trial:
    """One acceptance test with its last attempt; ``standing`` is passed, failed or not_yet."""

    test: AcceptanceTest
    standing: str
    when: str = ""
    by: str = ""
    found: str = ""
    note: str = ""
    attempts: int = 0


def trials_of(site: Site, attempts: list[dict[str, Any]]) -> list[Trial]:
    """Every acceptance test in the order of the bench."""
    trials = []
    for test in TESTS:
        of_test = [each for each in attempts if each["test"] == test.name]
        if not of_test:
            trials.append(Trial(test, "not_yet"))
            continue
        last = of_test[-1]
        standing = "passed" if last["passed"] else "failed"
        when = site.local(utc_ms(datetime.fromisoformat(last["at_utc"])))
        trials.append(Trial(test, standing, when, last["by"], last["found"], last["note"], len(of_test)))
    return trials


def routes(site: Site) -> list[Route]:
    def checks(request: Request) -> Response:
        if (closed := site.closed_to_all_but(request, TECHNICIAN)) is not None:
            return closed
        chamber_path = site.bench().chamber_path
        kept = CheckRecord(chamber_path).last()
        return site.page(
            request,
            "checks.jinja",
            checked=kept,
            checked_when="" if kept is None else site.local(utc_ms(kept.at_utc)),
            trials=trials_of(site, BenchRecord(chamber_path).attempts()),
        )

    async def look(request: Request) -> Response:
        form = await request.form(max_files=0, max_fields=5)
        if (refused := site.refusal(request, form, TECHNICIAN)) is not None:
            return refused
        session = site.session(request)
        assert session is not None
        await run_in_threadpool(site.bench().look_at_all_parts, session.initials)
        return site.go("/technician/checks?done=check")

    return [Route("/technician/checks", checks), Route("/technician/checks", look, methods=["POST"])]
