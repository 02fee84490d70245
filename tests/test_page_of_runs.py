"""Several runs in one folder: which is shown first, each with its own addresses, and nothing of one acts on another."""

import re
import shutil

import pytest
from starlette.testclient import TestClient

from controller.control import model as m
from controller.errors import JournalError
from controller.web.runs import HELD_MAX, LOOK_EVERY_S
from controller.web.watching import run_folders_of
from tests.page_server import CODES, SeveralRuns, make_run

BASE = "http://localhost"
OWN = {"origin": BASE, "sec-fetch-site": "same-origin"}


class School(SeveralRuns):
    """The folder of runs with somebody at its page."""

    def __init__(self, folder):
        super().__init__(folder)
        self.client = TestClient(self.app, base_url=BASE, headers=OWN)

    def sign_in(self, name):
        data = {"role": "operator", "initials": "MK", "code": CODES["operator"]}
        return self.client.post(f"/runs/{name}/sign-in", data=data)

    def mark(self, name):
        return self.client.get(f"/runs/{name}/steps").text.split('name="form_mark" value="')[1].split('"')[0]

    def steps_signed(self, name):
        with self.runs.site(name).run.journal() as journal:
            return [each.step for each in journal.records(m.StepRecord) if each.done]


@pytest.fixture
def school(tmp_path):
    for name, age_s, phase in (("spring", 0, None), ("summer", 300, m.ENDED), ("early autumn", 200, None)):
        make_run(tmp_path / name, age_s=age_s, phase=phase)
    return School(tmp_path)


def test_the_run_written_last_comes_first_and_a_folder_without_runs_says_so(school, tmp_path):
    assert [path.name for path in run_folders_of(tmp_path)] == ["spring", "early autumn", "summer"]
    assert run_folders_of(tmp_path / "spring") == [tmp_path / "spring"]
    with pytest.raises(JournalError, match="there is no run here"):
        run_folders_of(tmp_path / "spring" / "nothing")


def test_reading_an_old_run_does_not_make_it_the_newest(school, tmp_path):
    (tmp_path / "summer" / "journal.sqlite-shm").write_bytes(b"an index that a reader has touched")
    (tmp_path / "summer" / "journal.sqlite-wal").write_bytes(b"")

    assert run_folders_of(tmp_path)[0].name == "spring"

    (tmp_path / "summer" / "journal.sqlite-wal").write_bytes(b"what a writer has written")
    assert run_folders_of(tmp_path)[0].name == "summer"


def test_the_bare_address_leads_to_the_newest_run_and_keeps_what_was_asked(school):
    answer = school.client.get("/?lang=de", follow_redirects=False)

    assert (answer.status_code, answer.headers["location"]) == (307, "/runs/spring/?lang=de")
    assert "Kresse" in school.client.get("/?lang=de").text or 'lang="de"' in school.client.get("/?lang=de").text


def test_every_link_of_a_run_stays_within_it(school):
    for name, root in (("spring", "/runs/spring"), ("early autumn", "/runs/early%20autumn")):
        for page in ("/", "/course", "/steps", "/logbook", "/logbook/1", "/downloads", "/columns", "/sign-in"):
            answer = school.client.get(root + page)
            assert answer.status_code == 200, (name, page)
            links = [each.split('"')[0] for each in answer.text.split('href="')[1:]]
            links += [each.split('"')[0] for each in answer.text.split('action="')[1:]]
            inner = [each for each in links if each.startswith("/") and not each.startswith("/static/")]
            assert "/runs" in inner, "the way to the other runs"
            assert {each for each in inner if not each.startswith(f"{root}/")} == {"/runs"}, (name, page)
            marked = page in ("/columns", "/sign-in") or 'aria-current="page"' in answer.text
            assert marked, (name, page)


def test_the_list_tells_each_run_and_one_that_cannot_be_read_with_its_cause(school, tmp_path):
    broken = tmp_path / "winter"
    broken.mkdir()
    (broken / "journal.sqlite").write_text("no journal")
    school.now_s = LOOK_EVERY_S
    text = school.client.get("/runs").text

    assert text.count("<li><p") == 4
    for name in ("spring", "early%20autumn", "summer"):
        assert f'href="/runs/{name}/"' in text
    assert "winter/journal.sqlite: this is not a journal that can be read" in text
    assert "The run has ended." in text
    assert text.count("shown first") == 1
    assert school.client.get("/").status_code == 200, "the newest of those that can be read is shown"


