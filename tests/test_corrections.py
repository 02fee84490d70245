"""A dose that a later word corrects: the last row of its id holds, in every table, page, parcel and comparison."""

import csv
import io
import re
from dataclasses import replace

import openpyxl
import pytest
from click.testing import CliRunner

from controller.acceptance.definition import TESTS
from controller.acceptance.judging import judge_records
from controller.cli import main
from controller.control import model as m
from controller.parcels.archive import archive
from controller.parcels.chain import journal_faults, verify
from controller.parcels.sealing import seal
from controller.records.account import entries_of
from controller.records.export import export
from controller.records.following import Followed
from controller.records.journal import Journal
from controller.records.report import write_report
from controller.records.status import status_of
from controller.records.summary import summarise
from controller.run_settings import settings_of
from controller.twins.sources import gather
from controller.web.watching import Run
from tests.journals import DAY_MS, HOUR_MS, MINUTE_MS, at, dose, fill, hydrate, new_journal
from tests.made_runs import settings_of as made_settings
from tests.parcels import files_of
from tests.schools import client_of, make_site

PER_STEP_ML, PER_STEP_U_ML = 0.005, 0.00004
# 3 ml that were first closed as 0, 6 ml that were in doubt and were 2.5 ml, 50 ml that nobody corrected
TOTAL_ML = 3.0 + 2.5 + 50.0
DAY_2, DAY_3 = "2026-03-03", "2026-03-04"


def closed_as(moment, dose_id, steps_min, steps_max, end_reason):
    """An outcome by the example pump's factor."""
    middle, half_ml = (steps_min + steps_max) / 2, (steps_max - steps_min) / 2 * PER_STEP_ML
    u_ml = ((middle * PER_STEP_U_ML) ** 2 + half_ml**2 / 3) ** 0.5
    volumes = middle * PER_STEP_ML, u_ml, steps_max * PER_STEP_ML
    return m.DoseClosed(moment, dose_id, steps_min, steps_max, end_reason, *volumes, moment.monotonic_ms)


def intended(moment, dose_id, steps):
    volume_ml = steps * PER_STEP_ML
    return m.DoseIntended(
        moment, dose_id, m.FIXED_TIME, volume_ml, steps, 200, PER_STEP_ML, PER_STEP_U_ML, moment.monotonic_ms
    )


FIRST = [
    intended(at(HOUR_MS), 2, 600),
    closed_as(at(HOUR_MS + MINUTE_MS), 2, 0, 0, m.NOT_STARTED),
    intended(at(2 * HOUR_MS), 3, 1_200),
    closed_as(at(2 * HOUR_MS + MINUTE_MS), 3, 0, 1_200, m.IN_DOUBT),
]
CORRECTIONS = [
    closed_as(at(DAY_MS + HOUR_MS), 2, 600, 600, "complete"),
    closed_as(at(2 * DAY_MS + HOUR_MS), 3, 500, 500, "stopped"),
]


@pytest.fixture(scope="module")
def corrected(tmp_path_factory):
    """The folder of a run whose first day was sealed before its doses were corrected on the two days after it."""
    folder = tmp_path_factory.mktemp("corrected")
    settings = made_settings(0, True, 21)
    journal = new_journal(folder, settings)
    journal.append(m.BootRecord(at(0), "0.1.0"))
    hydrate(journal)
    dose(journal, 1, at(1), purpose=m.FIRST_WETTING)
    for record in FIRST:
        journal.append(record)
    fill(journal, 0, DAY_MS + 1)
    assert [each.day_utc for each in seal(journal, settings)] == ["2026-03-02"]
    journal.append(CORRECTIONS[0])
    other = settings.chamber_text.replace("ml_per_step = 0.005\n", "ml_per_step = 0.006\n")
    assert other != settings.chamber_text
    later = at(DAY_MS + 2 * HOUR_MS, boot_id=2)
    journal.append(m.EventRecord(later, m.CHAMBER_FILE, other))
    fill(journal, DAY_MS + 600_000, 2 * DAY_MS + 1)
    journal.append(CORRECTIONS[1])
    fill(journal, 2 * DAY_MS + 600_000, 3 * DAY_MS + 1)
    journal.close()
    return folder


@pytest.fixture
def opened(corrected):
    journal = Journal.open(corrected / "journal.sqlite")
    yield journal, settings_of(journal)
    journal.close()


def rows_of(path):
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8-sig"))))


def by_dose(rows):
    return {row["dose_id"]: row for row in rows if row["entry"] == "dose"}


def test_the_outcome_that_holds_is_the_last_one_of_each_dose(opened):
    journal, _ = opened
    assert list(journal.outcomes()) == [1, 2, 3]
    assert [journal.outcomes()[number] for number in (2, 3)] == CORRECTIONS


