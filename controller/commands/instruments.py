"""``wardian calibrate moisture``, ``humidity``, ``temperature``, ``lamp``: readings from a file, judged and kept."""

import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from controller import __version__
from controller.bench import hygrometer, records
from controller.bench import lamp as lamps
from controller.bench.certificate import write_sheet
from controller.bench.masses import rows_from_csv
from controller.bench.moisture import Sample, calibrate_probe
from controller.commands.terminal import Exit, FiniteRange, by_option, err, out, plain_errors
from controller.errors import SettingsError, WardianError
from controller.science.light import lux_to_ppfd_umol_m2_s
from controller.settings import read_chamber

chamber_option = click.option(
    "--chamber", "chamber_path", required=True, type=click.Path(path_type=Path), help="Chamber file (TOML)."
)
readings_option = click.option(
    "--readings", "path", required=True, type=click.Path(path_type=Path), help="CSV file; its columns stand above."
)


def _keep(
    chamber_path: Path, kind: str, by: str, judged: dict[str, Any], words: list[str], data: dict[str, Any], method: str
) -> None:
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
        "words": words,
        "method": method,
        "software_version": __version__,
        "data": data,
    }
    record = records.read(folder, records.keep(folder, kind, at_utc, content))
    for sentence in [*words, *judged["refused_because"]]:
        out.print(sentence)
    out.print(f"Kept as {record['id']}.")
    try:
        page = folder / f"{record['id']}.html"
        write_sheet(record, page)
        out.print(str(page))
    except WardianError as error:
        err.print(str(error))
    if not judged["accepted"]:
        sys.exit(Exit.FOUND_WANTING)


@click.command()
@chamber_option
@by_option
@readings_option
def moisture(chamber_path: Path, asked_by: str, path: Path) -> None:
    """The moisture probe in this medium. Columns: counts, water_content_fraction (from weighing)."""
    with plain_errors():
        rows = rows_from_csv(path, ("counts", "water_content_fraction"))
        samples = [Sample(counts=round(r["counts"]), water_content_fraction=r["water_content_fraction"]) for r in rows]
        judged = calibrate_probe(samples)
        found = judged["result"]
        words = [
            f"Water content = {found['intercept']:.4f} {found['slope']:+.3e} x counts, standard uncertainty of a "
            f"reading {found['standard_uncertainty_fraction']:.3f}; calibrated from {found['counts_low']} to "
            f"{found['counts_high']} counts."
        ]
        method = (
            "Samples weighed wet and dry; least squares line through counts and volumetric water content; the "
            "uncertainty is that of one new reading (residual scatter and line, JCGM 100:2008, H.3). With two samples "
            "it is assumed, not measured."
        )
        _keep(chamber_path, "moisture", asked_by, judged, words, {"readings": rows}, method)


@click.command()
@chamber_option
@by_option
@readings_option
@click.option("--salt", required=True, help="LiCl, CH3COOK, MgCl2, K2CO3, Mg(NO3)2, NaCl, KCl, KNO3 or K2SO4.")
@click.option("--air-c", type=FiniteRange(), required=True, help="Temperature of salt, air and sensor, in C.")
@click.option("--stated-accuracy-pct", type=FiniteRange(min=0), default=2.0, show_default=True)
def humidity(
    chamber_path: Path, asked_by: str, path: Path, salt: str, air_c: float, stated_accuracy_pct: float
) -> None:
    """The humidity sensor over a saturated salt. Columns: elapsed_min, relative_humidity_pct."""
    with plain_errors():
        out.print(hygrometer.CAUTIONS, style="dim")
        rows = rows_from_csv(path, ("elapsed_min", "relative_humidity_pct"))
        elapsed_min = [row["elapsed_min"] for row in rows]
        readings_pct = [row["relative_humidity_pct"] for row in rows]
        judged = hygrometer.check_humidity(salt, air_c, elapsed_min, readings_pct, stated_accuracy_pct)
        words = [_difference_words(judged["result"], f"saturated {salt} at {air_c:g} C")]
        data = {"salt": salt, "air_temperature_c": air_c, "readings": rows}
        method = "Saturated salt solution: Greenspan (1977), J. Res. Natl. Bur. Stand. 81A:89. Drift by the slope's t."
        _keep(chamber_path, "humidity", asked_by, judged, words, data, method)


