"""``wardian calibrate moisture``, ``humidity``, ``temperature``, ``lamp``: readings from a file, judged and kept."""

import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from controller import __version__
from controller.bench import hygrometer, records
from controller.bench import lamp as lamps
from controller.bench.masses import rows_from_csv
from controller.bench.moisture import TOPP_STANDARD_UNCERTAINTY_FRACTION, calibrate_probe, samples_of
from controller.commands.bench_options import chamber_option, instruments_option, pdf_option
from controller.commands.certifying import certify
from controller.commands.terminal import Exit, FiniteRange, by_option, out, plain_errors
from controller.errors import SettingsError
from controller.science.light import LUX_PER_UMOL_M2_S
from controller.settings import read_chamber

readings_option = click.option(
    "--readings", "path", required=True, type=click.Path(path_type=Path), help="CSV file; its columns stand above."
)
WEIGHED = ("wet_g", "dry_g", "bulk_volume_ml")
FACTOR_OF_ANOTHER_LAMP_PCT = 10.0  # standard uncertainty where the factor is stated by a person (a choice, no source)
FACTOR_OF_THE_TABLE_PCT = 1.0  # for a lamp of exactly that kind


def _keep(
    chamber_path: Path, kind: str, by: str, judged: dict[str, Any], words: list[str], data: dict[str, Any], method: str,
    *, instruments: str, valid: str, pdf: bool,
) -> None:  # fmt: skip
    """Keep the record, write its page, say what came of it."""
    site = read_chamber(chamber_path).site
    folder, at_utc = records.folder_of(chamber_path), datetime.now(UTC)
    settings = {**judged.get("settings", {})}
    if kind == "moisture":
        settings["calibrated_on"] = at_utc.date().isoformat()
    content = {
        **judged,
        "settings": settings,
        "at_utc": at_utc.isoformat(timespec="seconds"),
        "by": by,
        "chamber": f"{site.name}, {site.place}",
        "instruments": instruments,
        "valid": valid,
        "words": words,
        "method": method,
        "software_version": __version__,
        "data": data,
    }
    record = records.read(folder, records.keep(folder, kind, at_utc, content))
    for sentence in [*words, *judged["refused_because"]]:
        out.print(sentence)
    out.print(f"Kept as {record['id']}.")
    certify(record, folder, pdf)
    if not judged["accepted"]:
        sys.exit(Exit.FOUND_WANTING)


@click.command()
@chamber_option
@by_option
@readings_option
@click.option("--topp", is_flag=True, help="Water content by Topp's polynomial: columns counts, permittivity.")
@click.option("--samples-u-fraction", type=FiniteRange(min=0), help="Standard uncertainty of a sample's water.")
@instruments_option
@pdf_option
def moisture(
    chamber_path: Path, asked_by: str, path: Path, topp: bool, samples_u_fraction: float | None, instruments: str,
    pdf: bool,
) -> None:  # fmt: skip
    """The moisture probe in this medium. Columns: counts and water_content_fraction, or counts, wet_g, dry_g and
    bulk_volume_ml of each sample."""
    with plain_errors():
        acceptance = read_chamber(chamber_path).acceptance
        if topp:
            rows = rows_from_csv(path, ("counts", "permittivity"))
        else:
            rows = rows_from_csv(path, ("counts",), ("water_content_fraction", *WEIGHED))
            if not all("water_content_fraction" in row or all(name in row for name in WEIGHED) for row in rows):
                raise SettingsError(
                    (f"{path}: the first line must name water_content_fraction, or wet_g, dry_g and bulk_volume_ml.",)
                )
        samples = samples_of(rows)
        if samples_u_fraction is None:
            samples_u_fraction = TOPP_STANDARD_UNCERTAINTY_FRACTION if topp else 0.005
        judged = calibrate_probe(samples, acceptance, samples_u_fraction)
        found = judged["result"]
        words = [
            f"Water content = {found['intercept']:.4f} {'-' if found['slope'] < 0 else '+'} "
            f"{abs(found['slope']):.7f} x counts; one reading is good to "
            f"± {found['expanded']:.3f} ml/ml (expanded, k = {found['coverage']:.2f}); calibrated from "
            f"{found['counts_low']} to {found['counts_high']} counts, readings outside are marked in the tables."
        ]
        weighed = (
            "Permittivity to water content: Topp, Davis and Annan (1980), Water Resour. Res. 16:574-582, for mineral "
            "soils."
            if topp
            else "Samples weighed wet and dry (gravimetric), their water over their bulk volume."
        )
        method = (
            f"{weighed} Least squares line through counts and volumetric water content; the uncertainty is that of one "
            "new reading: scatter about the line, the line (JCGM 100:2008, H.3), the samples. With two samples it is "
            "assumed, not measured."
        )
        data = {
            "readings": rows,
            "samples": [
                {"counts": each.counts, "water_content_fraction": each.water_content_fraction} for each in samples
            ],
            "samples_standard_uncertainty_fraction": samples_u_fraction,
        }
        valid = "for this probe in this medium at this density, until either is changed"
        _keep(chamber_path, "moisture", asked_by, judged, words, data, method, instruments=instruments, valid=valid,
              pdf=pdf)  # fmt: skip


