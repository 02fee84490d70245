"""Columns written at once have the very characters that writing each cell by itself gives."""

import math
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.control import model as m
from controller.records import lines, series
from controller.records.cells import Clock, number
from controller.records.export import export
from controller.science.air import dew_point_c, vapour_pressure_deficit_kpa
from controller.web.tables import Choice, csv_chunks, plain_chunks, rows_of
from tests.journals import DAY_MS, HOUR_MS, START_MS, at, hydrate, new_journal, reading, settings

HARD = [
    0.0, -0.0, 0.0005, -0.0005, 0.00049999999999999, 0.5, 1.5, 2.5, 0.125, 0.0625, 20.0625, 1.0005, 2.675, 1e-320,
    -1e-9, 9.9995, 99.9995, 999.99951, 0.99995, 1e5 - 1e-9, 1e8, 1e9, 123456789.123456, 1e15 + 0.3, 2.0**53, 1e22,
    1e300, -1e300, -7.25, -1234.5678, 4294967.2955, 4294967.296, 999999.9999999, math.inf, -math.inf, math.nan,
]  # fmt: skip


def cells(column):
    return lines.lines([column]).decode().split("\r\n")[:-1]


@pytest.mark.parametrize("decimals", range(6))
@pytest.mark.parametrize("mark", [".", ","])
def test_hard_numbers_are_written_as_python_writes_them(decimals, mark):
    written = cells(lines.numbers(np.array(HARD), decimals, mark))
    assert written == [number(value, decimals).replace(".", mark) for value in HARD]


@given(
    st.lists(st.floats(width=64) | st.integers(-(10**7), 10**7).map(lambda n: n / 2e4), min_size=1), st.integers(0, 5)
)
def test_any_numbers_are_written_as_python_writes_them(values, decimals):
    assert cells(lines.numbers(np.array(values), decimals)) == [number(value, decimals) for value in values]


@given(st.integers(-(10**9), 10**9), st.integers(0, 5), st.integers(-3, 3))
def test_the_middle_between_two_roundings_falls_as_python_lets_it_fall(count, decimals, ulps):
    middle = (count + 0.5) / 10**decimals
    for _ in range(abs(ulps)):
        middle = math.nextafter(middle, math.copysign(math.inf, ulps))
    assert cells(lines.numbers(np.array([middle]), decimals)) == [number(middle, decimals)]


@pytest.mark.parametrize("timespec", ["milliseconds", "seconds"])
@pytest.mark.parametrize("zone", ["UTC", "Atlantic/Faroe", "Asia/Kathmandu", "America/St_Johns", "Australia/Lord_Howe"])
def test_moments_are_written_as_the_clock_and_the_standard_library_write_them(zone, timespec):
    clock = Clock(zone, timespec)
    changes = (1_774_746_000_000, 1_792_890_000_000, 0, 951_782_400_000)  # summer time begins, ends; 1970; a leap day
    some_ms = np.array([start + step for start in changes for step in range(-7_200_000, 7_200_001, 311_003)])
    columns = lines.moments(some_ms, clock)
    for local, zone_of, write in ((False, UTC, clock.utc), (True, ZoneInfo(zone), clock.local)):
        written = cells(columns[local])
        assert written == [write(value) for value in some_ms.tolist()]
        plain = [datetime.fromtimestamp(0, UTC).timestamp() + value / 1000 for value in some_ms.tolist()]
        texts = [datetime.fromtimestamp(value, zone_of).isoformat(timespec=timespec) for value in plain]
        assert written == [text if local else text.replace("+00:00", "Z") for text in texts]


AWKWARD = (
    (at(-5), {"run_ms": None}),
    (at(0), {"air_temperature_c": -0.0004, "relative_humidity_pct": 100.0}),
    (at(10_000), {"air_temperature_c": 1e-7, "relative_humidity_pct": 0.0}),
    (at(20_000), {"air_temperature_c": -12.0625, "lamp_duty_fraction": 1 / 3}),
    (at(30_000), {"air_temperature_c": 1.0005e3, "air_quality": m.SUSPECT}),
    (at(40_000), {"air_temperature_c": None, "air_quality": m.MISSING}),
    (at(50_000), {"relative_humidity_pct": 2.5e22, "humidity_quality": m.SUSPECT, "moisture_counts": 0}),
    (at(60_000), {"moisture_counts": None, "moisture_quality": m.MISSING, "relative_humidity_pct": None,
                  "humidity_quality": m.MISSING}),
    (at(70_000, utc_ms=777, trusted=False), {}),
    (at(80_000, utc_ms=START_MS + 60_000), {"run_ms": None}),  # the clock was set back
    (at(0, utc_ms=999, trusted=False, boot_id=2), {"run_ms": 90_000}),
    (at(1_000, utc_ms=-1, trusted=False, boot_id=2), {"run_ms": None}),
    (at(27 * DAY_MS + HOUR_MS - 1, boot_id=3), {"moisture_counts": 65_535}),  # summer time begins in an hour
    (at(27 * DAY_MS + HOUR_MS, boot_id=3), {"moisture_quality": m.SUSPECT}),
)  # fmt: skip


