"""Every number of the comparison as CSV and JSON, for a spreadsheet and for a program."""

import csv
import json
import math
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import Any

from controller import __version__
from controller.errors import JournalError
from controller.records.cells import safe
from controller.science.growth import GrowthCurve, fit_growth
from controller.twins.comparing import Comparison
from controller.twins.environment import value_of
from controller.twins.findings import findings_of, headline
from controller.twins.miappe import fields_of
from controller.twins.pictures import Shot
from controller.twins.sheet import rows_of

DAILY_KEYS = (
    "air_temperature_c",
    "relative_humidity_pct",
    "vapour_pressure_deficit_kpa",
    "water_content_fraction",
    "light_h",
    "daily_light_integral_mol_m2",
    "degree_days",
)
Rows = Iterable[list[Any]]


def write_numbers(comparison: Comparison, folder: Path) -> list[Path]:
    """Write the tables and comparison.json; answers their paths. JournalError when they cannot be written."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        tables = {
            "daily.csv": _daily(comparison),
            "channels.csv": _channels(comparison),
            "deviations.csv": _deviations(comparison),
            "emergence.csv": _emergence(comparison),
            "germination.csv": _germination(comparison),
            "growth.csv": _growth(comparison),
            "water.csv": _water(comparison),
            "looks.csv": _looks(comparison),
            "sheet.csv": _sheet(comparison),
            "miappe.csv": _miappe(comparison),
        }
        for name, rows in tables.items():
            with (folder / name).open("w", encoding="utf-8-sig", newline="") as file:
                csv.writer(file).writerows([_cell(each) for each in row] for row in rows)
        (folder / "comparison.json").write_text(json.dumps(summary_of(comparison), indent=2) + "\n", encoding="utf-8")
    except OSError as error:
        raise JournalError(f"{folder}: the comparison cannot be written: {error}") from error
    return [*(folder / name for name in tables), folder / "comparison.json"]


def write_cover(shots: list[Shot], path: Path) -> Path:
    """The green cover of every picture, and the logistic curve through each twin's where five days allow one."""
    curves: dict[str, GrowthCurve] = {}
    for name in {shot.twin for shot in shots}:
        mine = [shot for shot in shots if shot.twin == name]
        with suppress(ValueError):  # fewer than five days, or nothing grew: there is no curve
            curves[name] = fit_growth([float(shot.day) for shot in mine], [shot.cover_fraction for shot in mine])
    try:
        with path.open("w", encoding="utf-8-sig", newline="") as file:
            out = csv.writer(file)
            head = ["twin", "day", "picture", "cover_fraction", "cover_cm2", "mm_per_pixel"]
            out.writerow([*head, "curve_final_fraction", "curve_fastest_day", "curve_rate_per_day"])
            for shot in shots:
                curve = curves.get(shot.twin)
                fitted = [None] * 3 if curve is None else [curve.final, curve.fastest_day, curve.rate_per_day]
                row = [shot.twin, shot.day, shot.path.name, shot.cover_fraction, shot.cover_cm2, shot.mm_per_pixel]
                out.writerow([_cell(each) for each in (*row, *fitted)])
    except OSError as error:
        raise JournalError(f"{path}: the table cannot be written: {error}") from error
    return path


def _cell(value: Any) -> Any:
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    if isinstance(value, float):
        return f"{value:.6g}"
    return safe(value) if isinstance(value, str) else value


