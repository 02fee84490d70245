"""The exported tables, read back with the csv module and checked against independent reckoning."""

import csv
import math
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import psychrolib
import pytest

from controller.control import model as m
from controller.errors import JournalError, SettingsError
from controller.records import columns, series
from controller.records.cells import COMMA
from controller.records.export import export
from tests.journals import (
    DAY_MS,
    HOUR_MS,
    MINUTE_MS,
    SETTINGS,
    START_MS,
    START_UTC,
    at,
    dose,
    fill,
    hydrate,
    new_journal,
    reading,
    settings,
    utc,
)

NAMES = ("climate", "daily", "water", "events")


def table(folder, name):
    with (folder / f"{name}.csv").open(newline="", encoding="utf-8-sig") as file:
        return list(csv.DictReader(file))


def exported(journal, folder, run=SETTINGS, **how):
    export(journal, run, folder, **how)
    return {name: table(folder, name) for name in NAMES}


def with_readings(tmp_path, *readings, run=SETTINGS):
    journal = new_journal(tmp_path, run)
    for each in readings:
        journal.append(each)
    journal.flush()
    return journal


# -- single readings ----


@pytest.mark.parametrize(("air_c", "humidity_pct"), [(5.0, 90.0), (18.0, 54.0), (25.0, 82.0), (35.0, 20.0)])
def test_the_vapour_pressure_deficit_agrees_with_fao_56(tmp_path, air_c, humidity_pct):
    journal = with_readings(tmp_path, reading(at(0), air_temperature_c=air_c, relative_humidity_pct=humidity_pct))
    (row,) = exported(journal, tmp_path)["climate"]

    # Allen et al. 1998, FAO Irrigation and Drainage Paper 56, Eq. 11; the formulas agree within 0.3 % up to 50 C
    saturation_kpa = 0.6108 * math.exp(17.27 * air_c / (air_c + 237.3))
    expected_kpa = saturation_kpa * (1 - humidity_pct / 100)
    assert float(row["vapour_pressure_deficit_kpa"]) == pytest.approx(expected_kpa, rel=3e-3, abs=6e-5)


@pytest.mark.parametrize(("air_c", "humidity_pct"), [(5.0, 90.0), (22.5, 68.2), (35.0, 20.0)])
def test_the_dew_point_agrees_with_psychrolib(tmp_path, air_c, humidity_pct):
    psychrolib.SetUnitSystem(psychrolib.SI)
    journal = with_readings(tmp_path, reading(at(0), air_temperature_c=air_c, relative_humidity_pct=humidity_pct))
    (row,) = exported(journal, tmp_path)["climate"]

    # psychrolib solves ASHRAE Fundamentals 2017 ch. 1 eq. 5 and 6 to 0.001 C
    assert float(row["dew_point_c"]) == pytest.approx(
        psychrolib.GetTDewPointFromRelHum(air_c, humidity_pct / 100), abs=0.003
    )


def test_air_without_vapour_has_no_dew_point(tmp_path):
    (row,) = exported(with_readings(tmp_path, reading(at(0), relative_humidity_pct=0.0)), tmp_path)["climate"]

    assert row["dew_point_c"] == ""
    assert float(row["vapour_pressure_deficit_kpa"]) > 2.3


@pytest.mark.parametrize(("counts", "content"), [(3000, "0.02000"), (2100, "0.22000"), (1200, "0.42000")])
def test_water_content_lies_on_the_probes_calibration_line(tmp_path, counts, content):
    (row,) = exported(with_readings(tmp_path, reading(at(0), moisture_counts=counts)), tmp_path)["climate"]

    assert row["water_content_fraction"] == content
    assert row["moisture_counts"] == f"{counts}.0"


@pytest.mark.parametrize(
    ("counts", "inside"), [(3001, "0"), (3000, "1"), (2999, "1"), (1201, "1"), (1200, "1"), (1199, "0")]
)
def test_a_count_beyond_the_probes_calibration_is_marked(tmp_path, counts, inside):
    (row,) = exported(with_readings(tmp_path, reading(at(0), moisture_counts=counts)), tmp_path)["climate"]

    assert row["moisture_calibrated"] == inside
    assert row["water_content_fraction"] != ""


