"""The page in a real browser: headless Chromium, driven by Playwright, audited with axe-core."""

import csv
import io
import shutil
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta

import openpyxl
import pytest
from click.testing import CliRunner
from PIL import Image

from controller.bench import records as records_of_bench
from controller.check import Finding
from controller.check_record import CheckRecord
from controller.cli import main
from controller.control import model as m
from controller.records.journal import Journal
from controller.rehearse import rehearse
from controller.settings import example_path, read_settings
from controller.web.technician_readings import PROCEDURES
from tests.benches import workbench_here
from tests.journals import HOUR_MS, at, fill, hydrate, new_journal
from tests.page_server import CODES, SeveralRuns, make_run, make_site, served

axe_playwright_python = pytest.importorskip("axe_playwright_python.sync_playwright")
playwright = pytest.importorskip("playwright.sync_api")

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-component-update",
    "--disable-background-networking", "--disable-sync",
]  # fmt: skip
PHONE, DESK = {"width": 360, "height": 740}, {"width": 1280, "height": 900}
PAGES = [
    "/",
    "/course",
    "/steps",
    "/logbook",
    "/logbook/1",
    "/downloads?table=climate",
    "/columns",
    "/sign-in",
    "/nowhere",
]

pytestmark = [
    pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here: apt-get install chromium"),
    # the driver leaves its own event loop's sockets to the collector
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
]


@pytest.fixture(scope="module")
def browser():
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def plan():
    return read_settings(example_path("skerry-light.plan.toml"), example_path("skerry-light.chamber.toml"))


@pytest.fixture(scope="module")
def rehearsed(tmp_path_factory, plan):
    folder = tmp_path_factory.mktemp("rehearsed")
    rehearse(plan, folder, days=2.2)
    return folder


@pytest.fixture
def school(tmp_path, plan):
    """A school day that begins badly: a leak in the night, the drain still to be weighed."""
    journal = new_journal(tmp_path, plan)
    journal.append(m.BootRecord(at(0), "0.1.0"))
    hydrate(journal)
    fill(journal, 0, 8 * HOUR_MS)
    journal.append(m.StepRecord(at(HOUR_MS), "drain-and-weigh", done=False, signed_by=""))
    journal.append(m.DoseIntended(at(HOUR_MS), 1, m.FIRST_WETTING, 210.0, 42_000, 83, 0.005, 0.00004, 0))
    journal.append(m.DoseClosed(at(HOUR_MS + 9), 1, 42_000, 42_000, "complete", 210.0, 1.68, 210.0, HOUR_MS))
    journal.append(m.TripRecord(at(7 * HOUR_MS), "leak_wet", m.ON_HOST, 0))
    journal.close()
    return make_site(tmp_path)


@contextmanager
def tab(browser, site, viewport=DESK, **more):
    """A tab at a site or an application; a script's error fails the test, and so does any request that leaves."""
    with served(site) as base:
        context = browser.new_context(viewport=viewport, base_url=base, **more)
        page = context.new_page()
        faults: list[str] = []
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.on("request", lambda request: None if request.url.startswith(base) else faults.append(request.url))
        page.on("console", lambda said: faults.append(said.text) if "Content Security Policy" in said.text else None)
        try:
            yield page
            assert faults == []
        finally:
            context.close()


def sign_in(page, role="operator"):
    page.goto("/sign-in")
    page.select_option("[name=role]", role)
    page.fill("[name=initials]", "MK")
    page.fill("[name=code]", CODES[role])
    page.click("main button")
    page.wait_for_url("**/steps?done=sign_in")


def records(site, kind):
    with site.run.journal() as journal:
        return list(journal.records(kind))


