"""Hands-on steps: what is due, how it is done, signing it off; and the water account that a drain belongs to."""

from dataclasses import dataclass

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from controller.control import hands_on
from controller.control import model as m
from controller.plan import HandsOnStep
from controller.web.codes import OPERATOR
from controller.web.forms import FormFault, number_of, word_of
from controller.web.site import Site
from controller.web.watching import Look

LATE_AFTER_MS = 6 * 3_600_000  # a step waits this long before it is called late (a choice, no source)
MASS_MAX_G = 20_000.0


@dataclass(frozen=True)
class Step:
    """One step of the plan as the page shows it; times on the chamber's clocks."""

    plan: HandsOnStep
    standing: str  # due, late, signed, coming
    since: str = ""
    by: str = ""
    drained_g: float | None = None
    note: str = ""


def steps_of(site: Site, look: Look) -> list[Step]:
    """All steps in the order of the plan, those that wait first."""
    found = []
    for step in site.run.settings.hands_on_steps:
        signed, due_ms = look.steps_signed.get(step.name), look.steps_due_since_ms.get(step.name)
        if signed is not None:
            when = site.local(signed.at.utc_ms)
            found.append(Step(step, "signed", when, signed.signed_by, signed.drained_g, signed.note))
        elif due_ms is not None:
            late = site.run.clock_ms() - due_ms > LATE_AFTER_MS
            found.append(Step(step, "late" if late else "due", site.local(due_ms)))
        else:
            coming = ""
            if step.due == "on_day" and look.hydrated_utc_ms is not None:
                coming = site.local(hands_on.day_moment_utc_ms(look.hydrated_utc_ms, step))
            found.append(Step(step, "coming", coming))
    return sorted(found, key=lambda each: ("late", "due", "coming", "signed").index(each.standing))


def routes(site: Site) -> list[Route]:
    def steps(request: Request) -> Response:
        if (closed := site.closed(request)) is not None:
            return closed
        look = site.run.look()
        return site.page(request, "steps.jinja", look=look, steps=steps_of(site, look), totals=look.totals)

    async def sign(request: Request) -> Response:
        form = await request.form(max_files=0, max_fields=20)
        if (refused := site.refusal(request, form, OPERATOR)) is not None:
            return refused
        session, texts = site.session(request), site.texts(request)
        assert session is not None
        name, note = word_of(form, "step", 100), word_of(form, "note", 1_000)
        step = next((each for each in site.run.settings.hands_on_steps if each.name == name), None)
        drained_g = None
        if step is not None and step.asks_drained_mass:
            before_g = number_of(form, "before_g", 0.0, MASS_MAX_G)
            after_g = number_of(form, "after_g", 0.0, MASS_MAX_G)
            if before_g is None or after_g is None:
                raise FormFault("steps.masses_needed")
            if after_g < before_g:
                raise FormFault("steps.masses_order")
            drained_g = round(after_g - before_g, 3)
            note = f"{texts('steps.masses_note', before=f'{before_g:g}', after=f'{after_g:g}')} {note}".strip()
        answer = await site.ask(
            request=m.SIGN_STEP, subject=name, asked_by=session.initials, drained_g=drained_g, note=note
        )
        return site.answered(request, answer, "/steps", "sign")

    return [Route("/steps", steps), Route("/steps", sign, methods=["POST"])]