def summary_of(comparison: Comparison) -> dict[str, Any]:
    """The verdicts and figures of the comparison, ready for JSON; what is not known is None."""
    return {
        "software_version": __version__,
        "headline": headline(comparison),
        "findings": [finding._asdict() for finding in findings_of(comparison)],
        "plan_differences": comparison.plan_differences,
        "twins": [
            {
                "name": twin.name,
                "run_id": twin.run["run_id"],
                "source": twin.source,
                "not_carried": twin.not_carried,
                "plan_sha256": twin.run["plan_sha256"],
                "software_version": twin.run["software_version"],
                "simulated": twin.simulated,
                "hydrated_at_utc": twin.hydrated_at_utc,
                "hydrated_utc_trusted": twin.hydrated_utc_trusted,
                "whole_days": len(twin.days),
                "readings": twin.survey.readings,
                "readings_not_good": twin.survey.not_good,
                "readings_placed": twin.readings_placed,
                "readings_untrusted": twin.readings_untrusted,
                "gaps_h": [list(gap) for gap in twin.gaps_h],
                "pump_calibrated_on": str(twin.settings.chamber.pump.calibrated_on),
                "moisture_probe_calibrated_on": str(twin.settings.chamber.moisture_probe.calibrated_on),
            }
            for twin in comparison.twins
        ],
        "pairs": [
            {
                "first": environment.first,
                "second": environment.second,
                "channels": {
                    each.channel.key: {
                        "unit": each.channel.unit,
                        "margin": each.channel.margin,
                        "days": len(each.days),
                        "mean_first": each.mean_first,
                        "mean_second": each.mean_second,
                        "difference": each.difference,
                        "low_95": each.low,
                        "high_95": each.high,
                        "limits_of_agreement": [each.limits_low, each.limits_high],
                        "p_alike": each.p_alike,
                        "verdict": each.verdict,
                    }
                    for each in environment.channels
                },
                "water": {
                    "difference_ml": environment.water.difference_ml,
                    "difference_fraction": environment.water.difference_fraction,
                    "standard_uncertainty_fraction": environment.water.standard_uncertainty_fraction,
                    "margin_fraction": environment.water.margin_fraction,
                    "verdict": environment.water.verdict,
                },
                "not_compared": environment.skipped,
                "plants": {
                    "emerged": [plants.emerged_first, plants.emerged_second],
                    "sown": [plants.sown_first, plants.sown_second],
                    "count_p": plants.count_p,
                    "logrank_days": plants.logrank_days.__dict__,
                    "logrank_degree_days": plants.logrank_degree_days.__dict__,
                    "shift_days": None if plants.shift_days is None else plants.shift_days.__dict__,
                    "shift_degree_days": (
                        None if plants.shift_degree_days is None else plants.shift_degree_days.__dict__
                    ),
                    "warmth_ratio": plants.warmth_ratio,
                    "p_raised": plants.p_raised,
                    "count_power_fraction": plants.count_power_fraction,
                    "detectable_ratio": plants.detectable_ratio,
                    "height": None if plants.height is None else plants.height.__dict__,
                    "height_ratio": plants.height_ratio,
                    "growth": [test.__dict__ for test in plants.growth],
                    "cause": plants.cause,
                },
            }
            for environment, plants in zip(comparison.environments, comparison.plants, strict=True)
        ],
        "deviations": [each.__dict__ for each in comparison.deviations],
    }


def _daily(comparison: Comparison) -> Rows:
    yield ["twin", "day", *DAILY_KEYS, "light_planned_h", "gap_h"]
    for twin in comparison.twins:
        for day, planned_h in zip(twin.days, twin.planned_light_h, strict=True):
            yield [twin.name, day.day, *(value_of(day, key) for key in DAILY_KEYS), planned_h, day.gap_h]


def _channels(comparison: Comparison) -> Rows:
    yield ["first", "second", "channel", "unit", "days", "mean_first", "mean_second", "difference", "low_95", "high_95",
           "limit_of_agreement_low", "limit_of_agreement_high", "margin", "p_alike", "verdict"]  # fmt: skip
    for environment in comparison.environments:
        for each in environment.channels:
            yield [environment.first, environment.second, each.channel.key, each.channel.unit, len(each.days),
                   each.mean_first, each.mean_second, each.difference, each.low, each.high, each.limits_low,
                   each.limits_high, each.channel.margin, each.p_alike, each.verdict]  # fmt: skip