def test_an_interval_is_marked_as_soon_as_one_good_reading_lies_beyond_the_calibration(tmp_path):
    journal = with_readings(
        tmp_path,
        *(reading(at(1_000 * n), moisture_counts=c) for n, c in enumerate((2000, 3100))),
        *(reading(at(60_000 + 1_000 * n), moisture_counts=c) for n, c in enumerate((2000, 2100))),
        reading(at(121_000), moisture_counts=3100, moisture_quality=m.SUSPECT),
    )
    every = exported(journal, tmp_path, every_s=60)["climate"]
    assert [row["moisture_calibrated"] for row in every] == ["0", "1", ""]
    assert [row["moisture_calibrated"] for row in table_of_single(journal, tmp_path)] == ["1", "0", "1", "1", ""]


def test_a_suspect_value_stays_in_its_raw_column_and_nothing_is_derived_from_it(tmp_path):
    doubted = reading(
        at(0), air_temperature_c=55.5, air_quality=m.SUSPECT, moisture_counts=1, moisture_quality=m.SUSPECT
    )
    (row,) = exported(with_readings(tmp_path, doubted), tmp_path)["climate"]

    assert (row["air_temperature_c"], row["air_quality"]) == ("55.500", "suspect")
    assert (row["moisture_counts"], row["moisture_quality"]) == ("1.0", "suspect")
    assert row["vapour_pressure_deficit_kpa"] == row["dew_point_c"] == row["water_content_fraction"] == ""


def test_a_missing_value_is_an_empty_cell(tmp_path):
    missing = reading(at(0), relative_humidity_pct=None, humidity_quality=m.MISSING)
    (row,) = exported(with_readings(tmp_path, missing), tmp_path)["climate"]

    assert (row["relative_humidity_pct"], row["humidity_quality"]) == ("", "missing")


def test_two_values_that_the_sensor_can_tell_apart_stay_apart(tmp_path):
    # Sensirion data sheet SHT3x-DIS (2018), 4.13: 16 bits over 175 C and over 100 % relative humidity
    steps = [(-45 + 175 * raw / 65_535, 100 * raw / 65_535) for raw in range(26_000, 26_200)]
    readings = [
        reading(at(n * 1_000), air_temperature_c=c, relative_humidity_pct=h, moisture_counts=1_500 + n)
        for n, (c, h) in enumerate(steps)
    ]
    rows = exported(with_readings(tmp_path, *readings), tmp_path)["climate"]

    for name in ("air_temperature_c", "relative_humidity_pct", "water_content_fraction", "moisture_counts"):
        assert len({row[name] for row in rows}) == len(steps), name


def test_hours_are_counted_from_the_first_water_and_empty_before_it(tmp_path):
    journal = with_readings(tmp_path, reading(at(0), run_ms=None), reading(at(5_400_000), run_ms=1_800_000))
    hydrate(journal, HOUR_MS)
    rows = exported(journal, tmp_path)["climate"]

    assert [row["hours_since_hydration"] for row in rows] == ["", "0.5000"]


def test_a_reading_without_network_time_is_placed_and_one_that_cannot_be_is_marked(tmp_path):
    journal = with_readings(
        tmp_path,
        reading(at(1_000)),
        reading(at(2_000, utc_ms=77, trusted=False)),
        reading(at(0, utc_ms=88, trusted=False, boot_id=2)),
    )
    rows = exported(journal, tmp_path)["climate"]

    assert [(row["at_utc"], row["utc_trusted"]) for row in rows] == [
        ("2026-03-02T00:00:01.000Z", "1"),
        ("2026-03-02T00:00:02.000Z", "1"),
        ("1970-01-01T00:00:00.088Z", "0"),
    ]


