"""A year in one chamber with every fault by its name at random times; the keeper mends what he is told of."""

import random
import tempfile
from dataclasses import replace
from pathlib import Path

from controller.chamber.faults import FAULTS, Fault
from controller.control import model as m
from controller.control.model.moments import MS_PER_DAY
from controller.records.journal import Journal
from controller.rehearse import rehearse
from tests import examples
from tests.campaigns.rows import Row

DAYS = 365
FAULTS_A_WEEK = 2
DAILY_CAP_ML = 60.0


def drawn_faults(days: float, seed: int) -> list[Fault]:
    """Every name in turn, the order and the times drawn by the seed."""
    chance = random.Random(seed)
    count = max(len(FAULTS), round(days / 7 * FAULTS_A_WEEK))
    names = [name for _ in range(count // len(FAULTS) + 1) for name in chance.sample(list(FAULTS), len(FAULTS))]
    times = sorted(chance.randrange(round(days * MS_PER_DAY)) for _ in range(count))
    return [Fault(name, at_ms) for name, at_ms in zip(names, times, strict=False)]


def never_cleared(journal: Journal, days: float) -> list[str]:
    """Trips that stood for more than two daily visits: then the year would prove nothing about water."""
    cleared = [(each.trip_reason, each.at.monotonic_ms) for each in journal.records(m.TripCleared)]
    found = []
    for trip in journal.records(m.TripRecord):
        until_ms = trip.at.monotonic_ms + 2 * MS_PER_DAY
        if until_ms < days * MS_PER_DAY and not any(
            reason == trip.trip_reason and trip.at.monotonic_ms <= at_ms <= until_ms for reason, at_ms in cleared
        ):
            found.append(f"{trip.trip_reason} at {trip.at.monotonic_ms / MS_PER_DAY:.1f} d stood for two days")
    return found


def year(days: float, seed: int) -> tuple[list[str], str]:
    """(what was found wrong, the figures in words)."""
    watering = replace(examples.PLAN.watering, daily_cap_ml=DAILY_CAP_ML, total_cap_ml=DAILY_CAP_ML * DAYS)
    settings = examples.settings(length_days=DAYS, sample_every_s=60.0, watering=watering)
    faults = drawn_faults(days, seed)
    with tempfile.TemporaryDirectory() as folder:
        done = rehearse(settings, Path(folder), days=days, seed=seed, faults=faults)
        journal = Journal.open(done.journal_path)
        intents = list(journal.records(m.DoseIntended))
        closed = list(journal.records(m.DoseClosed))
        trips = {f"trip_{trip.trip_reason}" for trip in journal.records(m.TripRecord)}
        standing = never_cleared(journal, days)
        alarms = {alarm.alarm for alarm in journal.records(m.AlarmRecord) if alarm.raised}
        untold = [alarm for alarm in journal.records(m.AlarmRecord) if not alarm.words.strip()]
        whole = journal.connection.execute("PRAGMA integrity_check").fetchone()[0]
        journal.close()
    found = [f"seed {seed}: a trip without an alarm: {sorted(trips - alarms)}"] if trips - alarms else []
    if untold:
        found.append(f"{len(untold)} alarms without words")
    if whole != "ok":
        found.append(f"the journal is not whole: {whole}")
    found += standing
    ids = [dose.dose_id for dose in intents]
    if len(ids) != len(set(ids)) or len(closed) != len({each.dose_id for each in closed}):
        found.append("a dose id twice")
    if len(set(ids) - {each.dose_id for each in closed}) > 1:  # the one in hand when the year ended may be open
        found.append("doses never closed")
    pump = settings.chamber.pump
    spread = 3 * pump.ml_per_step_standard_uncertainty
    low_ml = sum(each.steps_min for each in closed) * (pump.ml_per_step - spread)
    high_ml = sum(each.steps_max for each in closed) * (pump.ml_per_step + spread)
    open_ml = sum(d.volume_ml for d in intents) - sum(d.volume_ml for d in intents if d.dose_id in {
        each.dose_id for each in closed})  # fmt: skip
    # an empty reservoir gives air: then less water than steps
    dry = any(fault.name == "reservoir-empty" for fault in faults) or "trip_reservoir_empty" in trips
    if done.truth.pumped_ml > high_ml + open_ml or (not dry and done.truth.pumped_ml < low_ml):
        found.append(f"{done.truth.pumped_ml:.1f} ml pumped, the records say {low_ml:.1f}..{high_ml:.1f} ml")
    first = {dose.dose_id for dose in intents if dose.purpose == m.FIRST_WETTING}
    later = [each for each in closed if each.dose_id not in first]
    for number, each in enumerate(later):
        day_ml = sum(other.volume_max_ml for other in later[: number + 1] if other.run_ms > each.run_ms - MS_PER_DAY)
        if day_ml > DAILY_CAP_ML + 1e-6:
            found.append(f"{day_ml:g} ml in a day at {each.run_ms / MS_PER_DAY:.2f} d")
    words = f"{days:g} d, {len(faults)} faults, {len(closed)} doses, {len(trips)} kinds of trip, {done.wall_s:.0f} s"
    return found, words


def campaign(scale: float = 1.0) -> list[Row]:
    days = max(5.0, DAYS * scale)
    found, words = year(days, 365)
    tried = len(drawn_faults(days, 365))
    return [Row("random faults over a year", tried, 0 if found else tried, found[0] if found else words)]
