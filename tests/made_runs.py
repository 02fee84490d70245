"""Runs whose truth is known, made fast: the simulated chamber's physics at coarse steps, written into real journals.

A rehearsal runs the whole controller and takes many seconds; thousands of pairs need a tenth of a second each. Made
runs keep the physics, the plan's photoperiod, watering law and days of looking, and add what a bench has besides: a
room that drifts from day to day, sensors that are off, plants that are not all equally strong. The campaign checks
them against rehearsals.
"""

import random
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

from controller.chamber.box import MOISTURE_NOISE_COUNTS
from controller.chamber.physics import Physics
from controller.control import model as m
from controller.control.photoperiod import duty_fraction, light_anchor_utc_ms, utc_ms
from controller.plan import Settings
from controller.records.journal import Journal
from controller.settings import example_path, settings_from_text
from controller.twins.environment import AIR_TEMPERATURE_SE_C, RELATIVE_HUMIDITY_SE_PCT

START_MS = utc_ms(datetime(2026, 3, 2, 8, 5, tzinfo=UTC))
DAY_MS, HOUR_MS = 86_400_000, 3_600_000
STEP_S = 600
ROOM_DRIFT_C, ROOM_MEMORY = 0.3, 0.7  # of one day, and how much of it the next day keeps
STRENGTH_SD = 0.08
SITES = ("skerry-light", "northhaven")


@dataclass(frozen=True)
class Truth:
    """What is really the matter with a run; as it stands, nothing."""

    cooler_c: float = 0.0
    water_share: float = 1.0
    dark_days: tuple[int, int] | None = None  # from, up to but not including
    viable_share: float = 0.94
    slower: float = 1.0  # times the degree-days that every seed needs


@cache
def plan_text(fixed: bool = False, days: int = 21) -> str:
    """The shipped plan, read every ten minutes and without ramps; ``fixed`` waters at times of day."""
    text = example_path("skerry-light.plan.toml").read_text()
    changes = {"sample_every_s = 10 ": f"sample_every_s = {STEP_S} ", "ramp_min = 15 ": "ramp_min = 0 "}
    if days != 21:
        changes["length_days = 21 "] = f"length_days = {days} "
    for old, new in changes.items():
        assert old in text
        text = text.replace(old, new)
    if fixed:
        begin, end = text.index("[watering.moisture]"), text.index("[photoperiod]")
        text = text[:begin] + "[watering.fixed]\ntimes = [15:00:00]\n\n" + text[end:]
    return text


@cache
def settings_of(site: int, fixed: bool = False, days: int = 21) -> Settings:
    chamber = example_path(f"{SITES[site]}.chamber.toml").read_text()
    return settings_from_text(plan_text(fixed, days), chamber)


def make_run(
    folder: Path, settings: Settings, seed: int, truth: Truth | None = None, start_ms: int = START_MS
) -> Journal:
    """A whole run in a new journal in ``folder``, left open for reading."""
    journal = Journal.create(folder / "journal.sqlite", f"made-{seed}", settings, "0.1.0", simulated=True)
    journal.readings_per_batch = 10**9
    journal.connection.execute("PRAGMA synchronous = OFF")
    _Made(journal, settings, seed, truth or Truth(), start_ms).run()
    journal.flush()
    return journal