def test_a_run_that_begins_while_the_page_is_up_is_shown_at_the_next_look(school, tmp_path):
    assert school.client.get("/").url.path == "/runs/spring/"
    make_run(tmp_path / "winter", age_s=-100)

    school.now_s = LOOK_EVERY_S - 0.1
    assert school.client.get("/").url.path == "/runs/spring/"
    school.now_s = LOOK_EVERY_S
    assert school.client.get("/").url.path == "/runs/winter/"


def test_signing_in_counts_for_all_runs_and_a_form_acts_on_the_run_whose_page_it_stood_on(school):
    assert school.sign_in("spring").url.path == "/runs/spring/steps"
    form = {"step": "open-positions", "form_mark": school.mark("early autumn")}
    answer = school.client.post("/runs/early%20autumn/steps", data=form)

    assert answer.status_code == 200
    assert answer.url.path == "/runs/early autumn/steps"
    assert school.steps_signed("early autumn") == ["open-positions"]
    assert school.steps_signed("spring") == []


def test_where_a_new_experiment_took_the_name_no_old_form_acts_on_it(school, tmp_path):
    school.sign_in("spring")
    form = {"step": "open-positions", "form_mark": school.mark("spring")}
    shutil.move(tmp_path / "spring", tmp_path / "spring before")
    make_run(tmp_path / "spring", age_s=-100, run_id="another")

    answer = school.client.post("/runs/spring/steps", data=form)

    assert answer.status_code == 401
    assert school.steps_signed("spring") == []


def test_a_run_that_has_ended_and_is_silent_takes_no_wishes_and_writes_nothing_down(school):
    school.sign_in("spring")
    school.after_s = 3_600.0
    form = {"step": "open-positions", "form_mark": school.mark("summer")}
    answer = school.client.post("/runs/summer/steps", data=form)

    assert answer.status_code == 409
    assert "nothing was written down" in answer.text
    with school.runs.site("summer").run.journal() as journal:
        assert list(journal.records(m.Request)) == []


@pytest.mark.parametrize("name", ["nothing", "..", "%2e%2e", "spring%2f..%2fsummer", ".", "codes.json"])
def test_a_name_that_is_no_run_of_the_folder_leads_nowhere(school, name):
    answer = school.client.get(f"/runs/{name}/", follow_redirects=False)

    assert answer.status_code in (404, 307)
    assert answer.headers.get("location", "/runs").startswith(("/runs", f"{BASE}/runs"))


def test_only_a_few_runs_are_kept_ready(school, tmp_path):
    for number in range(HELD_MAX):
        make_run(tmp_path / f"more-{number}", age_s=500 + number)
    school.now_s = LOOK_EVERY_S
    for number in range(HELD_MAX):
        assert school.client.get(f"/runs/more-{number}/").status_code == 200
    school.made.clear()
    school.client.get("/runs/more-0/")
    assert school.made == []
    school.client.get("/runs/spring/")
    assert school.made == ["spring"]


def test_where_reading_needs_a_code_the_list_of_runs_needs_it_too(school):
    school.runs.newest().reading_needs_code = True

    answer = school.client.get("/runs", follow_redirects=False)

    assert answer.headers["location"] == "/runs/spring/sign-in"


def test_the_list_speaks_german_and_so_does_a_page_that_finds_no_run_any_more(school, tmp_path):
    (tmp_path / "winter").mkdir()
    (tmp_path / "winter" / "journal.sqlite").write_text("no journal")
    school.now_s = LOOK_EVERY_S
    german = {"accept-language": "de"}
    text = school.client.get("/runs", headers=german).text
    assert "Alle Versuche" in text
    assert "winter/journal.sqlite: das ist kein lesbares Journal" in text
    assert re.findall(r"<span lang=.en.>([^<]*)", text) == ["file is not a database"]  # what SQLite says itself

    for name in ("spring", "summer", "early autumn", "winter"):
        shutil.rmtree(tmp_path / name)
    school.now_s = 2 * LOOK_EVERY_S
    answer = school.client.get("/", headers=german)
    assert answer.status_code == 409
    assert answer.headers["content-language"] == "de"
    assert "hier gibt es keinen Versuch" in answer.text
