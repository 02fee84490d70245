"""A small physics of one chamber: water in the medium, air, lamp heat and seeds. Choices, not measurements.

It gives a rehearsal something honest to control: true water is counted here, apart from everything the controller
believes. What the bed holds follows from the plan's medium; all constants are choices of this simulation (no source),
of the size that such a chamber shows.
"""

import random
from dataclasses import dataclass, field
from math import exp, pi, sin

from controller.bed import capacity_fraction, saturated_fraction
from controller.plan import Settings

WILTING_FRACTION = 0.06
START_FRACTION = 0.12
DRAINS_ABOVE = 0.794  # of what the bed can hold: water finds ways past dry crumbs, and drains before all are wet
SPREAD_S = 150.0  # time constant with which water on top reaches the probe
DRAIN_S = 400.0
FRESH_S = 3_600.0  # time constant with which a probe that has lost touch forgets a dose that ran past it
FLOAT_LIFTS_AT_MM = 6.0  # free water standing on the bed
AIR_S = 1_800.0
ROOM_C = 20.0
ROOM_SWING_C = 1.5
LAMP_HEAT_C = 4.5
ROOM_HUMIDITY_PCT = 48.0
DAY_S = 86_400.0
WARM_SEEDS_EVERY_S = 60.0
HEIGHT_MAX_MM = {"cress": 70.0, "radish": 95.0}
# (base temperature in C, degree-days to emergence, their spread): plausible sizes from memory, not data
THERMAL = {"cress": (1.0, 64.0, 7.0), "radish": (1.5, 75.0, 9.0)}
OTHER_THERMAL = (2.0, 80.0, 10.0)
VIABLE_SHARE = 0.94


@dataclass
class Seed:
    species: str
    base_c: float
    needs_degree_days: float
    degree_days: float = 0.0
    emerged_at_s: float | None = None


