"""What every page shares: the run, who is signed in, the language, how a page is written and a form is read."""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import jinja2
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.types import ASGIApp

from controller import asking
from controller.control import model as m
from controller.control.photoperiod import moment_of
from controller.records.overview import Overview
from controller.templates import templates_in
from controller.web.codes import Gatekeeper, may
from controller.web.forms import FormFault, word_of
from controller.web.sessions import COOKIE, Session, Sessions, is_own_form
from controller.web.texts import LANGUAGE_COOKIE, LANGUAGES, Texts, language_of
from controller.web.watching import Run
from controller.web.workbench import Workbench

TEMPLATES = Path(__file__).parent / "templates"
WARN = 409
OVERVIEW = "page-overview.npz"


class RunOver(Exception):
    """Somebody wished something of a run that has ended and has no controller any more."""


@dataclass
class Site:
    """One page for one run. ``ask`` puts a wish to the controller and waits a moment for its answer."""

    run: Run
    gatekeeper: Gatekeeper
    sessions: Sessions = field(default_factory=Sessions)
    secure: bool = False
    reading_needs_code: bool = False
    ask_with: Callable[..., m.RequestAnswered | None] = asking.ask
    workbench: Workbench | None = None
    root: str = ""  # before every address of this run's pages; empty where the page shows one run alone
    pages: ASGIApp | None = None  # all of them as one application, where several runs are shown

    @cached_property
    def environment(self) -> jinja2.Environment:
        environment: jinja2.Environment = templates_in(TEMPLATES)
        return environment

    @cached_property
    def overview(self) -> Overview:
        """What was read of the run's course so far."""
        return Overview(self.run.settings, self.run.folder / OVERVIEW, self.run.settings_by)

    def read_ahead(self) -> None:
        """Read a long run before anybody asks for its course; the page answers meanwhile."""
        with self.run.journal() as journal:
            self.overview.catch_up(journal)

    # -- writing ----

    def texts(self, request: Request) -> Texts:
        chosen = request.query_params.get("lang") or request.cookies.get(LANGUAGE_COOKIE)
        return Texts(language_of(chosen, request.headers.get("accept-language", "")))

    def render(self, template: str, texts: Texts, **values: Any) -> str:
        found = self.environment.get_template(template)
        return found.render(t=texts, run=self.run, root=self.root, local=self.local, **values)

    def page(self, request: Request, template: str, status: int = 200, **values: Any) -> Response:
        """A whole page in the language of the request."""
        texts = self.texts(request)
        text = self.render(
            template,
            texts,
            session=self.session(request),
            path=self.address(request),
            languages=LANGUAGES,
            may=may,
            said=said_of(request, texts),
            **values,
        )
        response = HTMLResponse(text, status)
        if request.query_params.get("lang") in LANGUAGES:
            response.set_cookie(
                LANGUAGE_COOKIE, request.query_params["lang"], max_age=31_536_000, samesite="lax", secure=self.secure
            )
        return response

    def message(self, request: Request, words: str, status: int, back: str = "/") -> Response:
        """A page that says one thing."""
        return self.page(request, "message.jinja", status, words=words, back=back, well=status < 400)

    def address(self, request: Request) -> str:
        """Which of this run's pages is asked for."""
        return request.url.path.removeprefix(unquote(self.root)) or "/"

    def go(self, address: str) -> Response:
        """On to another page of this run."""
        return RedirectResponse(f"{self.root}{address}", 303)

    def local(self, utc_ms: int, form: str = "%Y-%m-%d %H:%M") -> str:
        """A moment on the chamber's clocks."""
        return f"{moment_of(utc_ms).astimezone(self.run.zone):{form}}"

    def today(self) -> datetime:
        return moment_of(self.run.clock_ms()).astimezone(self.run.zone)

    # -- who ----

    def session(self, request: Request) -> Session | None:
        return self.sessions.find(request.cookies.get(COOKIE))

    def closed(self, request: Request) -> Response | None:
        """Where somebody is sent who may not even read; None where reading is open or somebody is signed in."""
        if self.reading_needs_code and self.session(request) is None:
            return self.go("/sign-in")
        return None

    def closed_to_all_but(self, request: Request, role: str) -> Response | None:
        """Why somebody may not see the pages of a role; None where they may, and there is a chamber file to tell of."""
        session, texts = self.session(request), self.texts(request)
        if session is None:
            return self.message(request, texts("technician.sign_in_first"), 401, "/sign-in")
        if not may(session.role, role):
            return self.message(request, texts("refused.role", role=texts(f"role.{role}")), 403)
        return self.message(request, texts("technician.no_chamber"), WARN) if self.workbench is None else None

    def bench(self) -> Workbench:
        """The chamber file's calibrations; FormFault where the page was not told of one."""
        if self.workbench is None:
            raise FormFault("technician.no_chamber")
        return self.workbench

    def refusal(self, request: Request, form: FormData, role: str) -> Response | None:
        """Why this form is not acted on; None when it comes from this page and from somebody who may."""
        session, texts = self.session(request), self.texts(request)
        if session is None:
            return self.message(request, texts("sign_in.needed"), 401, "/sign-in")
        if not is_own_form(session, word_of(form, "form_mark", 100)):
            return self.message(request, texts("refused.form"), 403)
        if not may(session.role, role):
            return self.message(request, texts("refused.role", role=texts(f"role.{role}")), 403)
        return None

    # -- asking the controller ----

    async def ask(self, **wish: Any) -> m.RequestAnswered | None:
        """What the controller answered, or None while it has not."""
        return await run_in_threadpool(self._ask, wish)

    def _ask(self, wish: dict[str, Any]) -> m.RequestAnswered | None:
        status = self.run.look(fresh=True).status
        if status.is_over:
            raise RunOver
        with self.run.journal() as journal:
            answer = self.ask_with(journal, wish)
        self.run.look(fresh=True)
        return answer

    def answered(self, request: Request, answer: m.RequestAnswered | None, back: str, done: str) -> Response:
        """The page after a wish: back with a word when granted, else what the controller said."""
        if answer is None:
            return self.message(request, self.texts(request)("answer.none"), 202, back)
        if not answer.granted:
            texts = self.texts(request)
            return self.message(request, texts("answer.refused", words=texts.said(answer.words)), WARN, back)
        return self.go(f"{back}?done={done}")


def said_of(request: Request, texts: Texts) -> str:
    """A word about what was just done."""
    return texts.section("done").get(request.query_params.get("done", ""), "")