@pytest.mark.parametrize(
    ("zone", "change_utc"),
    [
        ("Atlantic/Faroe", "2026-03-29T01:00Z"),  # IANA: clocks go on by an hour
        ("Atlantic/Faroe", "2026-10-25T01:00Z"),  # and back
        ("America/St_Johns", "2026-03-08T05:30Z"),
        ("Australia/Lord_Howe", "2026-04-04T15:00Z"),  # half an hour
        ("Asia/Kathmandu", "2026-03-02T00:00Z"),  # no change; 5 h 45 min ahead
    ],
)
def test_local_time_follows_the_chambers_zone_over_a_change_of_the_clocks(tmp_path, zone, change_utc):
    change = datetime.fromisoformat(change_utc)
    change_ms = round(change.timestamp() * 1000)
    moments = [change_ms + off_ms for off_ms in (-HOUR_MS, -1, 0, 1, 59_999, HOUR_MS, 3 * HOUR_MS)]
    journal = with_readings(tmp_path, *(reading(at(n, utc_ms=ms)) for n, ms in enumerate(moments)))
    rows = exported(journal, tmp_path, settings(time_zone=zone))["climate"]

    for row, ms in zip(rows, moments, strict=True):
        moment = change + timedelta(milliseconds=ms - change_ms)
        assert row["at_utc"] == moment.replace(tzinfo=None).isoformat(timespec="milliseconds") + "Z"
        assert row["at_local"] == moment.astimezone(ZoneInfo(zone)).isoformat(timespec="milliseconds")


# -- means over intervals ----


def test_means_take_good_readings_and_the_deficit_is_the_mean_of_the_single_deficits(tmp_path):
    cold, hot = (10.0, 40.0), (30.0, 80.0)
    journal = with_readings(
        tmp_path,
        *(
            reading(at(n * MINUTE_MS), air_temperature_c=c, relative_humidity_pct=h)
            for n, (c, h) in enumerate((cold, hot))
        ),
        reading(at(2 * MINUTE_MS), air_temperature_c=60.0, air_quality=m.SUSPECT),
    )
    (row,) = exported(journal, tmp_path, every_s=600)["climate"]
    single = table_of_single(journal, tmp_path)

    assert row["air_temperature_c"] == "20.000"
    assert (row["air_quality"], row["humidity_quality"], row["readings"]) == ("partly", "good", "3")
    deficits = [float(each["vapour_pressure_deficit_kpa"]) for each in single[:2]]
    assert float(row["vapour_pressure_deficit_kpa"]) == pytest.approx(sum(deficits) / 2, abs=1e-4)
    # FAO-56 Eq. 11 at the means would give another number, so this tells the two ways apart
    assert abs(0.6108 * math.exp(17.27 * 20 / 257.3) * 0.4 - sum(deficits) / 2) > 0.1


def table_of_single(journal, tmp_path):
    return exported(journal, tmp_path / "single")["climate"]


def test_an_interval_without_a_good_reading_has_empty_cells_and_never_a_zero(tmp_path):
    journal = with_readings(
        tmp_path,
        reading(at(0), air_temperature_c=None, air_quality=m.MISSING, moisture_quality=m.SUSPECT),
        reading(at(1_000), air_quality=m.SUSPECT, moisture_quality=m.SUSPECT),
    )
    (row,) = exported(journal, tmp_path, every_s=60)["climate"]

    derived = ("air_temperature_c", "vapour_pressure_deficit_kpa", "dew_point_c", "water_content_fraction")
    assert [row[name] for name in (*derived, "moisture_counts")] == [""] * 5
    assert (row["air_quality"], row["moisture_quality"], row["readings"]) == ("suspect", "suspect", "2")
    assert row["relative_humidity_pct"] == "60.000"


def test_an_interval_without_any_reading_still_has_its_row(tmp_path):
    journal = with_readings(tmp_path, reading(at(30_000)), reading(at(200_000)))
    rows = exported(journal, tmp_path, every_s=60)["climate"]

    assert [row["at_utc"][11:] for row in rows] == ["00:00:00Z", "00:01:00Z", "00:02:00Z", "00:03:00Z"]
    gap = {name: value for name, value in rows[1].items() if name not in ("at_utc", "at_local")}
    assert set(gap.values()) == {""}


@pytest.mark.parametrize(("monotonic_ms", "start"), [(599_999, "00:00:00Z"), (600_000, "00:10:00Z")])
def test_intervals_begin_at_whole_multiples_on_utc(tmp_path, monotonic_ms, start):
    journal = with_readings(tmp_path, reading(at(monotonic_ms)))
    (row,) = exported(journal, tmp_path, every_s=600)["climate"]

    assert row["at_utc"].endswith(start)


