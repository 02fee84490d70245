"""Settings made by hand, for tests that need no file: the Skerry Light plan on its bench, small and quick."""

from dataclasses import replace
from datetime import date, time
from typing import Any

from controller import plan as p
from controller.control import dose_life, line
from controller.control import model as m
from firmware_bridge import messages

PLAN = p.Plan(
    name="Skerry Light",
    length_days=21,
    positions=[p.Position(number=n, species="cress" if n <= 5 else "radish") for n in range(1, 10)],
    medium=p.Medium(bed_area_cm2=220, bed_depth_cm=4.5, texture="sandy loam"),
    first_wetting=p.FirstWetting(
        total_ml=210, aliquot_ml=50, push_rate_max_ml_per_min=25, pause_s=60, soak_s=60, drain=True
    ),
    watering=p.Watering(
        dose_ml=12,
        rest_h=3,
        daily_cap_ml=60,
        total_cap_ml=900,
        moisture=p.MoistureLed(low_fraction=0.24, high_fraction=0.28),
        fallback=p.Fallback(dose_ml=8, every_h=24, untrusted_for_h=6),
    ),
    photoperiod=p.Photoperiod(light_h=16, start=time(6), ramp_min=15, ppfd_umol_m2_s=180),
    climate=p.Climate(
        air_temperature_low_c=18,
        air_temperature_high_c=26,
        air_temperature_alarm_low_c=12,
        air_temperature_alarm_high_c=32,
        relative_humidity_low_pct=45,
        relative_humidity_high_pct=85,
        relative_humidity_alarm_low_pct=25,
        relative_humidity_alarm_high_pct=97,
        lamp_off_above_c=38,
    ),
    steps=[
        p.HandsOnStep(name="clean-gloves", title="Put on clean gloves", due="before_wetting", gate=True),
        p.HandsOnStep(name="fill-reservoir", title="Fill the reservoir", due="before_wetting", gate=True),
        p.HandsOnStep(
            name="drain-and-weigh", title="Drain and weigh", due="after_soak", gate=True, asks_drained_mass=True
        ),
        p.HandsOnStep(name="open-positions", title="Open the positions", due="after_drain"),
        p.HandsOnStep(name="photograph-3", title="Photograph", due="on_day", day=3, at_utc=time(12)),
    ],
    observation=p.Observation(days=[2, 4, 6]),
)

CHAMBER = p.Chamber(
    site=p.Site(name="Skerry Light", place="the keeper's bench", time_zone="Atlantic/Faroe"),
    board=p.BoardLine(serial_port="/dev/ttyACM0"),
    air_sensor=p.AirSensor(),
    pins=p.Pins(lamp=18, leak=5, overfill_float=6, status_lamp=23, acknowledge_button=24),
    pump=p.Pump(
        ml_per_step=0.005,
        ml_per_step_standard_uncertainty=0.00004,
        steps_per_s=200,
        calibrated_on=date(2026, 2, 16),
    ),
    moisture_probe=p.MoistureProbe(
        dry_count=3000, dry_fraction=0.02, wet_count=1200, wet_fraction=0.42, calibrated_on=date(2026, 2, 17)
    ),
    lamp=p.Lamp(ppfd_at_full_duty_umol_m2_s=300),
    limits=p.ChamberLimits(dose_max_ml=60, daily_max_ml=300, reservoir_ml=2000),
)

SETTINGS = p.Settings(plan=PLAN, chamber=CHAMBER, plan_sha256="0" * 64)
START_UTC_MS = 1_772_438_400_000  # 2026-03-02T08:00Z
DRY_HANDS = replace(PLAN, steps=[])


def settings(plan: p.Plan = PLAN, **changes: Any) -> p.Settings:
    """The example with parts of the plan changed."""
    return replace(SETTINGS, plan=replace(plan, **changes))


def watering(**changes: Any) -> p.Settings:
    """The example with parts of its watering changed."""
    return settings(watering=replace(PLAN.watering, **changes))


def moment(monotonic_ms: int = 0, *, utc_ms: int | None = None, trusted: bool = True, boot_id: int = 1) -> m.Moment:
    """A moment on both clocks; by default the wall clock runs with the monotonic one."""
    return m.Moment(START_UTC_MS + monotonic_ms if utc_ms is None else utc_ms, monotonic_ms, boot_id, trusted)


def given(run_ms: int, volume_max_ml: float, purpose: str, began_run_ms: int | None = None) -> m.Given:
    """Water of a dose that took no time, or that began then."""
    return m.Given(run_ms, volume_max_ml, purpose, run_ms if began_run_ms is None else began_run_ms)


