"""Plans and chambers drawn at random, of those that the judging of files takes, rehearsed for days without faults.

Whatever the plan: nothing breaks, the board refuses nothing, and no cap of plan or chamber is passed. Without a trip no
fixed time is missed, but those of the first day, while the first wetting rests. A moisture-led plan about whose water
the plan desk has no doubt trips nothing; how much a fixed one waters too much, only its bed can tell.
"""

import random
import tempfile
from datetime import time
from pathlib import Path
from typing import Any

from controller.control import model as m
from controller.desk.advice import FLOAT_LIFTS_AT_MM, advise
from controller.errors import SettingsError
from controller.plan import Settings
from controller.records.journal import Journal
from controller.rehearse import rehearse
from controller.settings import read_settings
from tests.campaigns.rows import Row
from tests.settings_files import CHAMBER_NAME, LEFT_OUT, PLAN_NAME, changed, example, toml_text

PLANS = 200
DAYS = 4
ZONES = ("UTC", "Europe/Berlin", "America/St_Johns", "Asia/Kathmandu", "Pacific/Apia", "Atlantic/Faroe")
MEDIA: tuple[dict[str, Any], ...] = (
    {"medium.texture": "sandy loam"},
    {"medium.texture": "loam"},
    {"medium.texture": LEFT_OUT, "medium.retention": {"theta_r": 0.1, "theta_s": 0.85, "alpha_per_cm": 0.05, "n": 1.5}},
)


def drawn(chance: random.Random, folder: Path) -> Settings:
    """The next pair of files that is taken; most are refused in a sentence."""
    while True:
        plan, chamber = changed(example(PLAN_NAME), _plan(chance)), changed(example(CHAMBER_NAME), _chamber(chance))
        (folder / PLAN_NAME).write_text(toml_text(plan), encoding="utf-8")
        (folder / CHAMBER_NAME).write_text(toml_text(chamber), encoding="utf-8")
        try:
            return read_settings(folder / PLAN_NAME, folder / CHAMBER_NAME)
        except SettingsError:
            continue


