"""The page of a run: one file that stands alone, keeps every extreme and tells gaps, trips and people in words."""

import re
import sys
from html.parser import HTMLParser

import numpy as np
import pytest

from controller.control import model as m
from controller.errors import JournalError, WardianError
from controller.records.lanes import lanes_of, lit_spans, trip_spans
from controller.records.report import write_report
from controller.records.summary import summarise
from controller.records.thinning import extremes, traces_of
from controller.records.timeline import Timeline
from tests.journals import DAY_MS, HOUR_MS, MINUTE_MS, SETTINGS, START_MS, at, dose, fill, hydrate, new_journal, reading


class Page(HTMLParser):
    """What a browser would find: tags, ids, addresses, and the text outside of drawings and styles."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.ids, self.addresses, self.words, self._inside = [], [], [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self._inside.append(tag)
        for name, value in attrs:
            if name == "id":
                self.ids.append(value)
            if name in ("src", "href", "xlink:href", "action", "data"):
                self.addresses.append(value)

    def handle_endtag(self, tag):
        while self._inside and self._inside.pop() != tag:
            pass

    def handle_data(self, data):
        if not {"svg", "style"} & set(self._inside):
            self.words.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())


def eventful(tmp_path):
    """Three days with a first wetting, a dose in doubt, a gap, a trip that was cleared and one that stands."""
    journal = new_journal(tmp_path)
    hydrate(journal)
    fill(journal, 0, 30 * HOUR_MS)
    fill(journal, 36 * HOUR_MS, 72 * HOUR_MS, lamp_duty_fraction=0.6)
    dose(journal, 1, at(0), purpose=m.FIRST_WETTING)
    dose(journal, 2, at(20 * HOUR_MS), steps=2_400, steps_min=0, end_reason="board_restarted")
    dose(journal, 3, at(40 * HOUR_MS), steps=2_400)
    journal.append(m.StepRecord(at(HOUR_MS), "drain", False, ""))
    journal.append(m.StepRecord(at(2 * HOUR_MS), "drain", True, "LK", drained_g=3.1))
    journal.append(m.TripRecord(at(24 * HOUR_MS), "leak_wet", m.ON_BOARD, 8))
    journal.append(m.TripCleared(at(26 * HOUR_MS), "leak_wet", "LK"))
    journal.append(m.TripRecord(at(60 * HOUR_MS), "air_too_hot", m.ON_HOST, 0))
    journal.append(m.AlarmRecord(at(60 * HOUR_MS), "board_silent", True, "The board does not answer."))
    journal.append(m.ObservationRecord(at(50 * HOUR_MS), 1, "LK", emerged=True, height_mm=4, note="<b>bent</b> & pale"))
    return journal


def page_of(journal, folder, run=SETTINGS):
    path = folder / "run.html"
    write_report(journal, run, summarise(journal, run), path)
    return path.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("eventful")
    return page_of(eventful(folder), folder)


# -- one page that stands alone ----


def test_the_page_asks_nothing_of_any_other_place(written):
    page = Page(written)

    assert not {"script", "link", "iframe", "img", "object", "embed"} & set(page.tags)
    assert all(address.startswith("#") for address in page.addresses)
    assert not re.search(r"url\((?!#)", written)
    assert "@import" not in written
    outside = set(re.findall(r"https?://[^\s\"'<>]+", written)) - {
        "http://www.w3.org/2000/svg",
        "http://www.w3.org/1999/xlink",
    }
    assert outside == set()  # those two are names of languages, not addresses


def test_no_two_drawings_share_an_id(written):
    ids = Page(written).ids

    assert len(ids) == len(set(ids))
    assert set(re.findall(r"url\(#([^)]+)\)", written)) <= set(ids)


def test_letters_of_the_plots_stay_letters(written):
    assert "Air temperature, °C" in written
    assert written.count("<svg") >= 8  # four plots, wide and narrow


def test_what_people_wrote_is_text_and_nothing_else(written):
    assert "<b>bent</b>" not in written
    assert "“<b>bent</b> & pale”" in Page(written).text


# -- words ----


def test_the_first_words_say_what_ran_what_was_given_and_what_went_wrong(written):
    text = Page(written).text

    assert (
        "ran in the chamber Skerry Light (the keeper's bench) with two positions of cress and one position of" in text
    )
    assert "that moment is day 0. The records cover 3.0 days" in text
    assert "This was a rehearsal" in text
    assert "gave three doses, altogether 68.0 ml of water" in text  # 50 + 6 (middle of 0 to 12) + 12
    assert "Of one dose the count was lost" in text
    assert "An interlock stopped the water twice. Day 1.0: The leak probe is wet" in text
    assert "Readings are missing for 6.0 h in one gap." in text
    assert "People signed one hands-on step, all that fell due, and wrote down one look" in text
    assert "One trip was cleared by LK. One trip still stood at the end." in text


def test_trips_stand_in_a_table_with_plain_words(written):
    text = Page(written).text

    assert (
        "day 1.0 3 Mar 00:00 UTC The leak probe is wet: water is where it must not be. by the board; motor off" in text
    )
    assert "motor off after 8 ms by LK, after 2.0 h" in text
    assert "The air is too hot; the lamp is off. by the host still stands" in text
    assert "The board does not answer. still stands" in text


def test_positions_stand_with_their_emergence_and_last_look(written):
    text = Page(written).text

    assert "1 cress day 2.1 emerged, 4 mm high. “<b>bent</b> & pale” day 2.1" in text
    assert "2 cress not yet not looked at yet" in text


@pytest.mark.guards("H10", "host", "ccf086fa")
def test_the_page_carries_its_cautions_and_its_digest(written):
    text = Page(written).text

    for words in (
        "certified extra-low-voltage supply",
        "below all electronics",
        "look into the lamp",
        "mould",
        "safety officer",
    ):
        assert words in text
    assert "5c" * 32 in text


def test_a_quiet_run_says_that_nothing_went_wrong(tmp_path):
    journal = new_journal(tmp_path)
    hydrate(journal)
    fill(journal, 0, DAY_MS)
    text = Page(page_of(journal, tmp_path)).text

    assert "Nothing went wrong: no trip, no alarm, no gap in the readings, every reading good." in text
    assert "No interlock tripped." in text


def test_a_run_that_has_no_reading_yet_has_a_page_too(tmp_path):
    text = Page(page_of(new_journal(tmp_path), tmp_path)).text

    assert "No water has been given yet." in text
    assert "There is no reading yet." in text


# -- curves ----


def traces(journal, columns, run=SETTINGS):
    timeline = Timeline(journal)
    rows = list(journal.records(m.ReadingRecord))
    extent = timeline.place(rows[0].at).utc_ms, timeline.place(rows[-1].at).utc_ms + 1
    return traces_of(journal, run, timeline, extent, columns)


def test_thinning_keeps_the_lowest_and_highest_of_every_column():
    rng = np.random.default_rng(7)
    values = rng.normal(size=5_000)
    columns = np.sort(rng.integers(0, 60, size=5_000))
    kept = extremes(columns, values)

    assert len(kept) <= 120
    for column in range(60):
        mine, shown = values[columns == column], values[kept][columns[kept] == column]
        assert (shown.min(), shown.max()) == (mine.min(), mine.max())


def test_thinning_nothing_gives_nothing():
    assert len(extremes(np.empty(0, dtype=np.int64), np.empty(0))) == 0


def test_a_single_spike_and_a_single_dip_stay_on_the_page_at_their_moments(tmp_path):
    journal = new_journal(tmp_path)
    for n in range(5_000):
        air_c = {1_234: 33.3, 4_321: 3.3}.get(n, 20.0)
        journal.append(reading(at(n * 10 * MINUTE_MS), air_temperature_c=air_c))
    journal.flush()
    for thinned in (traces(journal, 100), traces(journal, 100).thinner(2)):
        trace = thinned.air_temperature_c

        assert len(trace.values) <= 202
        for n, air_c in ((1_234, 33.3), (4_321, 3.3)):
            assert trace.values[trace.utc_ms == START_MS + n * 10 * MINUTE_MS].tolist() == [air_c]


def test_a_curve_breaks_at_a_gap_and_at_readings_that_were_not_good(tmp_path):
    journal = new_journal(tmp_path)
    fill(journal, 0, 10 * HOUR_MS)
    fill(journal, 10 * HOUR_MS, 14 * HOUR_MS, air_temperature_c=70.0, air_quality=m.SUSPECT)
    fill(journal, 14 * HOUR_MS, 20 * HOUR_MS)
    fill(journal, 26 * HOUR_MS, 30 * HOUR_MS)
    thinned = traces(journal, 60)

    assert np.isnan(thinned.air_temperature_c.values).sum() == 2
    assert np.isnan(thinned.relative_humidity_pct.values).sum() == 1
    assert np.nanmax(thinned.air_temperature_c.values) == 20.0
    ((doubt_from_ms, doubt_to_ms),) = thinned.air_temperature_c.doubted_ms
    assert doubt_from_ms <= START_MS + 10 * HOUR_MS < START_MS + 14 * HOUR_MS <= doubt_to_ms + thinned.column_ms
    assert thinned.relative_humidity_pct.doubted_ms == []


def test_a_long_run_stays_a_small_page(tmp_path):
    run = SETTINGS
    journal = new_journal(tmp_path)
    hydrate(journal)
    rng = np.random.default_rng(3)
    for n, noise in enumerate(rng.normal(size=20_000).tolist()):
        counts = round(1_740 + 60 * noise)
        record = reading(
            at(n * 10 * MINUTE_MS),
            air_temperature_c=22 + noise,
            relative_humidity_pct=60 + 4 * noise,
            moisture_counts=counts,
        )
        journal.append(record)
    journal.flush()

    assert len(page_of(journal, tmp_path, run).encode()) < 1_500_000


# -- lanes ----


def test_the_lamp_is_drawn_from_its_records_and_not_over_a_gap(tmp_path):
    journal = new_journal(tmp_path)
    for hours, duty in ((0, 0.0), (1, 0.3), (2, 0.6), (8, 0.0), (20, 0.6)):
        journal.append(m.LampRecord(at(hours * HOUR_MS), duty))
    hour = lambda hours: START_MS + hours * HOUR_MS  # noqa: E731
    spans = lit_spans(journal, Timeline(journal), [(hour(3), hour(5)), (hour(22), hour(23))], hour(24))

    assert spans == [(hour(1), hour(3)), (hour(5), hour(8)), (hour(20), hour(22)), (hour(23), hour(24))]


def test_a_trip_that_was_never_cleared_lasts_to_the_end(tmp_path):
    journal = eventful(tmp_path)
    end_ms = START_MS + 72 * HOUR_MS

    assert trip_spans(journal, Timeline(journal), end_ms) == [
        (START_MS + 24 * HOUR_MS, START_MS + 26 * HOUR_MS),
        (START_MS + 60 * HOUR_MS, end_ms),
    ]


def test_a_lane_without_anything_in_it_is_still_there(tmp_path):
    journal = new_journal(tmp_path)
    lanes = lanes_of(journal, Timeline(journal), [], START_MS)

    assert "Trips" in [lane.title for lane in lanes]
    assert all(not lane.spans and not lane.marks for lane in lanes)


# -- faults ----


def test_without_the_extra_libraries_the_page_says_what_is_missing(tmp_path, monkeypatch):
    journal = new_journal(tmp_path)
    monkeypatch.setitem(sys.modules, "jinja2", None)

    with pytest.raises(WardianError, match=r"extra libraries of wardian\[report\]"):
        page_of(journal, tmp_path)


def test_a_place_that_cannot_be_written_is_told_in_a_sentence(tmp_path):
    journal = new_journal(tmp_path)
    (tmp_path / "taken").write_text("a file")

    with pytest.raises(JournalError, match="the page cannot be written"):
        write_report(journal, SETTINGS, summarise(journal, SETTINGS), tmp_path / "taken" / "run.html")