def test_lamp_values_are_means_of_all_readings(tmp_path):
    lit = [reading(at(n * 1_000), lamp_duty_fraction=0.6 if n else 0.0) for n in range(4)]
    (row,) = exported(with_readings(tmp_path, *lit), tmp_path, every_s=60)["climate"]

    assert (row["lamp_duty_fraction"], row["ppfd_umol_m2_s"]) == ("0.4500", "135.00")


@pytest.mark.parametrize("every_s", [None, 60, 600, 5_400])
def test_the_size_of_the_blocks_changes_nothing(tmp_path, monkeypatch, every_s):
    journal = new_journal(tmp_path)
    hydrate(journal)
    for n in range(400):
        moment = at(n * 613_000) if n % 7 else at(n * 613_000, utc_ms=5, trusted=False)
        quality = m.SUSPECT if n % 11 == 0 else m.GOOD
        journal.append(reading(moment, air_temperature_c=20 + math.sin(n), air_quality=quality))
    journal.append(m.LampRecord(at(DAY_MS), 0.5))
    journal.flush()
    whole = exported(journal, tmp_path / "whole", every_s=every_s)
    monkeypatch.setattr(series, "ROWS_PER_BLOCK", 7)

    assert exported(journal, tmp_path / "parts", every_s=every_s) == whole


# -- days ----


@pytest.mark.parametrize(
    ("duty", "light_h", "integral"), [(0.5, 16, "8.6400"), (0.6, 16, "10.3680"), (1.0, 24, "25.9200")]
)
def test_light_of_a_day_follows_its_definition(tmp_path, duty, light_h, integral):
    journal = new_journal(tmp_path)
    for monotonic_ms in range(0, 2 * DAY_MS, 10 * MINUTE_MS):
        lit = monotonic_ms % DAY_MS < light_h * HOUR_MS
        journal.append(reading(at(monotonic_ms), lamp_duty_fraction=duty if lit else 0.0))
    journal.flush()
    day, _ = exported(journal, tmp_path)["daily"]

    # PPFD x 3600 x h / 10^6 with 300 umol m-2 s-1 at full duty: definition, as in Torres and Lopez, Purdue HO-238-W
    assert (day["light_h"], day["daily_light_integral_mol_m2"]) == (f"{light_h}.0000", integral)


def test_light_between_two_readings_follows_the_lamps_own_records(tmp_path):
    journal = new_journal(tmp_path)
    fill(journal, 0, 2 * HOUR_MS)
    journal.append(m.LampRecord(at(4 * MINUTE_MS), 0.6))
    journal.append(m.LampRecord(at(9 * MINUTE_MS), 0.0))
    (day,) = exported(journal, tmp_path)["daily"]

    assert day["light_h"] == f"{5 / 60:.4f}"


def test_a_day_of_rising_and_falling_heat_has_the_degree_days_of_its_mean(tmp_path):
    journal = new_journal(tmp_path)
    for monotonic_ms in range(0, DAY_MS + 1, 10 * MINUTE_MS):
        share = abs(monotonic_ms / DAY_MS * 2 - 1)
        journal.append(reading(at(monotonic_ms), air_temperature_c=20 - 10 * share))
    journal.flush()
    day, _ = exported(journal, tmp_path)["daily"]

    # McMaster and Wilhelm 1997, Table 1: maximum 20, minimum 10, base 0 gives 15; so does this straight rise and fall
    assert day["degree_days"] == "15.0000"
    assert (day["air_temperature_min_c"], day["air_temperature_max_c"]) == ("10.000", "20.000")


def test_hours_outside_the_band_are_counted_at_its_edges(tmp_path):
    journal = new_journal(tmp_path)
    fill(journal, 0, HOUR_MS, air_temperature_c=18.0, relative_humidity_pct=85.0)  # the edges belong to the band
    fill(journal, HOUR_MS, 3 * HOUR_MS, air_temperature_c=17.99, relative_humidity_pct=85.01)
    fill(journal, 3 * HOUR_MS, 4 * HOUR_MS, air_temperature_c=26.01, relative_humidity_pct=44.99)
    fill(journal, 4 * HOUR_MS, 5 * HOUR_MS, air_temperature_c=30.0, air_quality=m.SUSPECT)
    (day,) = exported(journal, tmp_path)["daily"]

    assert day["air_temperature_outside_band_h"] == "3.0000"
    assert day["relative_humidity_outside_band_h"] == "3.0000"


