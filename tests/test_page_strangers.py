"""Strangers at the page: no code, wrong codes, forged forms, tricks with paths and pictures."""

import io

import pytest
from PIL import Image
from starlette.testclient import TestClient

from controller.control import model as m
from controller.web.app import build_app
from controller.web.codes import FREE_TRIES, Gatekeeper
from controller.web.doors import PICTURE_FORM_BYTES_MAX
from tests.page_server import CODES
from tests.schools import (
    BASE,
    CHECKS,
    client_of,
    mark_of,
    picture_bytes,
    records,
    signed_in,
)


@pytest.mark.guards("H12", "host", "90938667")
@pytest.mark.parametrize("path", ["/steps", "/logbook/1"])
def test_a_stranger_without_a_code_writes_nothing(school, path):
    answer = client_of(school).post(path, data={"step": "open-positions", "height_mm": "3", "form_mark": "x" * 43})

    assert answer.status_code == 401
    assert records(school, m.Request) == []


@pytest.mark.parametrize(("path", "role"), [("/steps", "pupil")])
def test_a_role_does_no_more_than_it_may(school, path, role):
    client = signed_in(school, role)
    answer = client.post(path, data={"form_mark": mark_of(client), "step": "open-positions"})

    assert answer.status_code == 403
    assert records(school, m.Request) == []


@pytest.mark.guards("H12", "host", "90938667")
def test_a_thousand_wrong_codes_are_refused_and_the_right_one_must_wait(school):
    seconds = [0.0]
    school.gatekeeper = Gatekeeper(school.gatekeeper.codes, lambda: seconds[0])
    client = client_of(school)
    checked = []
    fits = school.gatekeeper.codes.fits
    school.gatekeeper.codes.fits = lambda role, code: bool(checked.append(code)) or fits(role, code)
    answers = set()
    for number in range(1_000):
        form = {"trip": "leak_wet", "initials": "X", "code": f"guess-{number:04d}", **CHECKS}
        answers.add(client.post("/clear", data=form).status_code)
    assert answers == {403, 429}
    assert len(checked) == FREE_TRIES
    right = {"role": "operator", "initials": "MK", "code": CODES["operator"]}
    assert client.post("/sign-in", data=right).status_code == 429
    seconds[0] = 29.9
    assert client.post("/sign-in", data=right).status_code == 429
    seconds[0] = 30.1
    assert client.post("/sign-in", data=right).status_code == 200
    assert records(school, m.Request) == []


@pytest.mark.guards("H12", "host", "90938667")
@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://elsewhere.example"},
        {"origin": "null"},
        {"origin": "http://localhost:8000"},
        {"origin": BASE, "sec-fetch-site": "cross-site"},
        {"origin": BASE, "sec-fetch-site": "same-site"},
    ],
)
def test_a_form_from_another_site_is_refused(school, headers):
    client = signed_in(school)
    form = {"form_mark": mark_of(client), "step": "open-positions"}

    assert client.post("/steps", data=form, headers=headers).status_code == 403
    assert client.post("/sign-in", data={}, headers=headers).status_code == 403
    assert records(school, m.Request) == []


def test_a_form_without_an_origin_is_refused(school):
    client = TestClient(build_app(school), base_url=BASE)

    assert client.post("/sign-in", data={"role": "operator"}).status_code == 403


@pytest.mark.guards("H12", "host", "90938667")
@pytest.mark.parametrize("mark", ["", "forged", "x" * 43, "\u00e9" * 40])
def test_a_forged_form_mark_is_refused(school, mark):
    client = signed_in(school)

    assert client.post("/steps", data={"form_mark": mark, "step": "open-positions"}).status_code == 403
    assert records(school, m.Request) == []


@pytest.mark.parametrize("host", ["elsewhere.example", "localhost.elsewhere.example", "", "[", "a b"])
def test_a_name_that_is_not_this_computers_is_refused(reader, host):
    assert reader.get("/", headers={"host": host}).status_code == 421


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1:8321", "192.168.4.1:8321", "[::1]:8321"])
def test_this_computers_own_names_and_addresses_are_answered(reader, host):
    assert reader.get("/", headers={"host": host}).status_code == 200


@pytest.mark.parametrize(
    "path",
    [
        "/pictures/..%2Fjournal.sqlite", "/pictures/%2e%2e%2fjournal.sqlite", "/pictures/....//journal.sqlite",
        "/static/../app.py", "/static/..%2fapp.py", "/static/%2e%2e/texts/en.toml", "/pictures/journal.sqlite",
        "/pictures/position-01-20260302T000000Z-00000000.jpg", "/static//etc/passwd", "/codes.json", "/journal.sqlite",
    ],
)  # fmt: skip
def test_no_path_leads_out_of_its_folder(reader, path):
    answer = reader.get(path)

    assert answer.status_code == 404
    assert b"SQLite" not in answer.content


