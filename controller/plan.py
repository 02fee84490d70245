"""What a plan and a chamber file hold, as frozen objects. Bounds stand beside the fields they bound.

Reading and judging the files is the business of ``settings.py``; this file only says what may be in them,
so that the law of the host can name these types without touching a file.
"""

from dataclasses import dataclass
from datetime import date, datetime, time
from functools import cached_property
from typing import Annotated, Literal, NamedTuple

from annotated_types import Ge, Gt, Le, MinLen

Fraction = Annotated[float, Ge(0.0), Le(1.0)]
Name = Annotated[str, MinLen(1)]
DAYS_OF_A_WEEK = 7
_FORBID = {"extra": "forbid", "strict": True}


@dataclass(frozen=True, kw_only=True)
class Position:
    """One sowing place. ``lot`` names the seed lot it is sown from, where lots are kept."""

    __pydantic_config__ = _FORBID
    number: Annotated[int, Ge(1), Le(200)]
    species: Name
    lot: str | None = None


@dataclass(frozen=True, kw_only=True)
class Retention:
    """Measured water retention of the medium (van Genuchten 1980)."""

    __pydantic_config__ = _FORBID
    theta_r: Fraction
    theta_s: Fraction
    alpha_per_cm: Annotated[float, Gt(0.0), Le(1.0)]
    n: Annotated[float, Gt(1.0), Le(12.0)]


@dataclass(frozen=True, kw_only=True)
class Medium:
    """The growing medium and the bed that holds it: a texture by name, or its measured retention."""

    __pydantic_config__ = _FORBID
    bed_area_cm2: Annotated[float, Ge(10.0), Le(20_000.0)]
    bed_depth_cm: Annotated[float, Ge(0.5), Le(60.0)]
    texture: str | None = None
    retention: Retention | None = None

    @property
    def bed_volume_ml(self) -> float:
        return self.bed_area_cm2 * self.bed_depth_cm


@dataclass(frozen=True, kw_only=True)
class FirstWetting:
    """The measured water that starts a run: aliquots, each pushed slowly, soaked, then drained."""

    __pydantic_config__ = _FORBID
    total_ml: Annotated[float, Gt(0.0), Le(5_000.0)]
    aliquot_ml: Annotated[float, Gt(0.0), Le(500.0)]
    push_rate_max_ml_per_min: Annotated[float, Gt(0.0), Le(500.0)]
    pause_s: Annotated[float, Ge(0.0), Le(86_400.0)] = 60.0
    soak_s: Annotated[float, Ge(0.0), Le(86_400.0)] = 60.0
    drain: bool = True


@dataclass(frozen=True, kw_only=True)
class MoistureLed:
    """Water when the medium falls below ``low_fraction`` until it is back above ``high_fraction``."""

    __pydantic_config__ = _FORBID
    low_fraction: Fraction
    high_fraction: Fraction


@dataclass(frozen=True, kw_only=True)
class FixedTimes:
    """Water at times of day. The clock only places the first one; the rest follow on elapsed time."""

    __pydantic_config__ = _FORBID
    times: Annotated[list[time], MinLen(1)]
    clock: Literal["utc", "local"] = "utc"


@dataclass(frozen=True, kw_only=True)
class Fallback:
    """What a plan allows while the moisture reading is not trusted. Without it there is no water then.

    With ``without_effect`` the same small doses also go on, while the alarm stands, when two doses did not make the
    medium wetter; without it there is no water then until a person has cleared the trip.
    """

    __pydantic_config__ = _FORBID
    dose_ml: Annotated[float, Gt(0.0), Le(500.0)]
    every_h: Annotated[float, Ge(1.0), Le(720.0)]
    untrusted_for_h: Annotated[float, Ge(0.0), Le(720.0)] = 6.0
    without_effect: bool = False


@dataclass(frozen=True, kw_only=True)
class Watering:
    """The dose law's settings after the first wetting; exactly one of ``moisture`` and ``fixed``."""

    __pydantic_config__ = _FORBID
    dose_ml: Annotated[float, Gt(0.0), Le(500.0)]
    rest_h: Annotated[float, Ge(0.05), Le(720.0)]
    daily_cap_ml: Annotated[float, Gt(0.0), Le(5_000.0)]
    total_cap_ml: Annotated[float, Gt(0.0), Le(100_000.0)]
    moisture: MoistureLed | None = None
    fixed: FixedTimes | None = None
    fallback: Fallback | None = None
    missing_after_h: Annotated[float, Ge(1.0), Le(720.0)] = 12.0  # water wanted and not given for so long is an alarm
    weekly_cap_ml: Annotated[float, Gt(0.0), Le(35_000.0)] | None = None
    aged_pump: Literal["warn", "stop"] = "warn"  # a tube past its hours, or a factor that moved past its bound

    @property
    def most_in_a_week_ml(self) -> float:
        """What may be given in any seven days; a plan without a weekly cap allows seven of its days."""
        return DAYS_OF_A_WEEK * self.daily_cap_ml if self.weekly_cap_ml is None else self.weekly_cap_ml