def counts_for(content_fraction: float) -> int:
    """The moisture count that the example probe gives at this water content."""
    return round(3000 + (content_fraction - 0.02) / 0.40 * (1200 - 3000))


JOURNAL, BOARD = 21, 4_711  # identities of the example's journal and of its board
SESSION = messages.SESSIONS_PER_BOOT + 3  # the third greeting since the board's first start
NOW = moment(432_000_000)


def board(at: m.Moment = NOW, **changes: Any) -> m.BoardRecord:
    """The example's board as it answered its greeting: it has given the five doses of this journal."""
    whole: dict[str, Any] = {
        "at": at, "board_id": BOARD, "boots": 1, "last_dose_id": 5, "turned_total_steps": 42_000,
        "journal_id": JOURNAL, "accepted_by": "",
    }  # fmt: skip
    return m.BoardRecord(**(whole | changes))


def line_that_is(state: str, at: m.Moment = NOW, **changes: Any) -> m.Line:
    """A conversation in this state since ``at``, in which each side has said a few messages."""
    whole: dict[str, Any] = {
        "state": state, "since_ms": at.monotonic_ms, "session": SESSION, "said": 7, "heard": 9, "echo": 7,
        "hello_number": 1_000_003, "hello_ms": at.monotonic_ms, "heard_ms": at.monotonic_ms, "greeting": board(at),
    }  # fmt: skip
    return m.Line(**(whole | changes))


def intent(
    dose_id: int = 6, dose_steps: int = 2400, purpose: str = m.MOISTURE_LED, run_ms: int = 431_700_000, **changes: Any
) -> m.DoseIntended:
    """A dose of the example pump as it is written down before the board hears of it."""
    whole: dict[str, Any] = {
        "at": NOW, "dose_id": dose_id, "purpose": purpose, "volume_ml": dose_steps * 0.005, "dose_steps": dose_steps,
        "steps_per_s": 200, "ml_per_step": 0.005, "ml_per_step_standard_uncertainty": 0.00004, "run_ms": run_ms,
    }  # fmt: skip
    return m.DoseIntended(**(whole | changes))


def open_dose(
    life: str, dose: m.DoseIntended | None = None, *, before_fraction: float | None = None, **changes: Any
) -> dict[str, Any]:
    """Fields of a state whose open dose is in this state of its life, asked for by the line's last message."""
    dose = dose or intent()
    whole: dict[str, Any] = {
        "state": life, "since_ms": NOW.monotonic_ms, "session": SESSION, "number": 7,
        "taken": life in (dose_life.TURNING, dose_life.STOPPING), "moisture_before_fraction": before_fraction,
    }  # fmt: skip
    return {"open_dose": dose, "dose_life": m.DoseLife(**(whole | changes)), "last_dose_id": dose.dose_id}


def growing(**changes: Any) -> m.State:
    """A state in the middle of a run: five days after hydration, board greeted, moisture trusted at 0.30."""
    at = NOW
    counts = float(counts_for(0.30))
    state = m.State(
        now=at,
        run_ms=431_700_000,
        phase=m.GROWING,
        phase_since_run_ms=1_500_000,
        hydrated_utc_ms=START_UTC_MS + 300_000,
        hydrated_utc_trusted=True,
        light_anchor_utc_ms=START_UTC_MS - 7_200_000,
        last_dose_id=5,
        first_wetting_given_ml=210.0,
        line=line_that_is(line.SETTLED),
        journal_id=JOURNAL,
        board=board(),
        board_trip_number=0,
        run_clock_placed=True,
        turned_total_steps=42_000,
        moisture=m.Channel(counts, m.GOOD, "", at.monotonic_ms, counts, 0, (counts,) * 5),
        moisture_untrusted_since_run_ms=None,
        steps_due=("clean-gloves", "fill-reservoir", "drain-and-weigh", "open-positions"),
        steps_done=("clean-gloves", "fill-reservoir", "drain-and-weigh", "open-positions"),
    )
    return state.but(**changes)


def with_moisture(state: m.State, content_fraction: float) -> m.State:
    """The state with a settled moisture reading of this water content."""
    counts = float(counts_for(content_fraction))
    channel = m.Channel(counts, m.GOOD, "", state.now.monotonic_ms, counts, 0, (counts,) * 5)
    return state.but(moisture=channel, moisture_untrusted_since_run_ms=None)


def awaited(due_run_ms: int, before_fraction: float, rise_fraction: float) -> m.EffectRecord:
    """The effect of dose 1, still to be seen."""
    return m.EffectRecord(moment(), 1, m.AWAITED, due_run_ms, before_fraction, rise_fraction)
