"""``wardian calibrate``: a technician's procedures, and what came of them."""

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from controller.bench import ageing, records
from controller.bench.taking import NamedPlan, plan_under_way, put_into_use
from controller.commands.bench_options import chamber_option, pdf_option, runs_option, turned_option
from controller.commands.certifying import advise, certify, hours_turned_h
from controller.commands.checking import check
from controller.commands.instruments import humidity, lamp, moisture, temperature
from controller.commands.portioning import portions
from controller.commands.terminal import by_option, json_option, out, plain_errors
from controller.commands.weighing import pump, tell_pump
from controller.plan import Chamber
from controller.settings import read_chamber

CERTIFIED = ("pump", "moisture", "humidity", "temperature", "lamp")


@click.group()
def calibrate() -> None:
    """Calibrate the pump by weighing, check it, and put calibrations into use."""


@calibrate.command("list")
@chamber_option
@runs_option
@turned_option
@json_option
def list_records(chamber_path: Path, runs: Path, turned_h: float, as_json: bool) -> None:
    """Show all calibrations and checks, oldest first, and whether the pump has moved; draw its control charts."""
    with plain_errors():
        chamber = read_chamber(chamber_path)
        folder = records.folder_of(chamber_path)
        found = [each for each in records.read_all(folder) if each["kind"] != records.USE]
        used = {each["id"] for each in records.in_use(folder).values()}
        if as_json:
            click.echo(json.dumps([{**each, "in_use": each["id"] in used} for each in found], indent=2))
            return
        if not found:
            out.print(f"No calibrations in {folder}.")
        for each in found:
            mark = "in use " if each["id"] in used else ("       " if each["accepted"] else "refused")
            lot = f"  lot {each['tubing_lot']}" if each.get("tubing_lot") else ""
            hours = f", {each['turned_h']:.2f} h turned" if each.get("turned_h") is not None else ""
            out.print(f"{mark} {each['id']}  {_figure(each)}  by {each['by']}{lot}{hours}")
        simulated = ageing.is_all_simulated(found)
        advise(
            folder, chamber, hours_turned_h(folder, chamber, runs, turned_h, simulated=simulated), simulated=simulated
        )


def _figure(record: dict[str, Any]) -> str:
    if "ml_per_step" in record["result"]:
        return f"{record['result']['ml_per_step']:.6f} ml a step"
    return str(record["words"][0])


@calibrate.command()
@click.argument("calibration_id")
@chamber_option
@pdf_option
@json_option
def show(calibration_id: str, chamber_path: Path, pdf: bool, as_json: bool) -> None:
    """Show one calibration, and write its certificate again."""
    with plain_errors():
        folder = records.folder_of(chamber_path)
        record = records.read(folder, calibration_id)
        if as_json or record["kind"] not in CERTIFIED:
            click.echo(json.dumps(record, indent=2, ensure_ascii=False))
            return
        if record["kind"] == "pump":
            tell_pump(record)
        else:
            for sentence in (*record["words"], *record["refused_because"]):
                out.print(sentence)
        certify(record, folder, pdf)


@calibrate.command()
@click.argument("calibration_id")
@chamber_option
@by_option
@click.option(
    "--runs",
    type=click.Path(path_type=Path),
    default=Path("runs"),
    show_default=True,
    help="Folder of this chamber's runs: the plan of the one under way must be able to go on.",
)
@click.option(
    "--fit-limits",
    is_flag=True,
    help="Also lower limits of the chamber that the board could not keep at this factor, with 5 % to spare.",
)
def use(calibration_id: str, chamber_path: Path, asked_by: str, runs: Path, fit_limits: bool) -> None:
    """Let the chamber take this calibration from now on, if the whole chamber file stays good with it."""
    with plain_errors():

        def plans(chamber: Chamber) -> list[NamedPlan]:
            return plan_under_way(runs, chamber.site)

        figure = _figure(records.read(records.folder_of(chamber_path), calibration_id))
        taken = put_into_use(
            chamber_path, calibration_id, asked_by, datetime.now(UTC), plans=plans, fit_limits=fit_limits
        )
        was = taken.before_id or "the figures of the chamber file"
        out.print(f"In use: {calibration_id}, {figure}; before: {was}.")
        for change in taken.changes:
            out.print(f"  {change}")
        if records.SIMULATED in calibration_id.split("-"):
            out.print("It was measured on a simulated chamber: no real run starts with it.", style="bold")


for instrument in (pump, check, portions, moisture, humidity, temperature, lamp):
    calibrate.add_command(instrument)