def test_a_dose_stands_once_in_the_account_at_its_own_time_and_counts_when_it_first_ended(opened):
    entries = [entry for entry in entries_of(*opened) if entry.closed]

    assert [(entry.dose_id, entry.closed.volume_ml) for entry in entries] == [(1, 50.0), (2, 3.0), (3, 2.5)]
    assert [entry.at for entry in entries[1:]] == [FIRST[0].at, FIRST[2].at]
    assert [entry.counts_at for entry in entries[1:]] == [FIRST[1].at, FIRST[3].at]
    assert [entry.first_closed for entry in entries] == [None, FIRST[1], FIRST[3]]
    assert entries[-1].totals.delivered_ml == pytest.approx(TOTAL_ML)
    # one calibration, 11 100 steps, no interval left (JCGM 100:2008, 5.2.2)
    assert entries[-1].totals.delivered_standard_uncertainty_ml == pytest.approx(11_100 * PER_STEP_U_ML)


def test_summary_tables_page_and_workbook_have_the_same_water(opened, corrected, tmp_path):
    journal, settings = opened
    summary = summarise(journal, settings)
    assert (summary["water_delivered_ml"], summary["doses_delivered"], summary["doses_in_doubt"]) == (TOTAL_ML, 3, 0)
    assert summary["doses_corrected"] == 2

    export(journal, settings, tmp_path)
    water = rows_of(tmp_path / "water.csv")
    assert float(water[-1]["delivered_total_ml"]) == TOTAL_ML
    assert sum(float(row["delivered_ml"]) for row in water) == TOTAL_ML
    daily = rows_of(tmp_path / "daily.csv")
    assert [(row["day_utc"], float(row["delivered_ml"]), row["doses"]) for row in daily if row["doses"] != "0"] == [
        ("2026-03-02", TOTAL_ML, "3")
    ]

    run = Run(corrected)
    assert run.look().totals.delivered_ml == pytest.approx(TOTAL_ML)
    site = make_site(corrected)
    page = client_of(site)
    overview = page.get("/course")
    assert overview.status_code == 200
    table = page.get("/downloads/table.csv?table=water").content.decode()
    assert list(csv.reader(io.StringIO(table[1:])))[1:] == [list(row.values()) for row in water]
    book = openpyxl.load_workbook(io.BytesIO(page.get("/downloads/table.xlsx?table=water").content), read_only=True)
    cells = list(book["water"].iter_rows(values_only=True))
    place = cells[0].index("delivered_ml")
    assert sum(row[place] for row in cells[1:]) == TOTAL_ML
    book.close()


def test_each_corrected_dose_says_what_was_written_first(opened, tmp_path):
    export(*opened, tmp_path)
    water = by_dose(rows_of(tmp_path / "water.csv"))
    assert water["2"]["words"].endswith("given in full. Corrected later: 0 ml was written first.")
    assert water["3"]["words"].endswith("stopped early. Corrected later: 0 to 6 ml was written first.")
    assert "Corrected" not in water["1"]["words"]
    assert (water["3"]["delivered_min_ml"], water["3"]["delivered_max_ml"]) == ("2.5000", "2.5000")

    events = [row for row in rows_of(tmp_path / "events.csv") if row["kind"] == "dose_corrected"]
    assert [(row["at_utc"][:13], row["name"], row["words"]) for row in events] == [
        (f"{DAY_2}T01", "dose_2", "Dose 2 is corrected from 0 ml to 3 ml: given in full."),
        (f"{DAY_3}T01", "dose_3", "Dose 3 is corrected from 0 to 6 ml to 2.5 ml: stopped early."),
    ]
    assert "corrected" in (tmp_path / "water.txt").read_text()


def test_the_printed_page_tells_that_doses_were_corrected(opened, tmp_path):
    write_report(*opened, summarise(*opened), tmp_path / "run.html")
    text = re.sub(r"\s+", " ", (tmp_path / "run.html").read_text())

    assert "Two doses were corrected after they had been written down" in text
    assert "55.5 ml" in text


def test_a_sealed_day_stays_and_the_day_of_the_correction_carries_it(opened, corrected, tmp_path):
    journal, settings = opened
    folder = corrected / "parcels"
    first = files_of(folder / "2026-03-02")
    assert [each.day_utc for each in seal(journal, settings)] == [DAY_2, DAY_3]

    assert files_of(folder / "2026-03-02") == first
    assert [chain.fault for chain in verify(folder)] == [""]
    assert next(journal_faults(journal, settings, folder), "") == ""
    archive(journal, settings, tmp_path / "archive")
    for place in (corrected, folder, tmp_path / "archive"):
        twin = gather(place)
        assert twin.water.delivered_ml == pytest.approx(TOTAL_ML, abs=1e-3), place
        assert twin.water.delivered_standard_uncertainty_ml == pytest.approx(11_100 * PER_STEP_U_ML, abs=1e-3), place