def _plan(chance: random.Random) -> dict[str, Any]:
    area_cm2, depth_cm = chance.choice((50, 220, 900, 3000)), chance.choice((2, 4.5, 10))
    total_ml = round(area_cm2 * depth_cm * chance.uniform(0.15, 0.35), 1)
    dose_ml = chance.choice((0.5, 1, 3, 12, 30, 60))
    changes = {
        "sample_every_s": chance.choice((30, 60, 120, 300, 600)),
        "medium.bed_area_cm2": area_cm2,
        "medium.bed_depth_cm": depth_cm,
        **chance.choice(MEDIA),
        "first_wetting.total_ml": total_ml,
        "first_wetting.aliquot_ml": round(total_ml / chance.choice((1, 2, 5, 8)), 2),
        "first_wetting.push_rate_max_ml_per_min": chance.choice((1, 5, 25, 60)),
        "first_wetting.pause_s": chance.choice((0, 10, 60, 600)),
        "watering.dose_ml": dose_ml,
        "watering.rest_h": chance.choice((0.1, 1, 3, 6)),
        "watering.daily_cap_ml": chance.choice((2, 3, 6)) * dose_ml,
        "watering.total_cap_ml": chance.choice((400, 900, 3000)),
        "photoperiod.light_h": chance.choice((8, 12, 16)),
        "photoperiod.ramp_min": chance.choice((0, 15, 60)),
    }
    if chance.random() < 0.5:
        minutes = sorted(chance.sample(range(24 * 60), chance.choice((1, 2, 4))))
        times = [time(minute // 60, minute % 60) for minute in minutes]
        fixed = {"times": times, "clock": chance.choice(("utc", "local"))}
        return changes | {"watering.moisture": LEFT_OUT, "watering.fallback": LEFT_OUT, "watering.fixed": fixed}
    low = round(chance.uniform(0.1, 0.3), 3)
    return changes | {
        "watering.moisture.low_fraction": low,
        "watering.moisture.high_fraction": round(low + chance.choice((0.005, 0.02, 0.06)), 3),
        "watering.fallback.dose_ml": min(dose_ml, 8),
    }


def _chamber(chance: random.Random) -> dict[str, Any]:
    ml_per_step = chance.choice((0.001, 0.002, 0.005, 0.01, 0.02))
    return {
        "site.time_zone": chance.choice(ZONES),
        "pump.ml_per_step": ml_per_step,
        "pump.ml_per_step_standard_uncertainty": ml_per_step * chance.choice((0.001, 0.01)),
        "pump.steps_per_s": chance.choice((20, 50, 100, 200, 400)),
        "limits.daily_max_ml": chance.choice((60, 150, 300)),
    }


def has_no_doubt(settings: Settings) -> bool:
    """Whether the plan desk finds nothing to look at in what the plan does with water.

    The desk takes water in as the texture does, the simulated bed at one pace for all: only portions that could not
    lift the float if they stood on the bed whole are without a doubt.
    """
    plan = settings.plan
    deepest_mm = max(plan.first_wetting.aliquot_ml, plan.watering.dose_ml) / plan.medium.bed_area_cm2 * 10.0
    topics = [each.well for each in advise(settings) if each.topic not in ("light", "emergence")]
    return all(topics) and deepest_mm < FLOAT_LIFTS_AT_MM


def faults_of(settings: Settings, folder: Path, seed: int, days: float = DAYS) -> list[str]:
    """What went otherwise than promised in a rehearsal."""
    done = rehearse(settings, folder, days=days, seed=seed)
    journal = Journal.open(done.journal_path)
    doses = {each.dose_id: each for each in journal.records(m.DoseIntended)}
    closed = [each for each in journal.records(m.DoseClosed) if each.steps_max]
    refused = [each.words for each in journal.records(m.EventRecord, "event = ?", ("board_refused",))]
    trips = {each.trip_reason for each in journal.records(m.TripRecord)}
    missed = sum(each.reason == "slot_missed" for each in journal.records(m.WateringAnswer))
    growing = next((each.run_ms for each in journal.records(m.PhaseRecord, "phase = ?", (m.GROWING,))), None)
    journal.close()
    law, limits = settings.plan.watering, settings.chamber.limits
    to_plants = [each for each in closed if doses[each.dose_id].purpose != m.FIRST_WETTING]
    found = [*refused]
    if growing is None:
        found.append("never came to growing")
    if sum(each.volume_max_ml for each in to_plants) > law.total_cap_ml + 1e-6:
        found.append("total cap passed")
    for what, most_ml, given in (("plan", law.daily_cap_ml, to_plants), ("chamber", limits.daily_max_ml, closed)):
        # the plan's day of a fixed time goes from start to start
        by_start = what == "plan" and law.fixed is not None
        ended = [(doses[each.dose_id].run_ms if by_start else each.run_ms, each.volume_max_ml) for each in given]
        if any(sum(ml for ms, ml in ended if last - m.MS_PER_DAY < ms <= last) > most_ml + 1e-6 for last, _ in ended):
            found.append(f"daily limit of the {what} passed")
    if law.fixed is not None and not trips and missed > len(law.fixed.times):
        found.append(f"{missed} fixed times missed")
    if law.fixed is None and has_no_doubt(settings):
        found += [f"tripped: {reason}" for reason in sorted(trips)]
    return found


def campaign(scale: float = 1.0) -> list[Row]:
    chance = random.Random(20261127)
    tried = max(1, round(PLANS * scale))
    without_doubt, worst = 0, ""
    survived = 0
    for number in range(tried):
        with tempfile.TemporaryDirectory() as scratch:
            settings = drawn(chance, Path(scratch))
            without_doubt += settings.plan.watering.fixed is None and has_no_doubt(settings)
            faults = faults_of(settings, Path(scratch) / "run", number)
        survived += not faults
        worst = worst or "; ".join(f"plan {number}: {each}" for each in faults)
    worst = worst or f"caps kept, nothing refused; {without_doubt} moisture-led ones without doubt tripped nothing"
    return [Row("plans drawn at random, without faults", tried, survived, worst)]
