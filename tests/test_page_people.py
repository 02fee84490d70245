"""What people do on the page: steps, trips, the logbook."""

import io

import pytest
from PIL import Image

from controller.control import model as m
from controller.control.words import TRIP_WORDS
from tests.page_server import CODES, make_site
from tests.schools import CHECKS, client_of, mark_of, records, signed_in


def test_a_drain_is_signed_with_two_masses_and_the_account_closes(school):
    client = signed_in(school)
    form = {
        "form_mark": mark_of(client),
        "step": "drain-and-weigh",
        "before_g": "12,5",
        "after_g": "44.0",
        "note": "clear",
    }
    answer = client.post("/steps", data=form)

    signed = [r for r in records(school, m.StepRecord) if r.done]
    assert [(r.step, r.signed_by, r.drained_g) for r in signed] == [("drain-and-weigh", "MK", 31.5)]
    assert signed[0].note == "Weighed 12.5 g before, 44 g after. clear"
    assert "The step is signed." in answer.text
    assert "31.6 ± 0.5 ml" in answer.text  # 31.5 g at 0.9977 g/ml (Tanaka et al. 2001, in records/account.py)
    assert "178.4 ± 1.8 ml" in answer.text  # 210.0 - 31.6; the root of 1.68 and 0.50 squared


@pytest.mark.parametrize(
    ("masses", "words"),
    [
        ({"before_g": "12"}, "Both masses are needed"),
        ({"before_g": "12", "after_g": "11.9"}, "weigh again"),
        ({"before_g": "twelve", "after_g": "13"}, "twelve is not a number"),
        ({"before_g": "nan", "after_g": "13"}, "it must be from 0"),
        ({"before_g": "0", "after_g": "20001"}, "it must be from 0 to 20000"),
    ],
)
def test_masses_that_cannot_be_are_refused_in_one_sentence(school, masses, words):
    client = signed_in(school)
    answer = client.post("/steps", data={"form_mark": mark_of(client), "step": "drain-and-weigh", **masses})

    assert answer.status_code == 400
    assert words in answer.text
    assert records(school, m.Request) == []


def test_a_step_that_is_not_due_is_refused_by_the_controller_in_its_own_words(school):
    client = signed_in(school)
    answer = client.post("/steps", data={"form_mark": mark_of(client), "step": "gloves"})

    assert answer.status_code == 409
    assert "not due yet" in answer.text


def test_a_late_step_says_so(school, tmp_path):
    assert "LATE, due since 2026-03-02 01:00" not in client_of(school).get("/steps").text
    assert "LATE, due since 2026-03-02 01:00" in client_of(make_site(tmp_path, after_s=7_200)).get("/steps").text


def test_a_wish_to_a_stopped_controller_waits_and_the_page_says_so(school):
    client = signed_in(school)
    school.ask_with.__self__.silent = True
    answer = client.post("/steps", data={"form_mark": mark_of(client), "step": "open-positions"})

    assert answer.status_code == 202
    assert "has not answered yet" in answer.text
    assert len(records(school, m.Request)) == 1
    assert "1 wishes wait" in client.get("/now/part").text


@pytest.mark.guards("H12", "host", "90938667")
@pytest.mark.parametrize(
    ("role", "whose"), [("pupil", "operator"), ("operator", "operator"), ("technician", "technician")]
)
def test_the_form_that_clears_a_trip_asks_for_the_code_it_takes(school, role, whose):
    client = signed_in(school, role)
    assert f"The {whose}&#39;s code" in client.get("/").text
    wish = {"trip": "leak_wet", "initials": "MK", **CHECKS}

    for other in CODES.keys() - {whose}:
        assert client.post("/clear", data=wish | {"code": CODES[other]}).status_code == 403
    assert client.post("/clear", data=wish | {"code": CODES[whose]}).status_code == 200
    assert [each.request for each in records(school, m.Request)] == [m.CLEAR_TRIP]