def test_a_school_day_as_a_story(browser, school, tmp_path):
    seedling = tmp_path / "seedling.png"
    picture = Image.new("RGB", (800, 600), (120, 100, 80))
    picture.paste((60, 150, 50), (300, 200, 500, 400))
    picture.save(seedling)
    with tab(browser, school, PHONE, accept_downloads=True) as page:
        page.goto("/")
        assert "leak probe is wet" in page.inner_text(".trip h2")
        assert page.locator(".trip").bounding_box()["y"] < 400  # in sight without scrolling

        page.fill(".trip [name=initials]", "MK")
        page.fill(".trip [name=code]", CODES["operator"])
        page.click(".trip button")  # the browser itself asks for the ticks
        assert page.url.endswith("/")
        for box in page.locator(".trip input[type=checkbox]").all():
            box.check()
        page.click(".trip button")
        page.wait_for_url("**/?done=clear")
        assert page.locator(".trip").count() == 0
        assert "One thing needs you." in page.inner_text(".sentence")

        sign_in(page)
        page.fill("#drain-and-weigh [name=before_g]", "12,5")
        page.fill("#drain-and-weigh [name=after_g]", "44")
        page.click("#drain-and-weigh button")
        page.wait_for_url("**/steps?done=sign")
        assert "31.6 ± 0.5 ml" in page.inner_text(".account")

        page.goto("/logbook")
        page.click(".grid a[href='/logbook/6']")
        page.select_option("[name=emerged]", "yes")
        page.fill("[name=height_mm]", "7")
        page.fill("[name=growth_stage_bbch]", "10")
        page.set_input_files("[name=picture]", str(seedling))
        page.click("main form button")
        page.wait_for_url("**/logbook/6?done=observe")
        assert "emerged, BBCH 10, 7 mm high" in page.inner_text(".entries")
        page.locator(".entries img").first.scroll_into_view_if_needed()
        page.wait_for_load_state("networkidle")
        assert page.evaluate("document.querySelector('.entries img').naturalWidth") == 320

        page.goto("/downloads")
        page.select_option("[name=step]", "1h")
        page.click("main form button")
        with page.expect_download() as waiting:
            page.click("text=Download as CSV")
        text = waiting.value.path().read_text(encoding="utf-8-sig")
        with page.expect_download() as waiting:
            page.click("text=Download as workbook")
        book = openpyxl.load_workbook(io.BytesIO(waiting.value.path().read_bytes()))
        assert waiting.value.suggested_filename.startswith("skerry-light_climate_2026-03-02_")

    rows = list(csv.reader(io.StringIO(text)))
    taken = [r.air_temperature_c for r in records(school, m.ReadingRecord)]
    assert sum(int(row[15]) for row in rows[1:]) == len(taken) == 48
    assert {float(row[3]) for row in rows[1:]} == set(taken) == {20.0}
    assert [cell.value for cell in book["climate"][1]] == rows[0]
    assert [row[3].value for row in book["climate"].iter_rows(min_row=2)] == [20.0] * 8
    assert [(r.trip_reason, r.cleared_by) for r in records(school, m.TripCleared)] == [("leak_wet", "MK")]
    assert [(r.step, r.drained_g) for r in records(school, m.StepRecord) if r.done] == [("drain-and-weigh", 31.5)]
    (seen,) = records(school, m.ObservationRecord)
    assert (seen.position, seen.emerged, seen.height_mm, seen.growth_stage_bbch) == (6, True, 7.0, 10)


def test_the_first_page_renews_itself_and_says_when_the_controller_stops(browser, school):
    with tab(browser, school) as page:
        page.clock.install()
        page.goto("/")
        journal = Journal.open(school.run.folder / "journal.sqlite")
        last = journal.last_reading()
        changed = last._replace(at=last.at._replace(utc_ms=last.at.utc_ms + 1_000), air_temperature_c=23.4)
        journal.append(changed)
        journal.close()
        school.run.look(fresh=True)
        page.clock.run_for(5_500)
        page.wait_for_selector("text=23.4")

        stopped_ms = school.run.clock_ms() + 600_000
        school.run.clock_ms = lambda: stopped_ms
        school.run.look(fresh=True)
        page.clock.run_for(5_500)
        page.wait_for_selector("text=The controller is silent")
        assert page.is_visible("text=OLD VALUES")


def test_a_browser_that_loses_the_computer_says_so(browser, school):
    with tab(browser, school) as page:
        page.clock.install()
        page.goto("/")
        assert not page.is_visible("#lost")
        page.route("**/now/part", lambda route: route.abort())
        for _ in range(2):
            with page.expect_request("**/now/part"):
                page.clock.run_for(5_100)
        page.wait_for_selector("#lost", state="visible")