def plain_row(row, placed_ms, trusted, hours, run, clock):
    """One reading as a line, cell by cell."""
    air_c, humidity_pct = row["air_temperature_c"], row["relative_humidity_pct"]
    good = row["air_quality"] == row["humidity_quality"] == m.GOOD
    counts = row["moisture_counts"]
    probe = run.chamber.moisture_probe
    slope = (probe.wet_fraction - probe.dry_fraction) / (probe.wet_count - probe.dry_count)
    content = None
    if counts is not None and row["moisture_quality"] == m.GOOD:
        content = probe.dry_fraction + (counts - probe.dry_count) * slope
    duty = row["lamp_duty_fraction"]
    calibrated = ""
    if row["moisture_quality"] == m.GOOD:
        low, high = probe.calibrated_counts
        calibrated = str(int(low <= counts <= high))
    return [
        clock.utc(placed_ms), clock.local(placed_ms), number(hours, 4), number(air_c, 3), number(humidity_pct, 3),
        number(float(vapour_pressure_deficit_kpa(air_c, humidity_pct)), 4) if good else "",
        number(float(dew_point_c(air_c, humidity_pct)), 3) if good and humidity_pct > 0 else "",
        number(content, 5), number(None if counts is None else float(counts), 1), number(duty, 4),
        number(duty * run.chamber.lamp.ppfd_at_full_duty_umol_m2_s, 2),
        row["air_quality"], row["humidity_quality"], row["moisture_quality"], calibrated, "1", str(int(trusted)),
    ]  # fmt: skip


@pytest.mark.parametrize("rows_per_block", [1, 5, 16_384])
def test_awkward_readings_give_the_bytes_that_cell_by_cell_gives(tmp_path, monkeypatch, rows_per_block):
    monkeypatch.setattr(series, "ROWS_PER_BLOCK", rows_per_block)
    run = settings()
    journal = new_journal(tmp_path)
    hydrate(journal)
    for moment, changes in AWKWARD:
        journal.append(reading(moment, **changes))
    journal.flush()
    export(journal, run, tmp_path)

    clock, expected = Clock("Atlantic/Faroe"), []
    for moment, changes in AWKWARD:
        placed_ms, trusted = moment.utc_ms, moment.utc_trusted
        if moment.utc_ms == 777:  # placed by the reading ten seconds before it
            placed_ms, trusted = START_MS + 70_000, True
        row = reading(moment, **changes)._asdict()
        hours = None if row["run_ms"] is None else row["run_ms"] / HOUR_MS
        if trusted and placed_ms >= START_MS:
            hours = (placed_ms - START_MS) / HOUR_MS
        expected.append(plain_row(row, placed_ms, trusted, hours, run, clock))
    header, *written = (tmp_path / "climate.csv").read_bytes().decode("ascii").split("\r\n")
    assert written[-1] == ""
    assert written[:-1] == [",".join(cells) for cells in expected]
    assert header.count(",") == 16


@pytest.mark.parametrize(("separator", "decimal"), [("comma", "point"), ("semicolon", "comma"), ("semicolon", "point")])
def test_a_download_has_the_bytes_that_cell_by_cell_gives(tmp_path, separator, decimal):
    run, zone = settings(), ZoneInfo("Atlantic/Faroe")
    journal = new_journal(tmp_path)
    hydrate(journal)
    for moment, changes in AWKWARD:
        journal.append(reading(moment, **changes))
    journal.flush()
    choice = Choice(step="every", separator=separator, decimal=decimal)

    assert choice.is_plain
    written = b"".join(plain_chunks(journal, run, choice, zone))
    assert written == b"".join(csv_chunks(lambda: rows_of(journal, run, choice, zone), choice))


def test_a_download_whose_cells_need_quotes_is_written_cell_by_cell():
    assert not Choice(step="every", separator="comma", decimal="comma").is_plain
    assert not Choice(step="10min").is_plain
    assert not Choice(table="events", step="every").is_plain
