"""Probe, lamp and air sensor, guided: what to do with the hands, the readings, and the verdict as a record."""

from dataclasses import dataclass

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from controller.science.air import SALTS
from controller.web.codes import TECHNICIAN
from controller.web.forms import FormFault, number_of, word_of
from controller.web.site import Site
from controller.web.workbench import rows_in

NOT_THERE = 404
TEXT_MAX = 40_000  # characters of typed or pasted readings


@dataclass(frozen=True)
class Field:
    """One figure that a procedure needs besides its readings, and the option that takes it."""

    name: str
    option: str
    low: float
    high: float
    default: str = ""


@dataclass(frozen=True)
class Procedure:
    """The columns of the readings, with an example row, and the figures beside them."""

    columns: tuple[str, ...]
    example: str
    fields: tuple[Field, ...] = ()
    needs_salt: bool = False


PROCEDURES = {
    "moisture": Procedure(("counts", "water_content_fraction"), "2950, 0.05\n2100, 0.21\n1340, 0.38"),
    "lamp": Procedure(
        ("position", "duty_fraction", "ppfd_umol_m2_s"),
        "1, 0.25, 71\n1, 0.5, 148\n1, 1, 301",
        (Field("light_h", "--light-h", 0.0, 24.0), Field("duty_fraction", "--duty", 0.0, 1.0, "1")),
    ),
    "humidity": Procedure(
        ("elapsed_min", "relative_humidity_pct"),
        "0, 75.1\n10, 75.3\n20, 75.2",
        (Field("air_c", "--air-c", 0.0, 50.0),),
        needs_salt=True,
    ),
    "temperature": Procedure(
        ("sensor_c", "reference_c"),
        "20.1, 20.0\n20.2, 20.0",
        (Field("reference_u_c", "--reference-u-c", 0.0, 5.0, "0.1"),),
    ),
}


async def readings_of(form: FormData) -> str:
    """What was typed or pasted, or else what the sent file holds."""
    typed = word_of(form, "readings", TEXT_MAX)
    sent = form.get("file")
    if not isinstance(sent, UploadFile) or not sent.size:
        return typed
    if typed:
        raise FormFault("fault.readings_twice")
    try:
        return (await sent.read()).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise FormFault("fault.file_no_text") from None


def options_of(form: FormData, procedure: Procedure) -> list[str]:
    """The figures of the form as the procedure's options; FormFault for one that is missing or outside its bounds."""
    options = []
    for field in procedure.fields:
        value = number_of(form, field.name, field.low, field.high)
        if value is None:
            raise FormFault("fault.needed", field=field.name, low=field.low, high=field.high)
        options.append(f"{field.option}={value!r}")
    if procedure.needs_salt:
        salt = word_of(form, "salt", 20)
        if salt not in SALTS:
            raise FormFault("fault.none_of", field="salt", choices=", ".join(SALTS))
        options.append(f"--salt={salt}")
    return options


def routes(site: Site) -> list[Route]:
    def guide(request: Request) -> Response:
        if (closed := site.closed_to_all_but(request, TECHNICIAN)) is not None:
            return closed
        kind = request.path_params["kind"]
        if kind not in PROCEDURES:
            return site.message(request, site.texts(request)("refused.nothing_here"), NOT_THERE, "/technician")
        defaults = {"light_h": f"{site.run.settings.plan.photoperiod.light_h:g}"}
        return site.page(
            request,
            "readings.jinja",
            kind=kind,
            procedure=PROCEDURES[kind],
            salts=SALTS,
            values={field.name: field.default or defaults.get(field.name, "") for field in PROCEDURES[kind].fields},
        )

    async def judge(request: Request) -> Response:
        kind = request.path_params["kind"]
        async with request.form(max_files=1, max_fields=20) as form:
            if (refused := site.refusal(request, form, TECHNICIAN)) is not None:
                return refused
            procedure = PROCEDURES.get(kind)
            if procedure is None:
                return site.message(request, site.texts(request)("refused.nothing_here"), NOT_THERE, "/technician")
            session = site.session(request)
            assert session is not None
            options = options_of(form, procedure)
            rows = rows_in(await readings_of(form), procedure.columns)
        record_id = await run_in_threadpool(site.bench().work_out, kind, session.initials, rows, options)
        return site.go(f"/technician/records/{record_id}?done=calibrated")

    return [
        Route("/technician/calibrate/{kind}", guide),
        Route("/technician/calibrate/{kind}", judge, methods=["POST"]),
    ]