@click.command()
@chamber_option
@by_option
@readings_option
@click.option("--salt", required=True, help="LiCl, CH3COOK, MgCl2, K2CO3, Mg(NO3)2, NaCl, KCl, KNO3 or K2SO4.")
@click.option("--air-c", type=FiniteRange(), required=True, help="Temperature of salt, air and sensor, in C.")
@click.option(
    "--apart-u-c", type=FiniteRange(min=0), default=hygrometer.APART_STANDARD_UNCERTAINTY_C, show_default=True,
    help="How far sensor and salt may differ in temperature (standard uncertainty).",
)  # fmt: skip
@click.option("--stated-accuracy-pct", type=FiniteRange(min=0), help="Of the sensor; else the chamber file's.")
@instruments_option
@pdf_option
def humidity(
    chamber_path: Path, asked_by: str, path: Path, salt: str, air_c: float, apart_u_c: float,
    stated_accuracy_pct: float | None, instruments: str, pdf: bool,
) -> None:  # fmt: skip
    """The humidity sensor over a saturated salt. Columns: elapsed_min, relative_humidity_pct."""
    with plain_errors():
        acceptance = read_chamber(chamber_path).acceptance
        out.print(hygrometer.CAUTIONS, style="dim")
        rows = rows_from_csv(path, ("elapsed_min", "relative_humidity_pct"))
        elapsed_min = [row["elapsed_min"] for row in rows]
        readings_pct = [row["relative_humidity_pct"] for row in rows]
        bound_pct = acceptance.humidity_accuracy_pct if stated_accuracy_pct is None else stated_accuracy_pct
        judged = hygrometer.check_humidity(salt, air_c, elapsed_min, readings_pct, bound_pct, apart_u_c)
        words = [_difference_words(judged["result"], f"saturated {salt} at {air_c:g} C")]
        data = {"salt": salt, "air_temperature_c": air_c, "stated_accuracy_pct": bound_pct, "readings": rows}
        method = (
            "Saturated salt solution: Greenspan (1977), J. Res. Natl. Bur. Stand. 81A:89. Equilibrium by the t of a "
            "slope over time. Passes within the stated accuracy widened by the expanded uncertainty."
        )
        valid = "at this humidity and temperature, for a year (common practice, no source)"
        _keep(chamber_path, "humidity", asked_by, judged, words, data, method, instruments=instruments, valid=valid,
              pdf=pdf)  # fmt: skip


@click.command()
@chamber_option
@by_option
@readings_option
@click.option("--reference-u-c", type=FiniteRange(min=0), default=0.1, show_default=True)
@click.option("--stated-accuracy-c", type=FiniteRange(min=0), help="Of the sensor; else the chamber file's.")
@instruments_option
@pdf_option
def temperature(
    chamber_path: Path, asked_by: str, path: Path, reference_u_c: float, stated_accuracy_c: float | None,
    instruments: str, pdf: bool,
) -> None:  # fmt: skip
    """The temperature sensor against a thermometer. Columns: sensor_c, reference_c."""
    with plain_errors():
        acceptance = read_chamber(chamber_path).acceptance
        rows = rows_from_csv(path, ("sensor_c", "reference_c"))
        bound_c = acceptance.temperature_accuracy_c if stated_accuracy_c is None else stated_accuracy_c
        judged = hygrometer.check_temperature(
            [row["sensor_c"] for row in rows], [row["reference_c"] for row in rows], reference_u_c, bound_c
        )
        words = [_difference_words(judged["result"], "the reference thermometer")]
        data = {"readings": rows, "reference_standard_uncertainty_c": reference_u_c, "stated_accuracy_c": bound_c}
        method = (
            "Mean of the differences, pair by pair, both in the same stirred or shaded air. Passes within the stated "
            "accuracy widened by the expanded uncertainty."
        )
        valid = "at this temperature, for a year (common practice, no source)"
        _keep(chamber_path, "temperature", asked_by, judged, words, data, method, instruments=instruments, valid=valid,
              pdf=pdf)  # fmt: skip