@click.command()
@chamber_option
@by_option
@readings_option
@click.option("--reference-u-c", type=FiniteRange(min=0), default=0.1, show_default=True)
@click.option("--stated-accuracy-c", type=FiniteRange(min=0), default=0.3, show_default=True)
def temperature(chamber_path: Path, asked_by: str, path: Path, reference_u_c: float, stated_accuracy_c: float) -> None:
    """The temperature sensor against a thermometer. Columns: sensor_c, reference_c."""
    with plain_errors():
        rows = rows_from_csv(path, ("sensor_c", "reference_c"))
        judged = hygrometer.check_temperature(
            [row["sensor_c"] for row in rows], [row["reference_c"] for row in rows], reference_u_c, stated_accuracy_c
        )
        words = [_difference_words(judged["result"], "the reference thermometer")]
        method = "Mean of the differences, pair by pair; k = 2 with the thermometer's own uncertainty."
        _keep(chamber_path, "temperature", asked_by, judged, words, {"readings": rows}, method)


def _difference_words(found: dict[str, Any], against: str) -> str:
    return (
        f"Against {against} ({found['reference']:.2f} {found['unit']}) the sensor is off by {found['difference']:+.2f} "
        f"{found['unit']}, expanded uncertainty {found['expanded']:.2f} (k = 2)."
    )


@click.command()
@chamber_option
@by_option
@readings_option
@click.option("--light-h", type=FiniteRange(min=0, max=24), default=16.0, show_default=True)
@click.option("--duty", "duty_fraction", type=FiniteRange(min=0, max=1), default=1.0, help="Duty of the plan.")
@click.option("--lux-source", help="Readings are lux, column illuminance_lux; this kind of lamp gives the factor.")
def lamp(
    chamber_path: Path, asked_by: str, path: Path, light_h: float, duty_fraction: float, lux_source: str | None
) -> None:
    """The lamp over the positions. Columns: position, duty_fraction, ppfd_umol_m2_s."""
    with plain_errors():
        out.print(lamps.CAUTIONS, style="dim")
        column = "ppfd_umol_m2_s" if lux_source is None else "illuminance_lux"
        rows = rows_from_csv(path, ("position", "duty_fraction", column))
        try:
            spots = [
                lamps.Spot(
                    position=round(row["position"]),
                    duty_fraction=row["duty_fraction"],
                    ppfd_umol_m2_s=row[column]
                    if lux_source is None
                    else lux_to_ppfd_umol_m2_s(row[column], lux_source),
                )
                for row in rows
            ]
        except ValueError as error:
            raise SettingsError((f"--lux-source: {error}.",)) from error
        judged = lamps.calibrate_lamp(spots, light_h, duty_fraction)
        found = judged["result"]
        words = [
            f"{found['ppfd_at_full_duty_umol_m2_s']:.1f} umol m-2 s-1 at full duty, standard uncertainty "
            f"{found['ppfd_standard_uncertainty_umol_m2_s']:.1f}.",
            f"Uniformity: least over mean {found['min_over_mean']:.2f}, coefficient of variation "
            f"{found['cv_pct']:.1f} %.",
            f"Daily light integral {found['daily_light_integral_mol_m2']:.2f} mol m-2 at duty {duty_fraction:g}, "
            f"{light_h:g} h.",
        ]
        if lux_source is not None:
            words.append(lamps.LUX_WARNING)
        method = "Line through the means at each duty; uniformity at the highest duty; DLI = PPFD x 3600 x h / 10^6."
        _keep(chamber_path, "lamp", asked_by, judged, words, {"lux_source": lux_source, "readings": rows}, method)