def test_a_trip_is_cleared_with_code_initials_and_every_tick(school):
    client = client_of(school)
    page = client.get("/").text
    assert "Stopped: " + TRIP_WORDS["leak_wet"] in page
    assert "Find where the water comes from" in page
    wish = {"trip": "leak_wet", "initials": "MK", "code": CODES["operator"], "note": "joint tightened"}

    for left_out in CHECKS:
        ticks = {name: value for name, value in CHECKS.items() if name != left_out}
        assert client.post("/clear", data=wish | ticks).status_code == 400
    assert client.post("/clear", data=wish | CHECKS | {"initials": " "}).status_code == 400
    assert client.post("/clear", data=wish | CHECKS | {"code": "lamp-room-stair"}).status_code == 403
    assert records(school, m.Request) == []
    answer = client.post("/clear", data=wish | CHECKS)

    assert "The trip is cleared." in answer.text
    assert "Stopped:" not in answer.text
    cleared = records(school, m.TripCleared)
    assert [(r.trip_reason, r.cleared_by) for r in cleared] == [("leak_wet", "MK")]
    assert "joint tightened" in records(school, m.Request)[0].note


def test_a_seedling_is_logged_with_a_picture_and_its_cover(school):
    client = signed_in(school, "pupil", "AB")
    sent = Image.new("RGB", (400, 300), (120, 100, 80))
    sent.paste((60, 150, 50), (0, 0, 100, 300))  # a quarter is leaf
    out = io.BytesIO()
    sent.save(out, "JPEG", quality=95)
    form = {
        "form_mark": mark_of(client),
        "emerged": "yes",
        "height_mm": "12,5",
        "leaves": "2",
        "growth_stage_bbch": "12",
    }
    answer = client.post("/logbook/3", data=form, files={"picture": ("IMG.jpg", out.getvalue(), "image/jpeg")})

    seen = records(school, m.ObservationRecord)[0]
    assert (seen.position, seen.seen_by, seen.emerged, seen.height_mm, seen.leaves, seen.growth_stage_bbch) == (
        3, "AB", True, 12.5, 2, 12,
    )  # fmt: skip
    assert "It stands in the logbook." in answer.text
    cover = float(answer.text.split(" % of the picture is green leaf")[0].rsplit(">", 1)[1])
    assert cover == pytest.approx(25.0, abs=1.5)  # drawn as a quarter; the edge is blurred by the compression
    assert client.get(f"/pictures/{seen.picture}").headers["content-type"] == "image/jpeg"
    assert seen.picture.removesuffix(".jpg") + ".small.jpg" in client.get("/logbook").text


def test_a_correction_is_a_new_entry_that_names_the_old(school):
    client = signed_in(school, "pupil", "AB")
    client.post("/logbook/2", data={"form_mark": mark_of(client), "height_mm": "120"})
    with school.run.journal() as journal:
        ((row, _),) = journal.numbered(m.ObservationRecord)
    form = client.get(f"/logbook/2?corrects={row}")
    assert 'name="height_mm" inputmode="decimal" value="120"' in form.text
    client.post("/logbook/2", data={"form_mark": mark_of(client), "height_mm": "12", "corrects": str(row)})

    assert [(r.height_mm, r.corrects) for r in records(school, m.ObservationRecord)] == [(120.0, None), (12.0, row)]
    text = client.get("/logbook/2").text
    assert f"replaces entry {row}" in text
    assert "12 mm high" in client.get("/logbook").text
    assert "120 mm" not in client.get("/logbook").text
    again = client.post("/logbook/2", data={"form_mark": mark_of(client), "height_mm": "13", "corrects": str(row)})
    assert again.status_code == 400


@pytest.mark.parametrize(
    ("field", "refused", "taken"),
    [
        ("height_mm", "3000.1", "3000"),
        ("leaves", "501", "500"),
        ("growth_stage_bbch", "100", "99"),
        ("leaves", "1.5", "1"),
    ],
)
def test_what_cannot_be_seen_is_not_written(school, field, refused, taken):
    client = signed_in(school, "pupil")
    mark = mark_of(client)

    assert client.post("/logbook/1", data={"form_mark": mark, field: refused}).status_code == 400
    assert records(school, m.ObservationRecord) == []
    assert client.post("/logbook/1", data={"form_mark": mark, field: taken}).status_code == 200


def test_an_empty_form_and_an_unknown_position_write_nothing(school):
    client = signed_in(school, "pupil")
    mark = mark_of(client)

    assert client.post("/logbook/1", data={"form_mark": mark}).status_code == 400
    assert client.post("/logbook/99", data={"form_mark": mark, "height_mm": "3"}).status_code == 409
    assert client.get("/logbook/99").status_code == 404
    assert records(school, m.ObservationRecord) == []
