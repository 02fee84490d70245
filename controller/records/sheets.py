"""The plain-text data sheet beside each exported table: what it is, what it means, how far it can be believed."""

import textwrap
from dataclasses import dataclass

from controller.control.photoperiod import moment_of
from controller.plan import Settings
from controller.records import columns
from controller.records.account import (
    DRAINED_STANDARD_UNCERTAINTY_G,
    WATER_DENSITY_G_PER_ML,
    WATER_DENSITY_STANDARD_UNCERTAINTY_G_PER_ML,
)
from controller.records.cells import COMMA, POINT, Signs
from controller.records.columns import Column
from controller.records.survey import GAP_SAMPLES, Survey

WIDTH = 100
SIGNS = {
    POINT: "Numbers have a decimal point.",
    COMMA: "Semicolons stand between cells, and numbers have a decimal comma.",
}
NUMBERS = (
    "They are rounded finer than the sensors resolve. An empty cell means not known or not said; it never means zero."
)
FREE_TEXT = (
    "This file begins with a UTF-8 byte order mark, so that a spreadsheet reads accented letters rightly. A text "
    "that a spreadsheet would take for a formula (it begins with = + - or @) has an apostrophe before it."
)


@dataclass(frozen=True)
class Sheets:
    """Everything the four sheets speak of."""

    run: dict[str, str | int]
    settings: Settings
    survey: Survey
    every_s: float | None
    trust: str
    signs: Signs = POINT
    chamber_changes: tuple[str, ...] = ()  # what the chamber file said otherwise after a restart, with its moment

    def climate(self) -> str:
        every = (
            "Each row is one reading."
            if self.every_s is None
            else f"Each row is an interval of {self.every_s:g} s that begins at at_utc (intervals begin at whole "
            "multiples of that span on UTC). Its values are means of the good readings inside it; the vapour pressure "
            "deficit and the dew point are means of those of the single readings. Lamp values are means of all."
        )
        gaps = (
            f"A gap (readings further apart than {GAP_SAMPLES:g} sampling intervals) has no rows."
            if self.every_s is None
            else "An interval without any reading has its row, with empty cells and empty qualities. An interval "
            "without any good reading of a channel has an empty cell there."
        )
        return self._sheet(
            "climate.csv: air, medium and lamp over time",
            columns.CLIMATE,
            [
                every,
                gaps + " Nothing is filled in, smoothed or clamped. Suspect values stay in the raw columns of "
                "single readings, beside their quality; what is derived from them is left empty.",
            ],
            [*self._air_sensor(), *self._probe(), *self._lamp(), *self._changes()],
        )

    def daily(self) -> str:
        return self._sheet(
            "daily.csv: one row for each closed UTC day",
            columns.DAILY,
            [
                "A day that the export or the run covers only in part has the figures of that part.",
                f"A gap (readings further apart than {GAP_SAMPLES:g} sampling intervals) adds nothing to light, "
                "degree-days or hours outside the band: its length stands in gap_h. A day without any reading has "
                "its row, with empty cells.",
                "A reading speaks for the time until the next one; what crosses midnight is cut there. Water and "
                "drains count for the day in which they ended.",
                f"Degree-days are counted above {self.settings.plan.climate.degree_day_base_c:g} C.",
            ],
            [*self._air_sensor(), *self._probe(), *self._lamp(), *self._pump(), *self._changes()],
        )

    def water(self) -> str:
        return self._sheet(
            "water.csv: the water account",
            columns.WATER,
            [
                "Every dose and every drain, in the order in which they were settled. The totals run from the "
                "beginning of the run, also where the export begins later.",
                "A dose that a later word of the board corrected stands once, where it was settled first and with the "
                "volume that holds; its words say what was written first, and events.csv when it was corrected.",
                "A dose whose count of steps was lost is an interval: its volume is the middle, its uncertainty "
                "takes the interval as a rectangular distribution.",
                FREE_TEXT,
            ],
            [*self._pump(), *self._scale(), *self._changes()],
        )

    def events(self) -> str:
        return self._sheet(
            "events.csv: everything else that happened",
            columns.EVENTS,
            [
                "One time line, in the order in which things happened. Doses and drained water are in water.csv, "
                "readings in climate.csv. Of the lamp only on and off are told; ramps are in climate.csv.",
                "Nothing is ever changed in the records. A correction is a new observation that names the one it "
                "replaces in the column corrects.",
                FREE_TEXT,
            ],
            [],
        )

    def _sheet(self, title: str, table: tuple[Column, ...], how: list[str], instruments: list[str]) -> str:
        site = self.settings.chamber.site
        simulated = "a simulated chamber: nothing in it was real" if self.run["simulated"] else "a real chamber"
        lines = [
            title,
            "=" * len(title),
            "",
            f"Plan:         {self.settings.plan.name}",
            f"Plan digest:  {self.settings.plan_sha256} (SHA-256)",
            f"Run:          {self.run['run_id']}, in {simulated}",
            f"Chamber:      {site.name}, {site.place}",
            f"Time zone:    {site.time_zone} (at_local)",
            f"Software:     wardian {self.run['software_version']}",
            f"Covers:       {self._covers()}",
            f"Readings:     {self.survey.readings}, one every {self.settings.plan.sample_every_s:g} s",
            "",
            "Columns",
            "-------",
        ]
        for column in table:
            lines += _indented(f"{column.name}: {column.words}")
        lines += ["", "How to read it", "--------------"]
        for sentence in [*how, f"{SIGNS[self.signs]} {NUMBERS}", self.trust]:
            lines += _indented(sentence)
        if instruments:
            lines += ["", "Instruments and calibrations", "----------------------------"]
            for sentence in instruments:
                lines += _indented(sentence)
        return "\n".join(lines) + "\n"

    def _covers(self) -> str:
        if self.survey.extent_ms is None:
            return "no reading at all"
        first, last = (moment_of(each) for each in self.survey.extent_ms)
        return f"{first:%Y-%m-%d %H:%M:%S}Z to {last:%Y-%m-%d %H:%M:%S}Z"

    def _changes(self) -> list[str]:
        """What was changed in mid run, and which calibration each column was worked out by."""
        if not self.chamber_changes:
            return []
        by = "by the file that held when each reading was taken"
        if not self.settings.later_chambers:  # a journal from before whole files were kept in it
            by = "for the whole run by the file that it was begun with"
        words = (
            "The chamber file was changed in mid run. Each dose has the factor and the uncertainty that were in use "
            f"when it was given; water content and light are worked out {by}. Raw counts and duties stand beside them."
        )
        return [words, *self.chamber_changes]

    def _air_sensor(self) -> list[str]:
        sensor = self.settings.chamber.air_sensor
        return [
            f"Air temperature and relative humidity: digital sensor on the I2C bus {sensor.i2c_bus} at address "
            f"0x{sensor.i2c_address:02x}; steps of 0.0027 C and 0.0015 %. Its values are stored as they came, without "
            "correction.",
            "Vapour pressure deficit and dew point: saturation over water by the equation of the ASHRAE Handbook, "
            "Fundamentals 2017, chapter 1.",
        ]

    def _probe(self) -> list[str]:
        probe = self.settings.chamber.moisture_probe
        return [
            f"Moisture probe: a line through {probe.dry_fraction:g} at {probe.dry_count} counts and "
            f"{probe.wet_fraction:g} at {probe.wet_count} counts, calibrated on {probe.calibrated_on}; standard "
            f"uncertainty {probe.standard_uncertainty_fraction:g}{_named(probe.calibration_id)}."
        ]

    def _lamp(self) -> list[str]:
        lamp = self.settings.chamber.lamp
        return [
            f"Lamp: {lamp.ppfd_at_full_duty_umol_m2_s:g} umol m-2 s-1 at the canopy at full duty, from the last lamp "
            "check; its response to duty is taken as a straight line. The chamber file states no uncertainty of "
            f"it{_named(lamp.calibration_id)}."
        ]

    def _pump(self) -> list[str]:
        pump = self.settings.chamber.pump
        relative_pct = 100.0 * pump.ml_per_step_standard_uncertainty / pump.ml_per_step
        lot = f", tubing lot {pump.tubing_lot}" if pump.tubing_lot else ""
        lot += _named(pump.calibration_id)
        return [
            f"Pump: {pump.ml_per_step:g} ml a step, standard uncertainty {pump.ml_per_step_standard_uncertainty:g} ml "
            f"({relative_pct:.2f} %), calibrated on {pump.calibrated_on}{lot}. All doses share this calibration, so "
            "its part of the uncertainty adds up linearly; what is not known about the count of single doses adds up "
            "as the root of the squares (JCGM 100:2008, 5.1.2 and 5.2.2)."
        ]

    def _scale(self) -> list[str]:
        return [
            f"Drained water: weighed; 1 ml is taken as {WATER_DENSITY_G_PER_ML:g} g, standard uncertainty "
            f"{WATER_DENSITY_STANDARD_UNCERTAINTY_G_PER_ML:g} g, which covers 10 to 30 C. The standard uncertainty of "
            f"one weighing is assumed to be {DRAINED_STANDARD_UNCERTAINTY_G:g} g."
        ]


def trust_words(any_trusted: bool, placed: int, unplaced: int, out_of_order: int) -> str:
    """What is to be said about the clock behind the times of a table."""
    if not any_trusted:
        return (
            "Clock trust: no network time stood behind the clock during the whole run; all times are as the clock "
            "showed them."
        )
    words = (
        f"Clock trust: {placed} readings were written without network time and are placed by the monotonic clock from "
        "the nearest moment with network time in the same boot."
    )
    if unplaced:
        words += (
            f" {unplaced} readings belong to boots that never had network time: they cannot be placed, and are left "
            "out of means and days; single readings show them with utc_trusted 0."
        )
    if out_of_order:
        words += f" {out_of_order} readings lie before earlier ones because the clock was set back, and are left out."
    return words


def _named(calibration_id: str) -> str:
    return f"; calibration {calibration_id}" if calibration_id else ""


def _indented(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent="  ", subsequent_indent="      ")