def _deviations(comparison: Comparison) -> Rows:
    yield ["rank", "twin", "what", "words", "from_h", "to_h", "margin_days"]
    for rank, each in enumerate(comparison.deviations, 1):
        yield [rank, each.twin, each.what, each.words, each.from_h, each.to_h, each.margin_days]


def _emergence(comparison: Comparison) -> Rows:
    yield ["twin", "position", "species", "emerged", "last_look_without_h", "first_look_with_h",
           "last_look_without_degree_days", "first_look_with_degree_days"]  # fmt: skip
    for name, seeds in comparison.seeds.items():
        for seed in seeds:
            yield [name, seed.position, seed.species, int(seed.emerged), seed.before_h, seed.by_h,
                   seed.before_degree_days, seed.by_degree_days]  # fmt: skip


def _germination(comparison: Comparison) -> Rows:
    yield ["twin", "species", "sown", "emerged", "share_fraction", "wilson_low_fraction", "wilson_high_fraction",
           "exact_low_fraction", "exact_high_fraction", "median_days", "median_degree_days", "t50_coolbear_days",
           "t50_farooq_days", "mean_time_days", "variance_day2", "cv_fraction", "synchrony", "uncertainty_bit",
           "index_days"]  # fmt: skip
    for batch in comparison.batches:
        yield [batch.twin, batch.species, batch.sown, batch.emerged, batch.wilson.share_fraction,
               batch.wilson.low_fraction, batch.wilson.high_fraction, batch.exact.low_fraction,
               batch.exact.high_fraction, batch.curve_days.median, batch.curve_degree_days.median,
               batch.t50_coolbear_days, batch.t50_farooq_days, batch.mean_time_days, batch.variance_day2,
               batch.cv_fraction, batch.synchrony, batch.uncertainty_bit, batch.index_days]  # fmt: skip


def _growth(comparison: Comparison) -> Rows:
    yield ["twin", "position", "species", "what", "shape", "final", "final_se", "fastest_day", "fastest_day_se",
           "rate_per_day", "rate_per_day_se", "residual_sd", "why_not"]  # fmt: skip
    for each in comparison.growth:
        c = each.curve
        figures = [""] * 8 if c is None else [c.shape, c.final, c.final_se, c.fastest_day, c.fastest_day_se,
                                              c.rate_per_day, c.rate_per_day_se, c.residual_sd]  # fmt: skip
        yield [each.twin, each.position, each.species, each.what, *figures, each.why_not]


def _water(comparison: Comparison) -> Rows:
    yield ["twin", "asked_ml", "delivered_ml", "delivered_standard_uncertainty_ml", "drained_ml",
           "drained_standard_uncertainty_ml", "held_ml", "held_standard_uncertainty_ml"]  # fmt: skip
    for twin in comparison.twins:
        w = twin.water
        yield [twin.name, twin.asked_ml, w.delivered_ml, w.delivered_standard_uncertainty_ml, w.drained_ml,
               w.drained_standard_uncertainty_ml, w.held_ml, w.held_standard_uncertainty_ml]  # fmt: skip


def _looks(comparison: Comparison) -> Rows:
    yield ["twin", "hours_since_hydration", "position", "emerged", "height_mm", "leaves", "growth_stage_bbch", "note"]
    for twin in comparison.twins:
        for look in twin.looks:
            emerged = None if look.emerged is None else int(look.emerged)
            yield [twin.name, look.hour_h, look.position, emerged, look.height_mm, look.leaves,
                   look.growth_stage_bbch, look.note]  # fmt: skip


def _sheet(comparison: Comparison) -> Rows:
    yield ["group", "quantity", "unit", *(twin.name for twin in comparison.twins)]
    for row in rows_of(comparison.twins):
        yield [row.group, row.quantity, row.unit, *row.values]


def _miappe(comparison: Comparison) -> Rows:
    yield ["line", "section", "field", "study", "value"]
    yield from (list(each) for each in fields_of(comparison.twins))