def test_a_day_without_any_reading_has_its_row_with_empty_cells(tmp_path):
    journal = new_journal(tmp_path)
    fill(journal, 23 * HOUR_MS, DAY_MS)
    fill(journal, 2 * DAY_MS + HOUR_MS, 2 * DAY_MS + 2 * HOUR_MS)
    days = exported(journal, tmp_path)["daily"]

    assert [day["day_utc"] for day in days] == ["2026-03-02", "2026-03-03", "2026-03-04"]
    assert [day["gap_h"] for day in days] == ["0.0000", "24.0000", "1.0000"]
    empty = (
        "air_temperature_mean_c",
        "light_h",
        "degree_days",
        "daily_light_integral_mol_m2",
        "water_content_min_fraction",
    )
    assert [days[1][name] for name in empty] == [""] * len(empty)
    assert days[1]["readings"] == "0"


@pytest.mark.parametrize(("late_ms", "gap_h"), [(-1, "0.0000"), (0, "0.0000"), (1, "0.2500")])
def test_readings_two_and_a_half_intervals_apart_are_no_gap_yet(tmp_path, late_ms, gap_h):
    journal = with_readings(tmp_path, reading(at(0)), reading(at(25 * MINUTE_MS + late_ms)))
    (day,) = exported(journal, tmp_path)["daily"]

    assert day["gap_h"] == gap_h


def test_water_trips_and_alarms_count_for_their_day(tmp_path):
    journal = new_journal(tmp_path)
    fill(journal, 0, 2 * DAY_MS)
    dose(journal, 1, at(HOUR_MS))
    dose(journal, 2, at(2 * HOUR_MS))
    dose(journal, 3, at(DAY_MS - 1))  # ends on the next day
    journal.append(m.StepRecord(at(3 * HOUR_MS), "drain", True, "LK", drained_g=9.977))
    journal.append(m.TripRecord(at(DAY_MS), "leak_wet", m.ON_HOST, 0))
    journal.append(m.AlarmRecord(at(DAY_MS), "trip_leak_wet", True, "wet"))
    first, second = exported(journal, tmp_path)["daily"]

    assert (first["doses"], first["delivered_ml"], first["drained_ml"]) == ("2", "100.0000", "10.000")
    assert first["delivered_standard_uncertainty_ml"] == "0.8000"  # 20 000 steps x 0.00004 ml, shared: linear
    assert (second["doses"], second["trips"], second["alarms"]) == ("1", "1", "1")


# -- water and events ----


def test_the_water_table_runs_its_totals_from_the_beginning_whatever_the_window(tmp_path):
    journal = new_journal(tmp_path)
    hydrate(journal)
    dose(journal, 1, at(0), purpose=m.FIRST_WETTING)
    dose(journal, 2, at(HOUR_MS), steps=2_400, steps_min=0, end_reason="board_restarted")
    (row,) = exported(journal, tmp_path, from_utc=utc(HOUR_MS))["water"]

    assert (row["intended_ml"], row["delivered_ml"]) == ("12.0000", "6.0000")
    assert (row["delivered_min_ml"], row["delivered_max_ml"]) == ("0.0000", "12.0000")
    assert float(row["delivered_standard_uncertainty_ml"]) == pytest.approx(6 / 3**0.5, abs=2e-3)
    assert row["delivered_total_ml"] == "56.0000"
    assert row["words"] == (
        "The medium was drier than the plan wants: the board restarted during it, so the count was lost"
    )
    assert row["hours_since_hydration"] == "1.0000"


def test_a_drain_stands_in_the_account(tmp_path):
    journal = new_journal(tmp_path)
    dose(journal, 1, at(0))
    journal.append(m.StepRecord(at(HOUR_MS), "drain", True, "LK", drained_g=9.977))
    row = exported(journal, tmp_path)["water"][1]

    assert (row["entry"], row["dose_id"], row["drained_g"], row["drained_ml"]) == ("drain", "", "9.98", "10.000")
    assert (row["held_ml"], row["signed_by"]) == ("40.000", "LK")


