"""Every number of the comparison as CSV and JSON, for a spreadsheet and for a program."""

import csv
import json
import math
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from controller import __version__
from controller.errors import JournalError
from controller.records.cells import in_turn, safe
from controller.science.between_looks import Shift
from controller.twins.comparing import Comparison
from controller.twins.cover import Cover, CoverTest
from controller.twins.environment import value_of
from controller.twins.miappe import fields_of
from controller.twins.pictures import Shot
from controller.twins.sheet import rows_of
from controller.twins.story import findings_of, headline

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
            "grown.csv": _grown(comparison),
            "plants.csv": _plants(comparison),
            "all_at_once.csv": _overall(comparison),
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


def write_cover(shots: list[Shot], covers: list[Cover], tests: list[CoverTest], folder: Path) -> list[Path]:
    """The green cover of every picture with the curve through each bed, and the pairs of beds; answers the paths."""
    curves = {cover.twin: cover.curve for cover in covers}
    head = ["twin", "day", "picture", "cover_fraction", "cover_cm2", "mm_per_pixel"]
    rows: list[list[Any]] = [
        [*head, "curve_final_fraction", "curve_final_se_fraction", "curve_fastest_day", "curve_rate_per_day"]
    ]
    for shot in shots:
        c = curves.get(shot.twin)
        fitted = [None] * 4 if c is None else [c.final, c.final_se, c.fastest_day, c.rate_per_day]
        measured = [shot.twin, shot.day, shot.path.name, shot.cover_fraction, shot.cover_cm2, shot.mm_per_pixel]
        rows.append([*measured, *fitted])
    head = ["first", "second", "final_first_fraction", "final_second_fraction"]
    head += ["difference_fraction", "difference_low_95", "difference_high_95", "f", "df_curves", "df_looks", "p"]
    pairs: list[list[Any]] = [head]
    for t in tests:
        finals = [t.share_first_fraction, t.share_second_fraction]
        finals += [t.difference_fraction, t.difference_low_fraction, t.difference_high_fraction]
        pairs.append([t.first, t.second, *finals, t.test.f, t.test.df_curves, t.test.df_looks, t.test.p])
    tables = {"cover.csv": rows} | ({"cover_pairs.csv": pairs} if tests else {})
    try:
        for name, table in tables.items():
            with (folder / name).open("w", encoding="utf-8-sig", newline="") as file:
                csv.writer(file).writerows([_cell(each) for each in row] for row in table)
    except OSError as error:
        raise JournalError(f"{folder}: the tables of cover cannot be written: {error}") from error
    return [folder / name for name in tables]


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
                "pump_calibrated_on": in_turn(str(each.pump.calibrated_on) for each in twin.settings.chambers),
                "moisture_probe_calibrated_on": in_turn(
                    str(each.moisture_probe.calibrated_on) for each in twin.settings.chambers
                ),
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
                    "vigour": plants.vigour.__dict__,
                    "shift_days": None if plants.shift_days is None else plants.shift_days.__dict__,
                    "shift_degree_days": (
                        None if plants.shift_degree_days is None else plants.shift_degree_days.__dict__
                    ),
                    "warmth_ratio": plants.warmth_ratio,
                    "p_raised": plants.p_raised,
                    "count_power_fraction": plants.count_power_fraction,
                    "vigour_power_fraction": plants.vigour_power_fraction,
                    "detectable_ratio": plants.detectable_ratio,
                    "growth_measures": plants.growth.measures,
                    "growth_together": None if plants.growth.together is None else plants.growth.together.__dict__,
                    "growth_ratios": plants.growth.ratios,
                    "growth": [test.__dict__ for test in plants.growth.tests],
                    "cause": plants.cause,
                },
            }
            for environment, plants in zip(comparison.environments, comparison.plants, strict=True)
        ],
        "all_at_once": [each.__dict__ for each in comparison.overall],
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


def _grown(comparison: Comparison) -> Rows:
    yield ["twin", "position", "species", "final_height_mm", "leaves_at_one_age", "leaves_a_look_later"]
    for each in comparison.grown:
        yield [each.twin, each.position, each.species, each.height_mm, each.leaf_number, each.leaf_number_later]


def _plants(comparison: Comparison) -> Rows:
    yield ["first", "second", "question", "p", "p_raised", "ratio", "ratio_low_95", "ratio_high_95", "cause"]
    for plants in comparison.plants:
        growth = plants.growth
        asked: dict[str, tuple[float, Shift | float | None]] = {
            "seed": (plants.vigour.p, None),
            **dict(zip(("count", "degree_days", "both"), ((p, None) for p in plants.vigour.p_each), strict=True)),
        }
        asked["degree_days"] = (asked["degree_days"][0], plants.shift_degree_days)
        if growth.together is not None:
            asked["growth"] = (growth.together.p, None)
            for measure, p in zip(growth.measures, growth.together.p_each, strict=True):
                asked[measure] = (p, growth.ratios[measure])
        asked |= {
            "count alone (Fisher)": (plants.count_p, None),
            "log-rank, days": (plants.logrank_days.p, plants.shift_days),
            "log-rank, degree-days": (plants.logrank_degree_days.p, None),
        }
        for question, (p, ratio) in asked.items():
            told = [ratio.ratio, ratio.ratio_low, ratio.ratio_high] if isinstance(ratio, Shift) else [ratio, None, None]
            yield [plants.first, plants.second, question, p, plants.p_raised.get(question), *told, plants.cause]


def _overall(comparison: Comparison) -> Rows:
    yield ["question", "chi_square", "p", "p_raised"]
    for each in comparison.overall:
        yield [each.title, each.chi_square, each.p, each.p_raised]


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
