"""A school and its page, called directly: the run, the browsers of its people, what the journal then holds."""

import io

from PIL import Image
from starlette.testclient import TestClient

from controller.control import model as m
from controller.rehearse import rehearse
from controller.settings import example_path, read_settings
from controller.web.app import build_app
from tests.journals import HOUR_MS, at, fill, hydrate, new_journal, reading
from tests.page_server import CODES, make_site

BASE = "http://localhost"
OWN = {"origin": BASE, "sec-fetch-site": "same-origin"}
CHECKS = {f"check_{name}": "yes" for name in ("eyes", "dry", "mended", "hands")}


def rehearse_days(folder):
    """Three days of the example, for tests that only read."""
    plan = read_settings(example_path("skerry-light.plan.toml"), example_path("skerry-light.chamber.toml"))
    rehearse(plan, folder, days=3.3)
    return folder


def make_school(folder):
    """A small run in which a leak stopped the water and two steps are due, and its site."""
    plan = read_settings(example_path("skerry-light.plan.toml"), example_path("skerry-light.chamber.toml"))
    journal = new_journal(folder, plan)
    journal.append(m.BootRecord(at(0), "0.1.0"))
    hydrate(journal)
    fill(journal, 0, 6 * HOUR_MS)
    journal.append(m.StepRecord(at(HOUR_MS), "drain-and-weigh", done=False, signed_by=""))
    journal.append(m.StepRecord(at(2 * HOUR_MS), "open-positions", done=False, signed_by=""))
    journal.append(m.DoseIntended(at(HOUR_MS), 1, m.FIRST_WETTING, 210.0, 42_000, 83, 0.005, 0.00004, 0))
    journal.append(m.DoseClosed(at(HOUR_MS + 9), 1, 42_000, 42_000, "complete", 210.0, 1.68, 210.0, HOUR_MS))
    journal.append(m.TripRecord(at(5 * HOUR_MS), "leak_wet", m.ON_HOST, 0))
    journal.append(reading(at(6 * HOUR_MS)))
    journal.close()
    return make_site(folder)


def client_of(site, **more):
    return TestClient(build_app(site), base_url=BASE, headers=OWN, **more)


def signed_in(site, role="operator", initials="MK"):
    client = client_of(site)
    answer = client.post("/sign-in", data={"role": role, "initials": initials, "code": CODES[role]})
    assert answer.status_code == 200
    return client


def mark_of(client, path="/steps"):
    return client.get(path).text.split('name="form_mark" value="')[1].split('"')[0]


def records(site, kind):
    with site.run.journal() as journal:
        return list(journal.records(kind))


def picture_bytes(width=64, height=48, colour=(60, 140, 50), form="PNG"):
    out = io.BytesIO()
    Image.new("RGB", (width, height), colour).save(out, form)
    return out.getvalue()