class _Made:
    def __init__(self, journal: Journal, settings: Settings, seed: int, truth: Truth, start_ms: int) -> None:
        self.journal, self.settings, self.truth, self.start_ms = journal, settings, truth, start_ms
        self.physics = Physics(settings, seed)
        self.chance = random.Random(seed * 7919 + 1)
        self.air_off_c = self.chance.gauss(0.0, AIR_TEMPERATURE_SE_C)
        self.humidity_off_pct = self.chance.gauss(0.0, RELATIVE_HUMIDITY_SE_PCT)
        probe = settings.chamber.moisture_probe
        self.moisture_off = self.chance.gauss(0.0, probe.standard_uncertainty_fraction)
        self.strength = {p.number: self.chance.gauss(1.0, STRENGTH_SD) for p in settings.plan.positions}
        self.anchor_ms = light_anchor_utc_ms(settings.plan.photoperiod, start_ms, settings.chamber.site.time_zone)
        self.monotonic_ms = 0
        self.duty = -1.0
        self.drift_c = 0.0
        self.dose_id = 0
        self.thirsty = False
        self.last_dose_ms = -DAY_MS
        for seed_here in self.physics.seeds.values():
            if self.chance.random() > truth.viable_share / 0.94:
                seed_here.needs_degree_days = float("inf")
            seed_here.needs_degree_days *= truth.slower

    def at(self) -> m.Moment:
        return m.Moment(self.start_ms + self.monotonic_ms, self.monotonic_ms, 1, True)

    def run(self) -> None:
        journal, plan = self.journal, self.settings.plan
        journal.append(m.BootRecord(self.at(), "0.1.0"))
        self._light()
        self._read()
        journal.append(m.PhaseRecord(self.at(), m.WETTING, 0))
        self._wet()
        journal.append(m.PhaseRecord(self.at(), m.GROWING, self.monotonic_ms))
        end_ms = round(plan.length_days * DAY_MS)
        looked = set()
        while self.monotonic_ms < end_ms:
            self._read()
            self._water()
            day, into_ms = divmod(self.start_ms + self.monotonic_ms, DAY_MS)
            number = day - self.start_ms // DAY_MS
            if number in plan.observation.days and number not in looked and into_ms >= 7 * HOUR_MS:
                looked.add(number)
                self._look()
            self._pass(STEP_S)
        self._read()
        journal.append(m.PhaseRecord(self.at(), m.ENDED, self.monotonic_ms))

    def _pass(self, seconds: int) -> None:
        if self.monotonic_ms % DAY_MS < seconds * 1000:
            fresh = ROOM_DRIFT_C * (1.0 - ROOM_MEMORY**2) ** 0.5
            self.drift_c = ROOM_MEMORY * self.drift_c + self.chance.gauss(0.0, fresh)
        self.physics.room_offset_c = self.drift_c - self.truth.cooler_c
        self._light()
        self.physics.advance(float(seconds))
        self.monotonic_ms += seconds * 1000

    def _light(self) -> None:
        dark, run_day = self.truth.dark_days, self.monotonic_ms // DAY_MS
        period, full = self.settings.plan.photoperiod, self.settings.lamp_duty_fraction
        duty = duty_fraction(period, full, self.start_ms + self.monotonic_ms, self.anchor_ms)
        if dark is not None and dark[0] <= run_day < dark[1]:
            duty = 0.0
        if duty != self.duty:
            self.duty = self.physics.lamp_duty_fraction = duty
            self.journal.append(m.LampRecord(self.at(), duty))

    def _read(self) -> None:
        physics, probe = self.physics, self.settings.chamber.moisture_probe
        content = physics.water_content_fraction + self.moisture_off
        share = (content - probe.dry_fraction) / (probe.wet_fraction - probe.dry_fraction)
        counts = probe.dry_count + share * (probe.wet_count - probe.dry_count)
        self.counts = round(counts + self.chance.gauss(0.0, MOISTURE_NOISE_COUNTS))
        humidity_pct = physics.relative_humidity_pct + self.humidity_off_pct + self.chance.gauss(0.0, 0.1)
        self.journal.append(
            m.ReadingRecord(
                self.at(),
                round(physics.air_temperature_c + self.air_off_c + self.chance.gauss(0.0, 0.04), 2),
                round(min(99.9, humidity_pct), 2),
                self.counts,
                2000,
                2000,
                1000,
                max(0.0, self.duty),
                m.GOOD,
                m.GOOD,
                m.GOOD,
                self.monotonic_ms,
            )
        )

    def _wet(self) -> None:
        left_ml = self.settings.plan.first_wetting.total_ml
        while left_ml > 0.0:
            volume_ml = min(left_ml, self.settings.plan.first_wetting.aliquot_ml)
            self._dose(volume_ml, m.FIRST_WETTING)
            self._pass(60)
            left_ml -= volume_ml
        for _ in range(12):
            self._pass(60)
        drained_g = round(self.physics.drain_tray_ml() * 0.998, 1)
        self.journal.append(m.StepRecord(self.at(), "drain-and-weigh", True, "LK", drained_g=drained_g))

    def _water(self) -> None:
        watering, run_ms = self.settings.plan.watering, self.monotonic_ms
        if run_ms - self.last_dose_ms < watering.rest_h * HOUR_MS:
            return
        if watering.fixed is not None:
            into_ms = (self.start_ms + run_ms) % DAY_MS
            if 0 <= into_ms - 15 * HOUR_MS < STEP_S * 1000:
                self._dose(watering.dose_ml, m.FIXED_TIME)
            return
        law = watering.moisture
        assert law is not None
        content = self.settings.chamber.moisture_probe.water_content_fraction(self.counts)
        self.thirsty = content < law.low_fraction or (self.thirsty and content < law.high_fraction)
        if self.thirsty:
            self._dose(watering.dose_ml, m.MOISTURE_LED)

    def _dose(self, volume_ml: float, purpose: str) -> None:
        pump = self.settings.chamber.pump
        self.dose_id += 1
        asked = self.settings.steps_for(volume_ml)
        steps = round(asked * self.truth.water_share)
        run_ms = self.monotonic_ms
        per_step, u = pump.ml_per_step, pump.ml_per_step_standard_uncertainty
        intended = (self.dose_id, purpose, volume_ml, asked, pump.steps_per_s, per_step, u, run_ms)
        self.journal.append(m.DoseIntended(self.at(), *intended))
        self.physics.turn(steps)
        end = "complete" if steps == asked else "stopped"
        given_ml = steps * per_step
        closed = (self.dose_id, steps, steps, end, given_ml, steps * u, given_ml, run_ms)
        self.journal.append(m.DoseClosed(self.at(), *closed))
        self.last_dose_ms = run_ms

    def _look(self) -> None:
        for position in self.settings.plan.positions:
            emerged, height_mm, leaves = self.physics.plant_at(position.number)
            height_mm = round(height_mm * self.strength[position.number] * self.chance.gauss(1.0, 0.02))
            stage = None if not emerged else (9 if leaves == 0 and height_mm < 10 else 10 + leaves)
            self.journal.append(
                m.ObservationRecord(
                    self.at(),
                    position.number,
                    "LK",
                    emerged,
                    float(height_mm) if emerged else None,
                    leaves if emerged else None,
                    stage,
                )
            )