def test_a_comparison_of_corrected_twins_has_their_water(corrected, tmp_path):
    settings = made_settings(1, True, 21)
    other = new_journal(tmp_path / "other", settings, run_id="20260302T0000Z-northhaven")
    hydrate(other)
    dose(other, 1, at(1), purpose=m.FIRST_WETTING)
    fill(other, 0, 3 * DAY_MS + 1)
    other.close()
    out = tmp_path / "compared"
    done = CliRunner().invoke(main, ["compare", str(corrected), str(tmp_path / "other"), "--out", str(out)])
    assert done.exit_code == 0, done.output

    delivered = [float(row["delivered_ml"]) for row in rows_of(out / "water.csv")]
    assert delivered == pytest.approx([TOTAL_ML, 50.0], abs=1e-3)


def test_who_follows_the_journal_sees_the_correction_and_keeps_the_newest_dose(tmp_path):
    settings = made_settings(0, True, 21)
    journal = new_journal(tmp_path, settings)
    hydrate(journal)
    for record in FIRST:
        journal.append(record)
    followed = Followed(settings)
    followed.catch_up(journal)
    assert (followed.totals.delivered_ml, followed.last_dose, followed.last_dose_first) == (3.0, FIRST[3], None)

    journal.append(CORRECTIONS[0])  # of the dose before the last
    followed.catch_up(journal)
    assert (followed.totals.delivered_ml, followed.last_dose) == (6.0, FIRST[3])
    journal.append(CORRECTIONS[1])
    followed.catch_up(journal)
    assert followed.totals.delivered_ml == pytest.approx(5.5)
    assert followed.last_dose == replace(CORRECTIONS[1], at=FIRST[3].at)  # its water flowed then, not now
    assert followed.last_dose_first == FIRST[3]
    now = at(2 * HOUR_MS + 2 * MINUTE_MS)
    status = status_of(journal, settings, now.utc_ms)
    assert (status.last_dose.volume_ml, status.last_dose_age_s) == (2.5, 60.0)
    journal.close()


@pytest.mark.parametrize(
    ("language", "words"),
    [("en", "That was corrected later; 0.0 to 6.0 ml was written first."),
     ("de", "Das wurde später berichtigt; zuerst waren 0,0 bis 6,0 ml eingetragen.")],
)  # fmt: skip
def test_the_page_says_in_every_language_that_the_last_dose_was_corrected(corrected, language, words):
    page = client_of(make_site(corrected))
    assert words in page.get("/", headers={"accept-language": language}).text


def test_water_that_no_intent_stands_for_goes_by_the_factor_of_its_own_row_and_boot(tmp_path):
    settings = made_settings(0, True, 21)
    journal = new_journal(tmp_path, settings)
    hydrate(journal)
    other = settings.chamber_text.replace("ml_per_step = 0.005\n", "ml_per_step = 0.008\n")
    other = other.replace("ml_per_step_standard_uncertainty = 0.00004\n", "ml_per_step_standard_uncertainty = 0.0001\n")
    journal.append(m.EventRecord(at(HOUR_MS, boot_id=2), m.CHAMBER_FILE, other))
    journal.append(m.DoseClosed(at(2 * HOUR_MS, boot_id=2), 9, 100, 300, m.IN_DOUBT, 1.6, 0.5, 2.4, 0))
    (entry,) = entries_of(journal, settings_of(journal))

    assert entry.calibration == pytest.approx((0.008, 0.0001))
    assert entry.totals.calibration_ml == pytest.approx(200 * 0.0001)
    assert entry.totals.interval_ml2 == pytest.approx(0.8**2 / 3)  # half of 200 steps (JCGM 100:2008, 4.3.7)
    journal.close()


def test_an_acceptance_test_judges_the_outcome_that_holds(tmp_path):
    journal = new_journal(tmp_path)
    for number in (1, 2):
        dose(journal, number, at(number * HOUR_MS), steps=4_000)
    journal.append(intended(at(3 * HOUR_MS), 3, 4_000))
    journal.append(closed_as(at(3 * HOUR_MS + 1), 3, 0, 4_000, m.IN_DOUBT))
    journal.append(closed_as(at(3 * HOUR_MS + 2), 3, 4_000, 4_000, "complete"))
    (delivery,) = (test for test in TESTS if test.name == "delivery")

    outcome = judge_records(delivery, {"water_g": 59.9, "turned_s": 20.0} | _yes(delivery), journal)
    assert "recorded 60.00 ml" in outcome.words
    assert outcome.passed
    journal.close()


def _yes(test):
    return {each.key: True for each in test.questions if not each.is_number}