def test_a_dose_that_is_not_settled_has_no_volume_yet(tmp_path):
    journal = new_journal(tmp_path)
    journal.append(m.DoseIntended(at(0), 1, m.FIXED_TIME, 12.0, 2_400, 200, 0.005, 0.00004, 0))
    (row,) = exported(journal, tmp_path)["water"]

    assert (row["intended_ml"], row["delivered_ml"], row["delivered_max_ml"]) == ("12.0000", "", "")
    assert row["words"].endswith("not settled yet.")


FREE_TEXTS = ["=1+1", "+49 1", "-9", "@sum", " =2", "\t=3"]


@pytest.mark.parametrize("text", FREE_TEXTS)
def test_what_people_write_never_becomes_a_formula(tmp_path, text):
    journal = new_journal(tmp_path)
    journal.append(m.ObservationRecord(at(0), 1, text, height_mm=3.0, note=text, picture=text))
    journal.append(m.StepRecord(at(1), "drain", True, text, drained_g=1.0, note=text))
    journal.append(m.Request(at(2), 1, text, text, subject=text, note=text))
    journal.append(m.RequestAnswered(at(3), 1, False, text))
    tables = exported(journal, tmp_path)

    cells = [cell for name in ("water", "events") for row in tables[name] for cell in row.values()]
    written = [cell for cell in cells if cell.lstrip("'") == text]
    assert len(written) == 10
    assert all(cell.startswith("'") for cell in written)


def test_numbers_below_zero_stay_numbers(tmp_path):
    (row,) = exported(with_readings(tmp_path, reading(at(0), air_temperature_c=-1.25)), tmp_path)["climate"]

    assert row["air_temperature_c"] == "-1.250"


def test_notes_with_commas_quotes_lines_and_accents_come_back_whole(tmp_path):
    journal = new_journal(tmp_path)
    note = 'pale, "thin"\nsecond line: Føroyar'
    journal.append(m.ObservationRecord(at(0), 2, "LK", emerged=True, leaves=2, growth_stage_bbch=9, note=note))
    (row,) = exported(journal, tmp_path)["events"]

    assert row["note"] == note
    assert (row["position"], row["emerged"], row["growth_stage_bbch"]) == ("2", "1", "9")
    assert row["words"] == "Position 2: emerged, 2 leaves, growth stage BBCH 09."


def test_events_stand_in_the_order_in_which_they_happened_whatever_the_clock_said(tmp_path):
    journal = new_journal(tmp_path)
    journal.append(m.BootRecord(at(0), "0.1.0"))
    journal.append(m.PhaseRecord(at(1_000), m.WETTING, 0))
    journal.append(m.ClockRecord(at(2_000, utc_ms=START_MS + 9_000_000, trusted=False), 8_998_000, 1_000))
    journal.append(m.Request(at(3_000), 1, m.CLEAR_TRIP, "LK", subject="leak_wet"))
    journal.append(m.RequestAnswered(at(3_000), 1, False, "There is no trip."))
    journal.append(m.BootRecord(at(0, utc_ms=5, trusted=False, boot_id=2), "0.1.0"))
    rows = exported(journal, tmp_path)["events"]

    assert [row["kind"] for row in rows] == ["boot", "phase", "clock", "request", "answer", "boot"]
    assert rows[2]["at_utc"] == "2026-03-02T00:00:02.000Z"
    assert rows[2]["words"] == "The wall clock moved forward by 8998 s. No network time stands behind it."
    assert rows[-1]["utc_trusted"] == "0"


def test_of_the_lamp_only_on_and_off_are_told(tmp_path):
    journal = new_journal(tmp_path)
    for n, duty in enumerate((0.0, 0.1, 0.5, 0.6, 0.3, 0.0)):
        journal.append(m.LampRecord(at(n * 1_000), duty))
    rows = exported(journal, tmp_path)["events"]

    assert [row["name"] for row in rows] == ["lamp_off", "lamp_on", "lamp_off"]


# -- windows, files, faults ----


@pytest.mark.parametrize(("offset_ms", "inside"), [(-1, False), (0, True), (1, True)])
def test_the_first_moment_wanted_belongs_to_the_export(tmp_path, offset_ms, inside):
    journal = with_readings(tmp_path, reading(at(HOUR_MS + offset_ms)))
    dose(journal, 1, at(HOUR_MS + offset_ms))
    journal.append(m.TripRecord(at(HOUR_MS + offset_ms), "leak_wet", m.ON_HOST, 0))
    tables = exported(journal, tmp_path, from_utc=utc(HOUR_MS))

    assert [len(tables[name]) for name in NAMES] == [int(inside)] * 4