@pytest.mark.parametrize(
    "sent",
    [
        b"", b"not a picture", b"\x89PNG\r\n\x1a\n" + b"\x00" * 40, picture_bytes()[:60], b"GIF89a" + b"\x01" * 60,
        b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>",
    ],
)  # fmt: skip
def test_what_is_no_picture_is_refused(school, sent):
    client = signed_in(school, "pupil")
    files = {"picture": ("p.png", sent, "image/png")}
    answer = client.post("/logbook/1", data={"form_mark": mark_of(client)}, files=files)

    assert answer.status_code == 400
    assert records(school, m.Request) == []
    assert not school.run.pictures.exists() or list(school.run.pictures.iterdir()) == []


def test_a_picture_of_too_many_pixels_is_refused_before_it_is_decoded(school):
    client = signed_in(school, "pupil")
    out = io.BytesIO()
    Image.new("1", (10_000, 7_000)).save(out, "PNG")  # 70 million pixels in a few kilobytes
    assert len(out.getvalue()) < 100_000
    files = {"picture": ("p.png", out.getvalue(), "image/png")}

    answer = client.post("/logbook/1", data={"form_mark": mark_of(client)}, files=files)
    assert answer.status_code == 400
    assert "pixels" in answer.text


def test_a_picture_of_too_many_bytes_is_refused_even_when_its_length_is_not_told(school):
    client = signed_in(school, "pupil")
    mark = mark_of(client)
    files = {"picture": ("p.png", b"x" * PICTURE_FORM_BYTES_MAX, "image/png")}
    assert client.post("/logbook/1", data={"form_mark": mark}, files=files).status_code == 413

    def pieces():
        yield b'--b\r\ncontent-disposition: form-data; name="picture"; filename="p.png"\r\n\r\n'
        for _ in range(13):
            yield b"x" * 1024 * 1024
        yield b"\r\n--b--\r\n"

    endless = client.post("/logbook/1", content=pieces(), headers={"content-type": "multipart/form-data; boundary=b"})
    assert endless.status_code == 413
    assert records(school, m.Request) == []


def test_a_kept_picture_holds_nothing_of_the_sent_file_but_its_pixels(school):
    client = signed_in(school, "pupil")
    image = Image.new("RGB", (3_000, 2_000), (60, 140, 50))
    exif = Image.Exif()
    exif[0x010E] = "a secret place"
    exif[0x0112] = 6  # turned by a quarter (Exif 2.32, tag Orientation)
    out = io.BytesIO()
    image.save(out, "JPEG", exif=exif)
    client.post(
        "/logbook/1",
        data={"form_mark": mark_of(client)},
        files={"picture": ("../../x.jpg", out.getvalue(), "image/jpeg")},
    )
    (kept,) = [path for path in school.run.pictures.iterdir() if not path.name.endswith(".small.jpg")]

    assert b"secret" not in kept.read_bytes()
    with Image.open(kept) as picture:
        assert picture.size == (1_067, 1_600)
        assert not picture.getexif()


def test_a_script_in_a_note_is_only_text(school):
    client = signed_in(school, "pupil", "<b>")
    note = "<script>alert(1)</script>"
    client.post("/logbook/1", data={"form_mark": mark_of(client), "note": note})
    text = client.get("/logbook/1").text

    assert "<script>alert" not in text
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in text
    assert records(school, m.ObservationRecord)[0].note == note


@pytest.mark.guards("H12", "host", "90938667")
def test_no_wish_of_the_page_moves_the_pump(school):
    stand_in = school.ask_with.__self__
    client = signed_in(school, "technician")
    mark = mark_of(client)
    client.post("/steps", data={"form_mark": mark, "step": "drain-and-weigh", "before_g": "1", "after_g": "2"})
    client.post("/logbook/1", data={"form_mark": mark, "height_mm": "2"})
    clear = {"trip": "leak_wet", "initials": "MK", "code": CODES["technician"], **CHECKS}
    client.post("/clear", data=clear)
    for request in ("dose", "water", "give", "pump", "run"):
        for path in ("/", "/steps", "/clear", f"/{request}"):
            client.post(path, data={**clear, "form_mark": mark, "request": request, "volume_ml": "50"})

    assert {r.request for r in records(school, m.Request)} <= {m.SIGN_STEP, m.OBSERVE, m.CLEAR_TRIP}
    assert stand_in.sent == []
    assert len(records(school, m.DoseIntended)) == 1