@dataclass(frozen=True, kw_only=True)
class Photoperiod:
    """Light for ``light_h`` of each ``cycle_h``, counted from ``start``.

    ``start`` is a moment with offset (absolute), a moment without offset (local time of the chamber) or a time
    of day in ``clock``; a time of day means its last occurrence at or before hydration.
    """

    __pydantic_config__ = _FORBID
    light_h: Annotated[float, Ge(0.0), Le(240.0)]
    start: datetime | time
    cycle_h: Annotated[float, Gt(0.0), Le(240.0)] = 24.0
    clock: Literal["utc", "local"] = "utc"
    ramp_min: Annotated[float, Ge(0.0), Le(720.0)] = 0.0
    ppfd_umol_m2_s: Annotated[float, Ge(0.0), Le(2_500.0)] | None = None
    duty_fraction: Fraction | None = None


@dataclass(frozen=True, kw_only=True)
class Climate:
    """The band the chamber should keep, the wider limits that raise an alarm, and the heat that ends light."""

    __pydantic_config__ = _FORBID
    air_temperature_low_c: Annotated[float, Ge(-10.0), Le(60.0)]
    air_temperature_high_c: Annotated[float, Ge(-10.0), Le(60.0)]
    air_temperature_alarm_low_c: Annotated[float, Ge(-20.0), Le(60.0)]
    air_temperature_alarm_high_c: Annotated[float, Ge(-10.0), Le(60.0)]
    relative_humidity_low_pct: Annotated[float, Ge(0.0), Le(100.0)]
    relative_humidity_high_pct: Annotated[float, Ge(0.0), Le(100.0)]
    relative_humidity_alarm_low_pct: Annotated[float, Ge(0.0), Le(100.0)] = 0.0
    relative_humidity_alarm_high_pct: Annotated[float, Ge(0.0), Le(100.0)] = 100.0
    lamp_off_above_c: Annotated[float, Ge(20.0), Le(60.0)] = 38.0
    degree_day_base_c: Annotated[float, Ge(-10.0), Le(40.0)] = 0.0


StepDue = Literal["before_wetting", "after_soak", "after_drain", "on_day"]


@dataclass(frozen=True, kw_only=True)
class HandsOnStep:
    """One thing a person does. A gate holds the water back until the step is signed."""

    __pydantic_config__ = _FORBID
    name: Annotated[str, MinLen(1)]
    title: Name
    due: StepDue
    how: str = ""
    day: Annotated[int, Ge(0), Le(400)] | None = None
    at_utc: time | None = None
    gate: bool = False
    asks_drained_mass: bool = False


@dataclass(frozen=True, kw_only=True)
class Observation:
    """The days, counted from hydration, on which every position is looked at, and the time of day."""

    __pydantic_config__ = _FORBID
    days: list[Annotated[int, Ge(0), Le(400)]]
    at_utc: time = time(10, 0)


@dataclass(frozen=True, kw_only=True)
class Margins:
    """How far twins may differ and still count as alike; shares are of the mean of the two."""

    __pydantic_config__ = _FORBID
    air_temperature_c: Annotated[float, Gt(0.0), Le(20.0)] = 1.0
    relative_humidity_pct: Annotated[float, Gt(0.0), Le(50.0)] = 6.0
    vapour_pressure_deficit_kpa: Annotated[float, Gt(0.0), Le(3.0)] = 0.2
    water_content_fraction: Annotated[float, Gt(0.0), Le(0.5)] = 0.05
    light_h: Annotated[float, Gt(0.0), Le(24.0)] = 0.25
    daily_light_integral_fraction: Annotated[float, Gt(0.0), Le(1.0)] = 0.05
    water_fraction: Annotated[float, Gt(0.0), Le(1.0)] = 0.08


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What every twin runs. ``sha256`` is the digest of the file's bytes and goes into every record set."""

    __pydantic_config__ = _FORBID
    name: Name
    length_days: Annotated[float, Gt(0.0), Le(400.0)]
    positions: Annotated[list[Position], MinLen(1)]
    medium: Medium
    first_wetting: FirstWetting
    watering: Watering
    photoperiod: Photoperiod
    climate: Climate
    steps: list[HandsOnStep]
    observation: Observation
    sample_every_s: Annotated[float, Ge(1.0), Le(3_600.0)] = 10.0
    margins: Margins | None = None