@pytest.mark.parametrize(("offset_ms", "inside"), [(-1, True), (0, False), (1, False)])
def test_the_moment_to_stop_at_does_not_belong_to_the_export(tmp_path, offset_ms, inside):
    journal = with_readings(tmp_path, reading(at(HOUR_MS + offset_ms)))
    dose(journal, 1, at(HOUR_MS + offset_ms))
    journal.append(m.TripRecord(at(HOUR_MS + offset_ms), "leak_wet", m.ON_HOST, 0))
    tables = exported(journal, tmp_path, to_utc=utc(HOUR_MS))

    assert [len(tables[name]) for name in NAMES] == [int(inside)] * 4


def test_a_window_that_ends_inside_a_gap_shows_the_gap_to_its_end(tmp_path):
    journal = new_journal(tmp_path)
    fill(journal, 0, HOUR_MS)
    fill(journal, 5 * HOUR_MS, 6 * HOUR_MS)
    window = {"from_utc": utc(0), "to_utc": utc(3 * HOUR_MS)}
    tables = exported(journal, tmp_path, every_s=3600, **window)

    assert [row["readings"] for row in tables["climate"]] == ["6", "", ""]
    assert tables["daily"][0]["gap_h"] == "2.0000"


def test_a_window_wholly_inside_a_gap_is_all_gap(tmp_path):
    journal = new_journal(tmp_path)
    fill(journal, 0, HOUR_MS)
    fill(journal, 5 * HOUR_MS, 6 * HOUR_MS)
    tables = exported(journal, tmp_path, every_s=1800, from_utc=utc(2 * HOUR_MS), to_utc=utc(4 * HOUR_MS))

    assert [row["readings"] for row in tables["climate"]] == [""] * 4
    assert [(day["readings"], day["gap_h"]) for day in tables["daily"]] == [("0", "2.0000")]


def test_bounds_may_be_given_in_any_zone(tmp_path):
    journal = with_readings(tmp_path, *(reading(at(n * HOUR_MS)) for n in range(4)))
    there = utc(2 * HOUR_MS).astimezone(ZoneInfo("America/St_Johns"))

    assert len(exported(journal, tmp_path, from_utc=there)["climate"]) == 2


@pytest.mark.parametrize("every_s", [0.999, 86_400.001, 0, -600])
def test_an_interval_out_of_bounds_is_refused_in_a_sentence(tmp_path, every_s):
    with pytest.raises(SettingsError, match=r"averaging interval is .* must be from 1 to 86400 s"):
        export(new_journal(tmp_path), SETTINGS, tmp_path, every_s=every_s)


@pytest.mark.parametrize("every_s", [1, 86_400])
def test_the_shortest_and_the_longest_interval_are_allowed(tmp_path, every_s):
    journal = with_readings(tmp_path, reading(at(0)))

    assert len(exported(journal, tmp_path, every_s=every_s)["climate"]) == 1


@pytest.mark.parametrize("to_utc", [START_UTC, utc(-1)])
def test_an_export_that_ends_before_it_begins_is_refused(tmp_path, to_utc):
    with pytest.raises(SettingsError, match="must end later"):
        export(new_journal(tmp_path), SETTINGS, tmp_path, from_utc=START_UTC, to_utc=to_utc)


def test_a_bound_without_an_offset_is_refused(tmp_path):
    with pytest.raises(SettingsError, match="must say its offset"):
        export(new_journal(tmp_path), SETTINGS, tmp_path, from_utc=START_UTC.replace(tzinfo=None))


def test_a_folder_that_cannot_be_made_is_told_in_a_sentence(tmp_path):
    (tmp_path / "taken").write_text("a file")

    with pytest.raises(JournalError, match="the tables cannot be written"):
        export(new_journal(tmp_path), SETTINGS, tmp_path / "taken")