def test_a_trip_that_comes_while_somebody_watches_fills_the_top(browser, school):
    journal = Journal.open(school.run.folder / "journal.sqlite")
    with tab(browser, school) as page:
        page.clock.install()
        page.goto("/")
        journal.append(m.TripRecord(at(8 * HOUR_MS), "air_too_hot", m.ON_HOST, 0))
        journal.close()
        school.run.look(fresh=True)
        page.clock.run_for(5_500)
        page.wait_for_selector("text=The air is too hot")
        assert page.locator(".trip").count() == 2


def test_the_plots_zoom_and_tell_values_with_units(browser, rehearsed):
    with tab(browser, make_site(rehearsed)) as page:
        page.goto("/course")
        page.wait_for_selector("#course[data-drawn]")
        whole = page.get_attribute("#course", "data-drawn")
        box = page.locator("#plot-air_temperature_c").bounding_box()
        page.mouse.move(box["x"] + 500, box["y"] + 80)
        page.wait_for_selector("#readout:has-text('°C')")
        told = page.inner_text("#readout")
        assert "Air temperature" in told
        assert "Relative humidity" in told
        page.mouse.down()
        page.mouse.move(box["x"] + 700, box["y"] + 80, steps=5)
        page.mouse.up()
        page.wait_for_selector(f"#course:not([data-drawn='{whole}'])")
        page.click("text=Whole run")
        page.wait_for_selector(f"#course[data-drawn='{whole}']")
        page.click("text=Last day")
        page.wait_for_selector(f"#course:not([data-drawn='{whole}'])")


def test_with_scripts_off_everything_can_be_read_and_downloaded(browser, rehearsed):
    with tab(browser, make_site(rehearsed), java_script_enabled=False, accept_downloads=True) as page:
        page.goto("/")
        assert "Nothing needs you." in page.inner_text(".sentence")
        page.goto("/course")
        assert page.locator(".days tbody tr").count() == 3
        assert not page.is_visible("#course")
        page.goto("/downloads")
        page.click("main form button")
        assert page.is_visible("text=at_utc,at_local")
        with page.expect_download() as waiting:
            page.click("text=Download as CSV")
        assert len(waiting.value.path().read_text().splitlines()) > 300


def test_the_keyboard_reaches_the_content_and_every_page(browser, rehearsed):
    with tab(browser, make_site(rehearsed)) as page:
        page.goto("/")
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.className") == "skip"
        page.keyboard.press("Enter")
        assert page.evaluate("document.activeElement.id") == "content"
        page.goto("/")
        reached = set()
        for _ in range(6):
            page.keyboard.press("Tab")
            reached.add(page.evaluate("document.activeElement.getAttribute('href')"))
        assert reached >= {"/", "/course", "/steps", "/logbook", "/downloads"}


@pytest.mark.parametrize(("width", "scheme"), [(360, "light"), (1280, "light"), (1280, "dark")])
def test_no_page_has_an_accessibility_fault_or_runs_out_of_the_screen(browser, school, width, scheme):
    axe = axe_playwright_python.Axe()
    with tab(browser, school, {"width": width, "height": 800}, color_scheme=scheme, reduced_motion="reduce") as page:
        sign_in(page)
        for path in PAGES:
            page.goto(path)
            if path == "/course":
                page.wait_for_selector("#course[data-drawn]")
            assert page.evaluate("document.documentElement.scrollWidth") <= width, path
            found = axe.run(page, options={"resultTypes": ["violations"]})
            told = [(v["id"], [node["html"][:120] for node in v["nodes"]]) for v in found.response["violations"]]
            assert told == [], path


@pytest.fixture(scope="module")
def measured(tmp_path_factory, plan):
    """A chamber whose simulated pump was calibrated in the terminal, checked often, and a run of it."""
    folder = tmp_path_factory.mktemp("measured")
    chamber = folder / "skerry.chamber.toml"
    shutil.copy(example_path("skerry-light.chamber.toml"), chamber)
    words = ["calibrate", "pump", "--chamber", str(chamber), "--by", "LK", "--simulated", "--times", "3"]
    done = CliRunner().invoke(main, [*words, "--water-c", "20", "--pressure-kpa", "101.3"], input="\n" * 40)
    assert done.exit_code == 0, done.output
    for number, factor in enumerate([0.00500, 0.00501, 0.00499, 0.005, 0.00501, 0.00530]):
        at_utc = datetime.now(UTC) + timedelta(days=number)
        result = {"ml_per_step": factor, "ml_per_step_standard_uncertainty": 0.00002}
        content = {"at_utc": at_utc.isoformat(), "by": "LK", "accepted": True, "simulated": True, "result": result}
        records_of_bench.keep(
            folder / "skerry.calibrations", "check", at_utc, content | {"tubing_lot": "SL-07", "data": {}}
        )
    CheckRecord(chamber).add([Finding("board", False, "No board answers."), Finding("disk", True, "Well.")], at_utc)
    rehearse(plan, folder / "run", days=0.1)
    site = make_site(folder / "run")
    site.workbench = workbench_here(chamber, folder)
    yield site
    site.workbench.session.close()


