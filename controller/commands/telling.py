"""What the command line tells a person about a rehearsal and a run."""

from datetime import timedelta
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table

from controller.control.model import ReadingRecord
from controller.control.photoperiod import moment_of
from controller.records.status import Status

CAUTION = (
    "Water and electricity: extra-low voltage from a certified supply only, no mains inside the chamber, "
    "electronics above the water, do not look into the lamp. Local codes and your safety officer come first."
)


def tell_summary(out: Console, summary: dict[str, Any], folder: Path) -> None:
    """The figures of a rehearsal, its trips, where its files are, and the caution."""
    table = Table(title=f"{summary['plan']} — rehearsed {summary['simulated_days']:g} days", show_header=False)
    table.add_column()
    table.add_column(justify="right")
    for words, key, unit in (
        ("Water planned", "water_planned_ml", "ml"),
        ("Water delivered, by the records", "water_delivered_ml", "ml"),
        ("  its standard uncertainty", "water_delivered_standard_uncertainty_ml", "ml"),
        ("Water delivered, by the physics", "water_delivered_true_ml", "ml"),
        ("Drained and weighed", "water_drained_ml", "ml"),
        ("Held", "water_held_ml", "ml"),
        ("Light a day", "photoperiod_h_mean", "h"),
        ("Daily light integral", "daily_light_integral_mol_m2_mean", "mol/m2"),
        ("Degree-days", "degree_days", "C d"),
    ):
        value = summary.get(key)
        table.add_row(words, "-" if value is None else f"{value:.2f} {unit}")
    emerged = [day for day in summary["emergence"].values() if day is not None]
    table.add_row("Positions emerged", f"{len(emerged)} of {len(summary['emergence'])}")
    table.add_row("Doses", str(summary["doses_delivered"]))
    table.add_row("Trips", str(len(summary["trips"])))
    out.print(table)
    for trip in summary["trips"]:
        out.print(f"Trip at {trip['at_utc']}, noticed by the {trip['side']}: {trip['words']}")
    out.print(f"{summary['readings']} readings in {summary['wall_s']:.1f} s. Files: {folder}")
    out.print(CAUTION, style="dim")


def _when(found: Status, reading: ReadingRecord) -> str:
    """How long ago a reading was, or, of another day, when."""
    if found.reading_age_s is not None and 0 <= found.reading_age_s < 86_400:
        return f"{timedelta(seconds=round(found.reading_age_s))} ago"
    return f"Last reading at {moment_of(reading.at.utc_ms):%Y-%m-%d %H:%M:%S}Z"


def tell_status(out: Console, found: Status) -> None:
    """How a run stands, the worst last so that it stays in sight."""
    out.print(f"{found.plan} at {found.site} — {found.phase_words}", style="bold")
    if found.hours_since_hydration is not None:
        out.print(f"{found.hours_since_hydration / 24:.1f} days since hydration.")
    if found.controller_silent:
        out.print("The controller is silent: no reading for longer than it should take.", style="bold")
    reading = found.reading
    if reading is not None and found.reading_age_s is not None:
        air = "-" if reading.air_temperature_c is None else f"{reading.air_temperature_c:.1f} C ({reading.air_quality})"
        humid = (
            "-"
            if reading.relative_humidity_pct is None
            else f"{reading.relative_humidity_pct:.0f} % ({reading.humidity_quality})"
        )
        content = "-" if found.water_content_fraction is None else f"{found.water_content_fraction:.2f}"
        content += "" if found.water_content_calibrated else " (outside the probe's calibration)"
        out.print(
            f"{_when(found, reading)}: air {air}, humidity {humid}, water {content}, "
            f"lamp {reading.lamp_duty_fraction:.0%}"
        )
    out.print(
        f"Given: first wetting {found.given_first_wetting_ml:.1f} ml, since then {found.given_watering_ml:.1f} ml. "
        f"{'A dose is under way.' if found.dose_open else found.water_answer}"
    )
    for name, words in (*found.trips, *found.alarms):
        out.print(f"! {name}: {words}", style="bold")
    for name, title in found.steps_due:
        out.print(f"due: {title} (wardian sign RUN {name} --by INITIALS)")
    for place in found.sending:
        if not place.can_be_read:
            out.print(f"! What waits to be sent cannot be told: {place.words}", style="bold")
            continue
        count = len(place.days_waiting)
        waits = f"{count} sealed day{'' if count == 1 else 's'} waiting" if count else "every sealed day is there"
        tried = ""
        if place.failures:
            tries = f"tried {place.failures} time{'' if place.failures == 1 else 's'} in vain"
            tried = f"; {tries}, again after {moment_of(place.not_before_utc_ms):%Y-%m-%d %H:%M}Z: {place.words}"
        out.print(f"Parcels to {place.address}: {waits}{tried}", style="bold" if place.failures else None)
