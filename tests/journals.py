"""Small journals made by hand, for tests of what is read from them: the Skerry Light twin on its bench."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from controller import plan as p
from controller.control import model as m
from controller.records.journal import Journal
from tests import examples

START_UTC = datetime(2026, 3, 2, 0, 0, tzinfo=UTC)
START_MS = 1_772_409_600_000  # the same moment
MINUTE_MS, HOUR_MS, DAY_MS = 60_000, 3_600_000, 86_400_000

SETTINGS = replace(
    examples.SETTINGS,
    plan=replace(
        examples.PLAN,
        name="Cress on the skerry",
        positions=[p.Position(number=n, species="cress" if n < 3 else "radish") for n in (1, 2, 3)],
        watering=replace(examples.PLAN.watering, fallback=None),
        photoperiod=replace(examples.PLAN.photoperiod, ramp_min=0),
        steps=[p.HandsOnStep(name="drain", title="Drain and weigh", due="after_soak", asks_drained_mass=True)],
        observation=p.Observation(days=[1, 2, 3]),
        sample_every_s=600,
    ),
    plan_sha256="5c" * 32,
)


def settings(*, time_zone: str = "Atlantic/Faroe", **plan: Any) -> p.Settings:
    """The example in another time zone, or with parts of its plan changed."""
    site = replace(SETTINGS.chamber.site, time_zone=time_zone)
    return replace(SETTINGS, plan=replace(SETTINGS.plan, **plan), chamber=replace(SETTINGS.chamber, site=site))


def new_journal(folder: Path, run: p.Settings = SETTINGS, run_id: str = "20260302T0000Z-skerry") -> Journal:
    journal = Journal.create(folder / "journal.sqlite", run_id, run, "0.1.0", simulated=True)
    journal.readings_per_batch = 100_000
    journal.connection.execute("PRAGMA synchronous = OFF")  # nothing here can be lost to a power cut
    return journal


def at(monotonic_ms: int = 0, *, utc_ms: int | None = None, trusted: bool = True, boot_id: int = 1) -> m.Moment:
    """A moment so long after START_UTC; by default the wall clock runs with the monotonic one."""
    return m.Moment(START_MS + monotonic_ms if utc_ms is None else utc_ms, monotonic_ms, boot_id, trusted)


def reading(moment: m.Moment, **changes: Any) -> m.ReadingRecord:
    """A good reading at 20 C, 60 %, 0.30 water content, lamp dark."""
    whole: dict[str, Any] = {
        "air_temperature_c": 20.0,
        "relative_humidity_pct": 60.0,
        "moisture_counts": 1740,
        "leak_counts": 2000,
        "float_counts": 2000,
        "reservoir_counts": 1000,
        "lamp_duty_fraction": 0.0,
        "air_quality": m.GOOD,
        "humidity_quality": m.GOOD,
        "moisture_quality": m.GOOD,
        "run_ms": moment.monotonic_ms,
    }
    return m.ReadingRecord(at=moment, **(whole | changes))


def fill(journal: Journal, from_ms: int, to_ms: int, every_ms: int = 10 * MINUTE_MS, **changes: Any) -> None:
    """Equal readings from ``from_ms`` on, before ``to_ms``, after START_UTC."""
    for monotonic_ms in range(from_ms, to_ms, every_ms):
        journal.append(reading(at(monotonic_ms), **changes))
    journal.flush()


def hydrate(journal: Journal, monotonic_ms: int = 0) -> None:
    """The first water, and growing a moment later."""
    journal.append(m.PhaseRecord(at(monotonic_ms), m.WETTING, 0))
    journal.append(m.PhaseRecord(at(monotonic_ms + 1), m.GROWING, 1))


def dose(
    journal: Journal,
    dose_id: int,
    moment: m.Moment,
    steps: int = 10_000,
    steps_min: int | None = None,
    purpose: str = m.MOISTURE_LED,
    end_reason: str = "complete",
) -> None:
    """A dose of the example pump, intended and closed; with ``steps_min`` its count was lost in part."""
    least = steps if steps_min is None else steps_min
    middle, half_ml = (least + steps) / 2, (steps - least) / 2 * 0.005
    uncertainty_ml = ((middle * 0.00004) ** 2 + half_ml**2 / 3) ** 0.5
    journal.append(m.DoseIntended(moment, dose_id, purpose, steps * 0.005, steps, 200, 0.005, 0.00004, 0))
    later = moment._replace(utc_ms=moment.utc_ms + MINUTE_MS, monotonic_ms=moment.monotonic_ms + MINUTE_MS)
    journal.append(
        m.DoseClosed(later, dose_id, least, steps, end_reason, middle * 0.005, uncertainty_ml, steps * 0.005, 0)
    )


def utc(monotonic_ms: int) -> datetime:
    """The moment so long after START_UTC."""
    return START_UTC + timedelta(milliseconds=monotonic_ms)
