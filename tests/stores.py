"""A store of many chambers, made fast: the same Parquet writer and layout, readings drawn by a seeded generator."""

import numpy as np
import pyarrow as pa

from controller.parcels.contents import CONTENTS
from controller.parcels.sealing import to_parquet
from tests.journals import DAY_MS, START_MS

READINGS = CONTENTS[0].schema


def day_of_readings(chance, day, every_ms):
    """One day of readings of one chamber; one in two hundred is missing, one in a hundred suspect."""
    moments = START_MS + day * DAY_MS + np.arange(0, DAY_MS, every_ms, dtype=np.int64)
    count = len(moments)
    missing = chance.random(count) < 0.005
    air = np.round(21 + 3 * np.sin(np.arange(count) / count * 2 * np.pi) + chance.normal(0, 0.05, count), 2)
    humidity = np.round(65 + chance.normal(0, 0.5, count), 1)
    quality = np.where(missing, "missing", np.where(chance.random(count) < 0.01, "suspect", "good"))
    values = {
        "row_id": np.arange(count) + 1 + day * count, "utc_ms": moments, "at_utc_ms": moments,
        "monotonic_ms": moments - START_MS, "run_ms": moments - START_MS, "boot_id": np.ones(count, np.int64),
        "utc_known": np.ones(count, bool), "utc_trusted": np.ones(count, bool),
        "air_temperature_c": pa.array(air, mask=missing), "relative_humidity_pct": pa.array(humidity, mask=missing),
        "air_quality": quality, "humidity_quality": quality, "moisture_quality": ["good"] * count,
        "lamp_duty_fraction": np.full(count, 0.6),
    }  # fmt: skip
    for name in ("moisture_counts", "leak_counts", "float_counts", "reservoir_counts"):
        values[name] = chance.integers(1700, 1720, count)
    return pa.table([pa.array(values[f.name], f.type) if not isinstance(values[f.name], pa.Array) else values[f.name]
                     for f in READINGS], schema=READINGS)  # fmt: skip


def make_store(folder, chambers, days, every_ms):
    """Write the store; answers how many readings it holds."""
    chance, count = np.random.default_rng(1), 0
    for chamber in range(chambers):
        for day in range(days):
            table = day_of_readings(chance, day, every_ms)
            date = np.datetime64("2026-03-02") + day
            place = folder / f"plan=5c5c5c5c5c5c5c5c/chamber=school-{chamber:03d}/run=r{chamber:03d}/day={date}"
            place.mkdir(parents=True)
            (place / "readings.parquet").write_bytes(to_parquet(table))
            count += table.num_rows
    return count