def test_each_table_lies_beside_a_sheet_that_names_every_column(tmp_path):
    journal = with_readings(tmp_path, reading(at(0)))
    paths = export(journal, SETTINGS, tmp_path / "out")

    assert [path.name for path in paths] == [f"{name}.{end}" for end in ("csv", "txt") for name in NAMES]
    for name in NAMES:
        header = (tmp_path / "out" / f"{name}.csv").read_text(encoding="utf-8-sig").splitlines()[0].split(",")
        sheet = (tmp_path / "out" / f"{name}.txt").read_text(encoding="utf-8")
        assert header == [column.name for column in getattr(columns, name.upper())]
        for column in header:
            assert f"  {column}: " in sheet
        assert "5c" * 32 in sheet
        assert "wardian 0.1.0" in sheet


def test_the_sheets_name_calibrations_with_their_dates_and_uncertainties(tmp_path):
    export(with_readings(tmp_path, reading(at(0))), SETTINGS, tmp_path)
    climate, water = (" ".join((tmp_path / f"{name}.txt").read_text().split()) for name in ("climate", "water"))

    assert "calibrated on 2026-02-17; standard uncertainty 0.02" in climate
    assert "0.005 ml a step, standard uncertainty 4e-05 ml (0.80 %), calibrated on 2026-02-16" in water


def test_only_tables_with_peoples_words_begin_with_a_byte_order_mark(tmp_path):
    export(with_readings(tmp_path, reading(at(0))), SETTINGS, tmp_path)
    marked = {name: (tmp_path / f"{name}.csv").read_bytes().startswith(b"\xef\xbb\xbf") for name in NAMES}

    assert marked == {"climate": False, "daily": False, "water": True, "events": True}
    for name in NAMES:
        lines = (tmp_path / f"{name}.csv").read_bytes().split(b"\n")
        assert all(line.endswith(b"\r") for line in lines[:-1])  # RFC 4180


def test_without_any_network_time_the_times_as_written_are_used_and_the_sheet_says_so(tmp_path):
    journal = with_readings(tmp_path, *(reading(at(n * MINUTE_MS, trusted=False)) for n in range(3)))
    tables = exported(journal, tmp_path, every_s=600)

    assert [(row["readings"], row["utc_trusted"]) for row in tables["climate"]] == [("3", "0")]
    assert "no network time stood behind the clock during the whole run" in " ".join(
        (tmp_path / "climate.txt").read_text().split()
    )


def test_readings_that_cannot_be_placed_are_left_out_of_means_and_the_sheet_counts_them(tmp_path):
    lost = [reading(at(n, utc_ms=1_000 + n, trusted=False, boot_id=2)) for n in range(5)]
    journal = with_readings(tmp_path, reading(at(0)), *lost)
    tables = exported(journal, tmp_path, every_s=600)

    assert [row["readings"] for row in tables["climate"]] == ["1"]
    assert [day["readings"] for day in tables["daily"]] == ["1"]
    assert " 5 readings belong to boots that never had network time" in " ".join(
        (tmp_path / "climate.txt").read_text().split()
    )


@pytest.mark.parametrize("every_s", [None, 600])
def test_with_a_decimal_comma_semicolons_part_the_cells_and_nothing_else_differs(tmp_path, every_s):
    journal = with_readings(tmp_path, *(reading(at(n * 10 * MINUTE_MS), air_temperature_c=-n / 7) for n in range(200)))
    hydrate(journal)
    dose(journal, 1, at(HOUR_MS))
    journal.append(m.ObservationRecord(at(DAY_MS), 1, "LK", height_mm=3.5, note="a, b; 1.5"))
    export(journal, SETTINGS, tmp_path / "point", every_s=every_s)
    export(journal, SETTINGS, tmp_path / "comma", every_s=every_s, signs=COMMA)

    for name, table_columns in zip(NAMES, (columns.CLIMATE, columns.DAILY, columns.WATER, columns.EVENTS), strict=True):
        point, comma = (
            list(csv.reader((tmp_path / kind / f"{name}.csv").read_text("utf-8").splitlines(), delimiter=sign))
            for kind, sign in (("point", ","), ("comma", ";"))
        )
        numbers = {place for place, column in enumerate(table_columns) if column.decimals is not None}
        back = [
            [c.replace(",", ".") if i in numbers and row else c for i, c in enumerate(r)] for row, r in enumerate(comma)
        ]
        assert back == point
        assert any("," in cell for row in comma[1:] for cell in row)
        assert "Semicolons stand between cells" in " ".join((tmp_path / "comma" / f"{name}.txt").read_text().split())
