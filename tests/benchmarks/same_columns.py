"""The climate table of ``wardian export`` asked of DuckDB and of the sqlite3 command line: the same sixteen columns.

Both engines derive the vapour pressure deficit from the same equation and the dew point by one Newton step on it from
Magnus' formula, which lies within 0.0002 C of ours, and write moments in UTC and on the clocks of the zone.
"""

import os
import subprocess

import duckdb

from controller.records.columns import CLIMATE
from tests.journals import SETTINGS, START_MS

ZONE = SETTINGS.chamber.site.time_zone
_PROBE = SETTINGS.chamber.moisture_probe
_SLOPE = (_PROBE.wet_fraction - _PROBE.dry_fraction) / (_PROBE.wet_count - _PROBE.dry_count)


def _log_pressure(k):
    """Logarithm of the saturation pressure over water in Pa at k kelvin: ASHRAE Fundamentals 2017, ch. 1, eq. 6."""
    return (
        f"(-5800.2206 / {k} + 1.3914993 - 0.048640239 * {k} + 4.1764768e-5 * {k} * {k} "
        f"- 1.4452093e-8 * {k} * {k} * {k} + 6.5459673 * ln({k}))"
    )


def _slope(k):
    return f"(5800.2206 / ({k} * {k}) - 0.048640239 + 8.3529536e-5 * {k} - 4.3356279e-8 * {k} * {k} + 6.5459673 / {k})"


def _select(source, utc, local, fixed):
    """The question: ``utc`` and ``local`` write ``ms``, and ``fixed`` a value with so many decimals."""
    numbers = (
        (f"(ms - {START_MS}) / 3600000.0", 4),
        ("t", 3),
        ("h", 3),
        ("exp(saturation) / 1000 * (1 - h / 100)", 4),
        (f"k - ({_log_pressure('k')} - saturation - ln(h / 100)) / {_slope('k')} - 273.15", 3),
        (f"{_PROBE.dry_fraction} + (moisture_counts - {_PROBE.dry_count}) * ({_SLOPE})", 5),
        ("1.0 * moisture_counts", 1),
        ("lamp_duty_fraction", 4),
        (f"lamp_duty_fraction * {SETTINGS.chamber.lamp.ppfd_at_full_duty_umol_m2_s}", 2),
    )
    written = [utc, local, *(fixed(value, decimals) for value, decimals in numbers)]
    written += ["air_quality", "humidity_quality", "moisture_quality", "1", "CAST(known AS INTEGER)"]
    named = ", ".join(f"{value} AS {column.name}" for value, column in zip(written, CLIMATE, strict=True))
    return (
        f"WITH wet AS (SELECT *, {_log_pressure('(t + 273.15)')} AS saturation, "
        f"ln(h / 100) + 17.625 * t / (243.04 + t) AS g FROM ({source})), "
        f"near AS (SELECT *, 273.15 + 243.04 * g / (17.625 - g) AS k FROM wet) SELECT {named} FROM near"
    )


def _readings(table, ms, known):
    values = "moisture_counts, lamp_duty_fraction, air_quality, humidity_quality, moisture_quality"
    named = f"{ms} AS ms, air_temperature_c AS t, relative_humidity_pct AS h, {known} AS known"
    return f"SELECT {named}, {values} FROM {table}"


def duckdb_same_columns(parcels, path):
    engine = duckdb.connect()
    engine.execute(f"SET TimeZone = '{ZONE}'; SET enable_progress_bar = false")
    question = _select(
        _readings(f"read_parquet('{parcels}/*/readings.parquet')", "utc_ms", "utc_known"),
        "strftime(make_timestamp_ms(ms), '%Y-%m-%dT%H:%M:%S.%gZ')",
        "strftime(to_timestamp(ms / 1000.0), '%Y-%m-%dT%H:%M:%S.%g%z') || ':00'",
        lambda value, decimals: f"format('{{:.{decimals}f}}', {value})",
    )
    engine.execute(f"COPY ({question}) TO '{path}' (HEADER)")
    return path.stat().st_size


def sqlite_same_columns(journal, path):
    moment = "ms / 1000.0, 'unixepoch'"
    offset = f"(strftime('%s', {moment}, 'localtime') - strftime('%s', {moment})) / 3600"
    question = _select(
        _readings("readings", "at_utc_ms", "utc_trusted"),
        f"strftime('%Y-%m-%dT%H:%M:%fZ', {moment})",
        f"strftime('%Y-%m-%dT%H:%M:%f', {moment}, 'localtime') || printf('%+03d:00', {offset})",
        lambda value, decimals: f"printf('%.{decimals}f', {value})",
    )
    with path.open("wb") as file:
        command = ["sqlite3", "-csv", "-header", str(journal), question]
        subprocess.run(command, stdout=file, check=True, env={**os.environ, "TZ": ZONE})
    return path.stat().st_size


def lines_that_differ(ours, theirs):
    """How many lines of one table are not those of another."""
    with ours.open() as first, theirs.open() as second:
        return sum(one != other for one, other in zip(first, second, strict=False))