def _difference_words(found: dict[str, Any], against: str) -> str:
    return (
        f"Against {against} ({found['reference']:.2f} {found['unit']}) the sensor is off by {found['difference']:+.2f} "
        f"{found['unit']}, expanded uncertainty {found['expanded']:.2f} (k = {found['coverage']:.2f})."
    )


def _stated_lux_per_umol_m2_s(source: str | None, lux_per_umol_m2_s: float | None) -> float | None:
    """The factor that divides lux, or None where the readings are photon flux."""
    if source is not None and lux_per_umol_m2_s is not None:
        raise SettingsError(("--lux-source and --lux-per-umol exclude each other; give the one that was used.",))
    if source is None:
        return lux_per_umol_m2_s
    if source not in LUX_PER_UMOL_M2_S:
        known = ", ".join(LUX_PER_UMOL_M2_S)
        raise SettingsError((f"--lux-source: {source!r} is none of {known}; state its factor with --lux-per-umol.",))
    return LUX_PER_UMOL_M2_S[source]


@click.command()
@chamber_option
@by_option
@readings_option
@click.option("--light-h", type=FiniteRange(min=0, max=24), default=16.0, show_default=True)
@click.option("--duty", "duty_fraction", type=FiniteRange(min=0, max=1), default=1.0, help="Duty of the plan.")
@click.option("--across", type=click.IntRange(min=1), help="Positions in a row, for the map; else x_cm and y_cm.")
@click.option("--sensor-u-pct", type=FiniteRange(min=0), default=lamps.SENSOR_STANDARD_UNCERTAINTY_PCT,
              show_default=True, help="Standard uncertainty of the quantum sensor or meter.")  # fmt: skip
@click.option("--lux-source", help="Readings are lux, column illuminance_lux; this kind of lamp gives the factor.")
@click.option(
    "--lux-per-umol",
    "lux_per_umol_m2_s",
    type=FiniteRange(min=1),
    help="Readings are lux; so many lux are 1 umol m-2 s-1.",
)
@instruments_option
@pdf_option
def lamp(
    chamber_path: Path, asked_by: str, path: Path, light_h: float, duty_fraction: float, across: int | None,
    sensor_u_pct: float, lux_source: str | None, lux_per_umol_m2_s: float | None, instruments: str, pdf: bool,
) -> None:  # fmt: skip
    """The lamp over the positions. Columns: position, duty_fraction, ppfd_umol_m2_s, and x_cm, y_cm where measured."""
    with plain_errors():
        acceptance = read_chamber(chamber_path).acceptance
        out.print(lamps.CAUTIONS, style="dim")
        factor = _stated_lux_per_umol_m2_s(lux_source, lux_per_umol_m2_s)
        column = "ppfd_umol_m2_s" if factor is None else "illuminance_lux"
        rows = rows_from_csv(path, ("position", "duty_fraction", column), ("x_cm", "y_cm"))
        spots = [
            lamps.Spot(
                position=round(row["position"]),
                duty_fraction=row["duty_fraction"],
                ppfd_umol_m2_s=row[column] / (factor or 1.0),
                x_cm=row.get("x_cm"),
                y_cm=row.get("y_cm"),
            )
            for row in rows
        ]
        of_factor_pct = FACTOR_OF_THE_TABLE_PCT if lux_source is not None else FACTOR_OF_ANOTHER_LAMP_PCT
        judged = lamps.calibrate_lamp(
            spots, light_h, duty_fraction, acceptance, sensor_standard_uncertainty_pct=sensor_u_pct, across=across,
            factor_standard_uncertainty_pct=0.0 if factor is None else of_factor_pct,
        )  # fmt: skip
        found = judged["result"]
        words = [
            f"{found['ppfd_at_full_duty_umol_m2_s']:.1f} ± {found['expanded']:.1f} umol m-2 s-1 at full duty "
            f"(expanded, k = {found['coverage']:.2f}).",
            f"Uniformity: least over mean {found['min_over_mean']:.2f}, coefficient of variation "
            f"{found['cv_pct']:.1f} %.",
            f"Daily light integral {found['daily_light_integral_mol_m2']:.2f} mol m-2 at duty {duty_fraction:g}, "
            f"{light_h:g} h.",
        ]
        if factor is not None:
            words += [f"Factor: {factor:g} lux are 1 umol m-2 s-1.", lamps.LUX_WARNING]
        method = "Line through the means at each duty; uniformity at the highest duty; DLI = PPFD x 3600 x h / 10^6."
        data = {"lux_source": lux_source, "lux_per_umol_m2_s": factor, "readings": rows}
        valid = "for this lamp at this height, until either is changed, or for a year of light (common practice)"
        _keep(chamber_path, "lamp", asked_by, judged, words, data, method, instruments=instruments, valid=valid,
              pdf=pdf)  # fmt: skip