@dataclass(frozen=True, kw_only=True)
class Site:
    __pydantic_config__ = _FORBID
    name: Name
    place: Name
    time_zone: Name


@dataclass(frozen=True, kw_only=True)
class BoardLine:
    __pydantic_config__ = _FORBID
    serial_port: Name
    baud: Annotated[int, Ge(1_200), Le(4_000_000)] = 115_200


@dataclass(frozen=True, kw_only=True)
class AirSensor:
    """Where the humidity and temperature sensor sits on the I2C bus, and offsets from its last check."""

    __pydantic_config__ = _FORBID
    i2c_bus: Annotated[int, Ge(0), Le(20)] = 1
    i2c_address: Annotated[int, Ge(0x44), Le(0x45)] = 0x44


Pin = Annotated[int, Ge(0), Le(27)]


@dataclass(frozen=True, kw_only=True)
class Pins:
    """Pin numbers of the single-board computer (general-purpose numbering, not header positions)."""

    __pydantic_config__ = _FORBID
    lamp: Pin
    leak: Pin
    overfill_float: Pin
    status_lamp: Pin
    acknowledge_button: Pin


ML_PER_STEP_MIN = 1e-6  # a nanolitre: no step of a pump gives less, and volumes in steps stay whole numbers


@dataclass(frozen=True, kw_only=True)
class Pump:
    """The pump calibration in use: volume = steps x ``ml_per_step``."""

    __pydantic_config__ = _FORBID
    ml_per_step: Annotated[float, Ge(ML_PER_STEP_MIN), Le(1.0)]
    ml_per_step_standard_uncertainty: Annotated[float, Ge(0.0), Le(0.5)]
    steps_per_s: Annotated[int, Ge(1), Le(20_000)]
    calibrated_on: date
    tubing_lot: str = ""
    tube_life_h: Annotated[float, Ge(0.1), Le(100_000.0)] = 100.0  # an assumption; the tube's maker knows better
    calibration_id: str = ""


@dataclass(frozen=True, kw_only=True)
class MoistureProbe:
    """Two-point line from raw count to volumetric water content, for this medium."""

    __pydantic_config__ = _FORBID
    dry_count: Annotated[int, Ge(0), Le(65_535)]
    dry_fraction: Fraction
    wet_count: Annotated[int, Ge(0), Le(65_535)]
    wet_fraction: Fraction
    standard_uncertainty_fraction: Fraction = 0.02
    calibrated_on: date
    calibration_id: str = ""

    @property
    def calibrated_counts(self) -> tuple[int, int]:
        """The lowest and the highest count between which the line was measured."""
        return min(self.dry_count, self.wet_count), max(self.dry_count, self.wet_count)

    def water_content_fraction(self, count: float) -> float:
        """Volumetric water content on the calibration line, outside its ends too (the caller marks those)."""
        slope = (self.wet_fraction - self.dry_fraction) / (self.wet_count - self.dry_count)
        return self.dry_fraction + (count - self.dry_count) * slope


@dataclass(frozen=True, kw_only=True)
class Lamp:
    """PPFD at the canopy at full duty, from the last lamp check; response is taken as a straight line."""

    __pydantic_config__ = _FORBID
    ppfd_at_full_duty_umol_m2_s: Annotated[float, Gt(0.0), Le(5_000.0)]
    duty_max_fraction: Annotated[float, Gt(0.0), Le(1.0)] = 1.0
    calibration_id: str = ""


@dataclass(frozen=True, kw_only=True)
class ChamberLimits:
    """The host's own limits for this box; each at or under what the board's flashed limits allow."""

    __pydantic_config__ = _FORBID
    dose_max_ml: Annotated[float, Gt(0.0), Le(500.0)]
    daily_max_ml: Annotated[float, Gt(0.0), Le(5_000.0)]
    reservoir_ml: Annotated[float, Gt(0.0), Le(100_000.0)]