@dataclass
class Physics:
    """The true state of the simulated chamber. ``advance`` moves it; the rest is read."""

    settings: Settings
    seed: int
    chance: random.Random = field(init=False)
    time_s: float = 0.0
    air_temperature_c: float = ROOM_C
    relative_humidity_pct: float = ROOM_HUMIDITY_PCT
    lamp_duty_fraction: float = 0.0
    room_offset_c: float = 0.0
    on_top_ml: float = 0.0
    in_medium_ml: float = 0.0
    in_tray_ml: float = 0.0
    drained_away_ml: float = 0.0
    evaporated_ml: float = 0.0
    pumped_ml: float = 0.0
    lost_ml: float = 0.0  # pumped, but not into the bed
    reservoir_ml: float = 0.0
    fresh_ml: float = 0.0  # what lately came into the bed, as such a probe still sees it
    tube_off: bool = False
    leaking: bool = False
    float_stuck_up: bool = False
    true_ml_per_step: float = 0.0
    seeds: dict[int, Seed] = field(default_factory=dict)
    bed_ml: float = field(init=False)
    bed_area_cm2: float = field(init=False)
    drains_above_fraction: float = field(init=False)
    saturated_fraction: float = field(init=False)
    emerged: int = 0
    _unwarmed_s: float = 0.0

    def __post_init__(self) -> None:
        self.chance = random.Random(self.seed)
        chamber = self.settings.chamber
        self.bed_ml = self.settings.plan.medium.bed_volume_ml
        self.bed_area_cm2 = self.settings.plan.medium.bed_area_cm2
        self.drains_above_fraction = DRAINS_ABOVE * capacity_fraction(self.settings.plan.medium)
        self.saturated_fraction = saturated_fraction(self.settings.plan.medium)
        self.in_medium_ml = START_FRACTION * self.bed_ml
        self.reservoir_ml = chamber.limits.reservoir_ml
        spread = chamber.pump.ml_per_step_standard_uncertainty
        self.true_ml_per_step = chamber.pump.ml_per_step + self.chance.gauss(0.0, spread)
        for position in self.settings.plan.positions:
            base_c, mean, spread_dd = THERMAL.get(position.species, OTHER_THERMAL)
            viable = self.chance.random() < VIABLE_SHARE
            needs = max(20.0, self.chance.gauss(mean, spread_dd)) if viable else float("inf")
            self.seeds[position.number] = Seed(position.species, base_c, needs)

    @property
    def water_content_fraction(self) -> float:
        return self.in_medium_ml / self.bed_ml

    @property
    def float_up(self) -> bool:
        standing_mm = self.on_top_ml / self.settings.plan.medium.bed_area_cm2 * 10.0
        return self.float_stuck_up or standing_mm > FLOAT_LIFTS_AT_MM

    @property
    def reservoir_low(self) -> bool:
        return self.reservoir_ml <= 1.0

    def turn(self, steps: int) -> None:
        """The pump head turned: water leaves the reservoir and comes out of the tube, wherever that ends."""
        if not steps:
            return
        volume_ml = min(steps * self.true_ml_per_step, self.reservoir_ml)
        self.reservoir_ml -= volume_ml
        self.pumped_ml += volume_ml
        if self.tube_off:
            self.lost_ml += volume_ml
        else:
            self.on_top_ml += volume_ml
            self.fresh_ml += volume_ml

    def advance(self, seconds_s: float) -> None:
        """Let time pass: seconds to a minute at a time."""
        if seconds_s <= 0.0:
            return
        self.time_s += seconds_s
        self._move_water(seconds_s)
        if self.fresh_ml > 0.001:
            self.fresh_ml *= exp(-seconds_s / FRESH_S)
        lamp = self.lamp_duty_fraction
        room_c = ROOM_C + self.room_offset_c + ROOM_SWING_C * sin(2 * pi * self.time_s / DAY_S)
        share = min(1.0, seconds_s / AIR_S)
        self.air_temperature_c += share * (room_c + LAMP_HEAT_C * lamp - self.air_temperature_c)
        wet = min(1.0, self.water_content_fraction / self.drains_above_fraction)
        humidity_pct = ROOM_HUMIDITY_PCT + 30.0 * wet - 9.0 * lamp
        self.relative_humidity_pct += share * (humidity_pct - self.relative_humidity_pct)
        self._unwarmed_s += seconds_s
        if self._unwarmed_s >= WARM_SEEDS_EVERY_S:
            if self.water_content_fraction > WILTING_FRACTION + 0.03:
                self._warm_seeds(self._unwarmed_s / DAY_S)
            self._unwarmed_s = 0.0

    def _move_water(self, seconds_s: float) -> None:
        bed_ml = self.bed_ml
        if self.on_top_ml > 0.0:
            room_ml = max(0.0, self.saturated_fraction * bed_ml - self.in_medium_ml)
            sinking_ml = min(self.on_top_ml * min(1.0, seconds_s / SPREAD_S), room_ml)
            self.on_top_ml -= sinking_ml
            self.in_medium_ml += sinking_ml
        over_ml = self.in_medium_ml - self.drains_above_fraction * bed_ml
        if over_ml > 0.0:
            draining_ml = over_ml * min(1.0, seconds_s / DRAIN_S)
            self.in_medium_ml -= draining_ml
            self.in_tray_ml += draining_ml
        wetness = (self.in_medium_ml / bed_ml - WILTING_FRACTION) / self.drains_above_fraction
        if wetness <= 0.0:
            return
        dryness_of_air = 1.0 - self.relative_humidity_pct / 100.0
        canopy = self.emerged / len(self.seeds)
        demand_ml_per_h = (
            self.bed_area_cm2 * dryness_of_air * (0.008 + 0.012 * self.lamp_duty_fraction * (0.5 + canopy))
        )
        leaving_ml = demand_ml_per_h * wetness * seconds_s / 3_600.0
        self.in_medium_ml -= leaving_ml
        self.evaporated_ml += leaving_ml

    def _warm_seeds(self, days: float) -> None:
        for seed in self.seeds.values():
            if seed.emerged_at_s is None:
                seed.degree_days += max(0.0, self.air_temperature_c - seed.base_c) * days
                if seed.degree_days >= seed.needs_degree_days:
                    seed.emerged_at_s = self.time_s
                    self.emerged += 1

    def drain_tray_ml(self) -> float:
        """A person empties the tray; what was in it."""
        volume_ml, self.in_tray_ml = self.in_tray_ml, 0.0
        self.drained_away_ml += volume_ml
        return volume_ml

    def plant_at(self, position: int) -> tuple[bool, float, int]:
        """(emerged, height in mm, leaves) at a position now."""
        seed = self.seeds[position]
        if seed.emerged_at_s is None:
            return False, 0.0, 0
        age_days = (self.time_s - seed.emerged_at_s) / DAY_S
        height_mm = HEIGHT_MAX_MM.get(seed.species, 80.0) / (1.0 + exp(-(age_days - 8.0) / 2.5))
        return True, height_mm, min(8, int(age_days / 3.5))