def test_a_technician_calibrates_a_probe_and_the_pump_and_reads_the_certificate(browser, measured):
    with tab(browser, measured, PHONE, accept_downloads=True) as page:
        sign_in(page, "technician")
        page.click("nav >> text=Technician")
        page.click("main a:text-is('Moisture probe')")
        page.fill("[name=readings]", "2950;0,05\n2500;0,13\n2100;0,21\n1700;0,30")
        page.click("main form button")
        page.wait_for_url("**?done=calibrated")
        assert "within its limits" in page.inner_text("main")
        page.click("main >> text=Let the chamber take it")
        page.wait_for_url("**?done=use")
        assert "in use" in page.inner_text("main")
        with page.expect_download() as waiting:
            page.click("text=Download the certificate")
        assert "Calibration of the moisture probe" in waiting.value.path().read_text()

        page.goto("/technician/pump")
        page.click("main ul.plain a")
        for number, field in enumerate(page.locator(".masses input").all()):
            field.fill("4,99" if number in (0, 3, 4) else "19,96")
        page.fill("[name=water_c]", "20")
        page.fill("[name=pressure_kpa]", "101,3")
        page.click("button:text-is('Work it out')")
        page.wait_for_url("**?done=calibrated")
        page.click("text=Open the certificate")
        page.wait_for_selector("h1")
        assert page.inner_text("h1") == "Calibration of the water pump"
        assert page.evaluate("getComputedStyle(document.body).maxWidth") != "none"  # its own style was let in


def test_a_technician_opens_the_bench_checks_the_pump_and_all_parts_and_closes_it_without_a_terminal(browser, measured):
    with tab(browser, measured, PHONE, java_script_enabled=False) as page:
        sign_in(page, "technician")
        page.click("nav >> text=Technician")
        page.click("main a:text-is('Pump, by weighing')")
        page.click("button:text-is('Begin a session')")
        page.wait_for_url("**?done=begun")
        for volume_ml in ("5", "20"):
            page.fill("[name=volume_ml]", volume_ml)
            page.click("text=Give this portion")
            page.wait_for_url("**?done=portion")
        page.fill("[name=water_c]", "20")
        page.fill("[name=mass_2_g]", "19,9")
        page.click(".mass button >> nth=0")
        page.wait_for_url("**?done=read")
        assert float(page.input_value("[name=mass_1_g]")) == pytest.approx(5.0, abs=0.3)
        assert (page.input_value("[name=mass_2_g]"), page.input_value("[name=water_c]")) == ("19,9", "20")
        page.fill("[name=pressure_kpa]", "101,3")
        page.press("[name=pressure_kpa]", "Enter")  # keeps what is typed, and gives no water
        page.wait_for_url("**?done=kept")
        assert page.locator(".mass").count() == 2
        page.click("text=Work it out")
        assert "there are 2 portions, but a calibration needs 6 or more" in page.inner_text(".lost")

        page.click("text=Use the last portion for a quick check")
        assert page.locator(".mass").count() == 1
        page.click(".mass button")
        page.wait_for_url("**/one-portion?done=read")
        page.click("button:text-is('Work it out')")
        page.wait_for_url("**/chart?record=check-*&done=checked")
        assert "from the factor in use" in page.inner_text("main")

        page.goto("/technician/one-portion")
        page.click("text=Go to the open session")
        page.click("button:text-is('End the session')")
        page.wait_for_url("**?done=ended")
        assert "This session has ended." in page.inner_text("main")
        assert page.locator("text=Give this portion").count() == 0
        page.goto("/technician/checks")
        page.click("text=Check all parts now")
        page.wait_for_url("**?done=check")
        assert page.locator(".findings li").count() >= 4
        assert ", MK" in page.inner_text(".age")