@dataclass(frozen=True, kw_only=True)
class Acceptance:
    """What a calibration or check must meet to be used. The defaults are choices of this program, without a source,
    but for the two accuracies: typical ones of the data sheet of the SHT3x sensors.
    """

    __pydantic_config__ = _FORBID
    pump_systematic_error_max_pct: Annotated[float, Gt(0.0), Le(20.0)] = 2.0
    pump_random_error_max_pct: Annotated[float, Gt(0.0), Le(20.0)] = 2.0
    pump_expanded_uncertainty_max_pct: Annotated[float, Gt(0.0), Le(20.0)] = 2.0
    pump_set_aside_max_fraction: Annotated[float, Ge(0.0), Le(0.4)] = 0.2
    pump_drift_max_pct: Annotated[float, Gt(0.0), Le(50.0)] = 5.0
    moisture_standard_uncertainty_max_fraction: Annotated[float, Gt(0.0), Le(0.5)] = 0.05
    humidity_accuracy_pct: Annotated[float, Gt(0.0), Le(20.0)] = 2.0
    temperature_accuracy_c: Annotated[float, Gt(0.0), Le(5.0)] = 0.3
    lamp_dark_max_fraction: Annotated[float, Gt(0.0), Le(0.5)] = 0.05
    lamp_least_over_mean_min_fraction: Annotated[float, Ge(0.0), Le(1.0)] = 0.5


@dataclass(frozen=True, kw_only=True)
class BalanceLine:
    """A balance on a serial line: what finds the mass in a line of its, and what asks for one (empty: it sends)."""

    __pydantic_config__ = _FORBID
    port: Name
    baud: Annotated[int, Ge(300), Le(4_000_000)] = 9_600
    pattern: Name = r"([+-]?\d+\.\d+)\s*g"
    ask: str = ""


@dataclass(frozen=True, kw_only=True)
class PictureFrame:
    """Which part of every photograph is the bed, and how wide the white reference card in it is, if there is one."""

    __pydantic_config__ = _FORBID
    left_fraction: Fraction = 0.0
    top_fraction: Fraction = 0.0
    right_fraction: Fraction = 1.0
    bottom_fraction: Fraction = 1.0
    card_width_mm: Annotated[float, Ge(5.0), Le(500.0)] | None = None


@dataclass(frozen=True, kw_only=True)
class Chamber:
    """One box with its wiring, limits, calibrations, site and time zone."""

    __pydantic_config__ = _FORBID
    site: Site
    board: BoardLine
    air_sensor: AirSensor
    pins: Pins
    pump: Pump
    moisture_probe: MoistureProbe
    lamp: Lamp
    limits: ChamberLimits
    picture: PictureFrame | None = None
    acceptance: Acceptance = Acceptance()
    balance: BalanceLine | None = None

    @property
    def calibration_ids(self) -> tuple[str, ...]:
        """The calibrations this chamber names: pump, moisture probe, lamp; empty ones are left out."""
        named = (self.pump.calibration_id, self.moisture_probe.calibration_id, self.lamp.calibration_id)
        return tuple(each for each in named if each)


class LaterChamber(NamedTuple):
    """A chamber file that took the place of the one before it, and the first boot that ran with it."""

    boot_id: int
    chamber: Chamber


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Everything ``step`` is told: the plan, the chamber, and the digest of the plan file.

    The settings of a run out of its journal hold the chamber file that it was begun with; ``later_chambers`` are those
    that it went on with, oldest first.
    """

    plan: Plan
    chamber: Chamber
    plan_sha256: str
    plan_text: str = ""
    chamber_text: str = ""
    later_chambers: tuple[LaterChamber, ...] = ()

    @cached_property
    def chambers(self) -> tuple[Chamber, ...]:
        """Every chamber file of the run, the one it was begun with first."""
        return (self.chamber, *(later.chamber for later in self.later_chambers))

    def chamber_of(self, boot_id: int) -> Chamber:
        """The chamber file that a boot ran with."""
        return self.chambers[sum(later.boot_id <= boot_id for later in self.later_chambers)]

    @cached_property
    def hands_on_steps(self) -> tuple[HandsOnStep, ...]:
        """The plan's own steps, and one for each day on which every position is looked at."""
        looks = self.plan.observation
        return (
            *self.plan.steps,
            *(
                HandsOnStep(
                    name=f"observe-day-{day}",
                    title=f"Look at every position (day {day})",
                    due="on_day",
                    day=day,
                    at_utc=looks.at_utc,
                )
                for day in looks.days
            ),
        )

    @property
    def lamp_duty_fraction(self) -> float:
        """Duty of the lamp in the light part of the cycle."""
        period = self.plan.photoperiod
        if period.duty_fraction is not None:
            return period.duty_fraction
        assert period.ppfd_umol_m2_s is not None  # settings.py lets exactly one through
        return period.ppfd_umol_m2_s / self.chamber.lamp.ppfd_at_full_duty_umol_m2_s

    def steps_for(self, volume_ml: float) -> int:
        """Whole pump steps that do not exceed ``volume_ml``."""
        return int(volume_ml / self.chamber.pump.ml_per_step + 1e-9)
