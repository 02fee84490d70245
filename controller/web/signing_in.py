"""Signing in with a role's code, and out again."""

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from controller.web.codes import ROLES
from controller.web.forms import initials_of, role_of, word_of
from controller.web.present import code_refusal
from controller.web.sessions import COOKIE, is_own_form
from controller.web.site import Site


def routes(site: Site) -> list[Route]:
    def form_page(request: Request) -> Response:
        return site.page(request, "sign_in.jinja", roles=ROLES, roles_set=site.gatekeeper.codes.roles_set())

    async def sign_in(request: Request) -> Response:
        form = await request.form(max_files=0, max_fields=10)
        role, initials = role_of(form), initials_of(form)
        refused = await code_refusal(site, request, role, word_of(form, "code", 300))
        if refused is not None:
            return refused
        site.sessions.end(request.cookies.get(COOKIE))
        response = site.go("/steps?done=sign_in")
        response.set_cookie(
            COOKIE, site.sessions.begin(role, initials), httponly=True, samesite="strict", secure=site.secure
        )
        return response

    async def sign_out(request: Request) -> Response:
        form = await request.form(max_files=0, max_fields=10)
        session = site.session(request)
        response = site.go("/")
        if session is not None and is_own_form(session, word_of(form, "form_mark", 100)):
            site.sessions.end(request.cookies.get(COOKIE))
            response.delete_cookie(COOKIE)
        return response

    return [
        Route("/sign-in", form_page),
        Route("/sign-in", sign_in, methods=["POST"]),
        Route("/sign-out", sign_out, methods=["POST"]),
    ]
