"""Every route of the page, whoever calls it and with whatever: an answer, never a fault of the program.

The routes are read from the application itself, so a new one is tried without being named here.
"""

import itertools
import re
import shutil
from datetime import datetime
from string import ascii_letters, digits
from urllib.parse import quote

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from starlette.routing import Mount, Route
from starlette.testclient import TestClient

from controller.bench import records
from controller.bench.session_file import GIVEN
from controller.control import model as m
from controller.settings import example_path, read_settings
from controller.web import app as page_app
from controller.web.app import build_app
from controller.web.bench_forms import FIELDS as PUMP_FIELDS
from controller.web.codes import Gatekeeper
from controller.web.session_process import REFUSED, Standing
from controller.web.sessions import COOKIE
from controller.web.technician_readings import PROCEDURES
from controller.web.workbench import Workbench
from tests.journals import HOUR_MS, at, fill, hydrate, new_journal
from tests.page_server import CODES, make_site
from tests.test_bench_session import opened

BASE = "http://localhost"
OWN = {"origin": BASE, "sec-fetch-site": "same-origin"}
CHAMBER = example_path("skerry-light.chamber.toml")
SESSION = "session-20260101T000000000000Z"
WHO = ("", "pupil", "operator", "technician")
WORDS = [
    "", "1", "-1", "1,5", "1e400", "nan", "yes", "\x00", "\ud800", "../../etc/passwd", "<b>", "'; --", "%s{0}",
    "x" * 2_000, "leak_wet", "drain-and-weigh", "NaCl", "1 0.1\n2 0.2", *CODES.values(),
]  # fmt: skip
FIELDS = re.compile(
    r'name="([a-z0-9_]+)"|(?:_of\(form|form\.get\(|query_params\.get\(|one_of\(|day\()\D*?"([a-z0-9_]+)"'
)
TEXT = st.text(max_size=20) | st.sampled_from(WORDS) | st.integers().map(str) | st.floats().map(str)
PARTS = st.text(alphabet=ascii_letters + digits + "-_.%/ \u00e9\x00", max_size=24) | st.sampled_from(
    [
        "1", "0", "9" * 21, "pump-20260101T000000Z", SESSION, "moisture", "html", "json",
    ]
)  # fmt: skip
HEADERS = st.fixed_dictionaries(
    {},
    optional={
        "accept-language": st.sampled_from(["de", "", ",;q", "x-klingon;q=nan"]),
        "cookie": st.sampled_from(["wardian_session=x", "wardian_language=../x", "a=;=;"]),
        "if-modified-since": st.just("yesterday"),
        "range": st.sampled_from(["bytes=9-1", "bytes=-99999999999", "lines=1-"]),
    },
)


def field_names():
    """Every field that a form of the templates has or that the code reads."""
    folder = page_app.TEMPLATES.parent
    found = set()
    for path in [*folder.glob("*.py"), *folder.glob("templates/*.jinja")]:
        found |= {name for pair in FIELDS.findall(path.read_text()) for name in pair if name}
    found |= {field.name for each in PROCEDURES.values() for field in each.fields} | {name for name, *_ in PUMP_FIELDS}
    return sorted(found | {"mass_1_g", "lang", "done", "check_eyes", "check_dry", "check_mended", "check_hands"})


NAMES = field_names()


@pytest.fixture(scope="module")
def visitors(tmp_path_factory):
    """The page of a small run that tripped, and somebody who can call it."""
    folder = tmp_path_factory.mktemp("fuzzed")
    chamber = folder / "skerry.chamber.toml"
    shutil.copy(CHAMBER, chamber)
    plan = read_settings(example_path("skerry-light.plan.toml"), chamber)
    (folder / "run").mkdir()
    journal = new_journal(folder / "run", plan)
    journal.append(m.BootRecord(at(0), "0.1.0"))
    hydrate(journal)
    fill(journal, 0, 6 * HOUR_MS)
    journal.append(m.StepRecord(at(HOUR_MS), "drain-and-weigh", done=False, signed_by=""))
    journal.append(m.TripRecord(at(5 * HOUR_MS), "leak_wet", m.ON_HOST, 0))
    journal.close()
    site = make_site(folder / "run")
    site.workbench = Workbench(chamber, folder)
    site.workbench.work_out = lambda *_: "pump-20260101T000000Z"  # the commands themselves are tested beside it
    site.workbench.look_at_all_parts = lambda _: None
    site.workbench.session.begin = lambda _, simulated: Standing(REFUSED, words="not here")
    session, _ = opened(site.workbench.folder / SESSION)
    session.get_ready()
    session.note(GIVEN, portion=1, dose_id=1, steps=session.give(1_000).steps_max)
    session.close()
    content = {"at_utc": "2026-01-01T00:00:00+00:00", "by": "LK", "accepted": True, "tubing_lot": "SL-07", "data": {}}
    figures = {"ml_per_step": 0.005, "ml_per_step_standard_uncertainty": 0.00001}
    at_utc = datetime.fromisoformat(content["at_utc"])
    records.keep(
        site.workbench.folder, "pump", at_utc, content | {"result": figures, "refused_because": [], "settings": {}}
    )
    site.gatekeeper = Gatekeeper(site.gatekeeper.codes, itertools.count(0.0, 4_000.0).__next__)  # nobody waits
    app = build_app(site)
    return app, site, TestClient(app, base_url=BASE, headers=OWN, follow_redirects=False)


