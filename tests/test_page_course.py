"""The course of a run: points thinned to what a screen can show, gaps, files kept beside."""

import pytest

from controller.control import model as m
from controller.records.journal import Journal
from controller.records.overview import Overview
from controller.settings import example_path, read_settings
from controller.web.watching import Run
from tests.journals import HOUR_MS, at, fill, hydrate, new_journal, reading
from tests.page_server import make_site
from tests.schools import client_of


def test_the_points_of_a_year_keep_every_extreme_and_stay_few(tmp_path):
    plan = read_settings(example_path("skerry-light.plan.toml"), example_path("skerry-light.chamber.toml"))
    journal = new_journal(tmp_path, plan)
    hydrate(journal)
    every_ms = 600_000
    for number in range(0, 365 * 144):
        value = 20.0 + (9.5 if number == 31_111 else 0.0) - (7.25 if number == 40_000 else 0.0)
        journal.append(reading(at(number * every_ms), air_temperature_c=value))
    journal.close()
    found = client_of(make_site(tmp_path)).get("/course/data?columns=400").json()
    points = found["channels"]["air_temperature_c"]

    assert [p for p in points if p[1] == 29.5] == [[at(31_111 * every_ms).utc_ms, 29.5]]
    assert [p for p in points if p[1] == 12.75] == [[at(40_000 * every_ms).utc_ms, 12.75]]
    assert len(points) <= 2 * 402


def test_a_short_window_shows_the_readings_themselves(rehearsed, reader):
    journal = Journal.open(rehearsed / "journal.sqlite")
    taken = [r for r in journal.records(m.ReadingRecord) if r.air_quality == m.GOOD][5_000:5_101]
    journal.close()
    window = f"from_ms={taken[0].at.utc_ms}&to_ms={taken[-1].at.utc_ms + 1}"
    points = reader.get(f"/course/data?{window}&columns=2000").json()["channels"]["air_temperature_c"]

    assert [p for p in points if p[1] is not None] == [[r.at.utc_ms, round(r.air_temperature_c, 3)] for r in taken]


def test_a_gap_breaks_the_line(tmp_path):
    plan = read_settings(example_path("skerry-light.plan.toml"), example_path("skerry-light.chamber.toml"))
    journal = new_journal(tmp_path, plan)
    hydrate(journal)
    fill(journal, 0, HOUR_MS, 10_000)
    fill(journal, 3 * HOUR_MS, 4 * HOUR_MS, 10_000)
    journal.close()
    points = client_of(make_site(tmp_path)).get("/course/data").json()["channels"]["air_temperature_c"]

    assert [value for _, value in points].count(None) == 1


def test_new_readings_join_those_that_were_read_before(tmp_path):
    plan = read_settings(example_path("skerry-light.plan.toml"), example_path("skerry-light.chamber.toml"))
    journal = new_journal(tmp_path, plan)
    hydrate(journal)
    fill(journal, 0, 200 * HOUR_MS)
    client = client_of(make_site(tmp_path))
    before = client.get("/course/data").json()["extent_ms"]
    fill(journal, 200 * HOUR_MS, 201 * HOUR_MS, air_temperature_c=31.0)
    after = client.get("/course/data").json()
    journal.close()

    assert after["extent_ms"][1] > before[1]
    assert max(v for _, v in after["channels"]["air_temperature_c"] if v is not None) == 31.0


def test_what_was_read_of_a_long_run_is_kept_and_a_damaged_file_does_no_harm(rehearsed, tmp_path, monkeypatch):
    run = Run(rehearsed)
    monkeypatch.setattr("controller.records.overview.KEEP_AFTER_ROWS", 1_000)
    kept = tmp_path / "kept.npz"
    with run.journal() as journal:
        first = Overview(run.settings, kept)
        first.catch_up(journal)
        days = first.days()
        assert kept.is_file()
        monkeypatch.setattr("controller.records.overview.blocks_of", lambda *_, **__: pytest.fail("read again"))
        again = Overview(run.settings, kept)
        again.catch_up(journal)
        assert again.days() == days
        assert again.extent_ms == first.extent_ms
        monkeypatch.undo()
        kept.write_bytes(kept.read_bytes()[:300])
        mended = Overview(run.settings, kept)
        mended.catch_up(journal)
        assert mended.days() == days