@pytest.mark.parametrize(("width", "scheme"), [(360, "light"), (1280, "dark"), (1920, "light")])
def test_no_page_of_the_technician_has_an_accessibility_fault_or_is_too_wide(browser, measured, width, scheme):
    axe = axe_playwright_python.Axe()
    pump = records_of_bench.read_all(measured.workbench.folder, "pump")[0]["id"]
    check = records_of_bench.read_all(measured.workbench.folder, "check")[0]["id"]
    ended = next(measured.workbench.folder.glob("session-*")).name
    session = measured.workbench.session.begin("MK", simulated=True).name
    measured.workbench.session.ask(session, None, request=m.GIVE_PORTION, asked_by="MK", subject="1000")
    pages = [
        "/technician", "/technician/chart", "/technician/checks", "/technician/pump", f"/technician/pump/{session}",
        "/technician/one-portion", f"/technician/pump/{session}/one-portion", f"/technician/pump/{ended}",
        f"/technician/records/{pump}", f"/technician/records/{check}", "/technician/records/none",
        *(f"/technician/calibrate/{kind}" for kind in PROCEDURES),
    ]  # fmt: skip
    with tab(browser, measured, {"width": width, "height": 800}, color_scheme=scheme, reduced_motion="reduce") as page:
        sign_in(page, "technician")
        for path in pages:
            page.goto(path)
            assert page.evaluate("document.documentElement.scrollWidth") <= width, path
            found = axe.run(page, options={"resultTypes": ["violations"]})
            told = [(v["id"], [node["html"][:120] for node in v["nodes"]]) for v in found.response["violations"]]
            assert told == [], path


@pytest.mark.parametrize(("width", "scheme"), [(360, "light"), (1280, "dark")])
def test_the_list_of_runs_is_accessible_and_leads_to_each(browser, tmp_path, width, scheme):
    for name, age_s in (("spring", 0), ("a long name that somebody gave to the run of last summer", 300)):
        make_run(tmp_path / name, age_s=age_s)
    school = SeveralRuns(tmp_path)
    with tab(browser, school.app, {"width": width, "height": 800}, color_scheme=scheme) as page:
        page.goto("/")
        assert page.url.endswith("/runs/spring/")
        page.click("text=All runs")
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert axe_playwright_python.Axe().run(page, options={"resultTypes": ["violations"]}).violations_count == 0
        page.click("text=of last summer")
        page.click("nav >> text=Course")
        page.wait_for_selector("#course[data-drawn]")
        assert "of%20last%20summer/course" in page.url


def test_the_printed_page_leaves_out_what_paper_cannot_do(browser, rehearsed):
    with tab(browser, make_site(rehearsed)) as page:
        page.goto("/")
        page.emulate_media(media="print")
        assert page.is_visible(".sentence")
        assert not page.is_visible("nav")
        assert page.pdf(format="A4").startswith(b"%PDF")


def test_on_paper_the_plots_fit_and_the_steps_are_unfolded(browser, rehearsed):
    plot_px = "document.querySelector('#course canvas').getBoundingClientRect().width"
    with tab(browser, make_site(rehearsed)) as page:
        page.goto("/course")
        page.wait_for_selector("#course[data-drawn]")
        on_screen_px = page.evaluate(plot_px)
        assert on_screen_px > 690
        page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
        assert page.evaluate(plot_px) <= 690  # 210 mm less two margins of 10 mm are 718 px (CSS: 96 px an inch)
        page.evaluate("window.dispatchEvent(new Event('afterprint'))")
        assert page.evaluate(plot_px) == on_screen_px
        page.goto("/steps")
        hidden = page.locator("details li").first
        assert not hidden.is_visible()
        page.emulate_media(media="print")
        assert hidden.bounding_box()["height"] > 0


def test_a_certificate_is_readable_on_a_phone(browser, measured):
    """As a file: served it stands in a sandbox, where no script runs, the audit's neither."""
    path = min(measured.workbench.folder.glob("pump-*.html"))
    context = browser.new_context(viewport={"width": 360, "height": 740})
    page = context.new_page()
    try:
        page.goto(path.as_uri())
        assert page.evaluate("document.documentElement.scrollWidth") <= 360
        found = axe_playwright_python.Axe().run(page, options={"resultTypes": ["violations"]})
        assert [each["id"] for each in found.response["violations"]] == []
    finally:
        context.close()