def paths_of(app):
    """(path with its parameters in braces, methods) of every route."""
    for route in app.routes:
        if isinstance(route, Route):
            yield route.path, sorted(route.methods or ())
        else:
            assert isinstance(route, Mount)
            yield route.path + "/{name}", ["GET", "HEAD"]


def signed_in(site, role):
    """The cookie and the form mark of somebody in this role; both empty for a stranger."""
    if not role:
        return "", ""
    name = site.sessions.begin(role, "MK")
    return f"{COOKIE}={name}", site.sessions.find(name).form_mark


def test_the_routes_and_their_fields_are_all_known(visitors):
    paths = {path for path, _ in paths_of(visitors[0])}

    assert len(paths) > 30
    assert {"/", "/clear", "/logbook/{position:int}", "/technician/pump/{session}", "/downloads/table.csv"} <= paths
    assert {
        "form_mark",
        "code",
        "table",
        "first",
        "readings",
        "volume_ml",
        "picture",
        "calibration",
        "air_c",
        "read",
        "way",
        "portion",
    } <= set(NAMES)


@pytest.mark.parametrize("role", WHO)
def test_every_route_answers_everybody(visitors, role):
    app, site, client = visitors
    for path, methods in paths_of(app):
        for method in {*methods, "POST"}:
            for part in ("1", "moisture", "pump-20260101T000000Z", SESSION) if "{" in path else ("",):
                cookie, mark = signed_in(site, role)
                whole = re.sub(r"\{[a-z_]+(:int)?\}", part, path)
                form = {"form_mark": mark} if method == "POST" else None
                answer = client.request(method, whole, data=form, headers={"cookie": cookie})
                assert answer.status_code < 500, (method, whole)


@settings(max_examples=250, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_no_request_to_any_route_breaks_the_page(visitors, data):
    app, site, client = visitors
    path, methods = data.draw(st.sampled_from(list(paths_of(app))))
    cookie, mark = signed_in(site, data.draw(st.sampled_from(WHO)))
    method = data.draw(st.sampled_from(methods) | st.sampled_from(["GET", "POST", "PUT", "DELETE", "OPTIONS"]))
    whole = re.sub(r"\{[a-z_]+(:int)?\}", lambda _: quote(data.draw(PARTS).encode(), safe="%"), path)
    fields = data.draw(st.dictionaries(st.sampled_from(NAMES), TEXT, max_size=8))
    if data.draw(st.booleans()):
        fields["form_mark"] = mark
    fields = {name: text.encode("utf-8", "surrogatepass") for name, text in fields.items()}
    query = {n: v.decode("utf-8", "replace") for n, v in fields.items()} if data.draw(st.booleans()) else {}
    headers = data.draw(HEADERS)
    headers = {"cookie": cookie, **headers}
    shape = data.draw(st.sampled_from(["form", "multipart", "bytes", "nothing"]))
    files = {
        data.draw(st.sampled_from(["picture", "file", "note"])): (
            "../x.jpg",
            data.draw(st.binary(max_size=90)),
            "image/png",
        )
    }
    if method in ("GET", "HEAD") or shape == "nothing":
        answer = client.request(method, whole, params=query or None, headers=headers)
    elif shape == "bytes":
        kind = data.draw(
            st.sampled_from(
                [
                    "application/x-www-form-urlencoded",
                    "multipart/form-data; boundary=x",
                    "text/x",
                    "multipart/form-data",
                ]
            )
        )
        answer = client.request(
            method,
            whole,
            params=query,
            content=data.draw(st.binary(max_size=200)),
            headers={**headers, "content-type": kind},
        )
    else:
        answer = client.request(
            method, whole, data=fields, files=files if shape == "multipart" else None, headers=headers
        )

    assert answer.status_code < 500, (method, whole, fields)
    assert "Traceback" not in answer.text
