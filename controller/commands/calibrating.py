"""``wardian calibrate``: a technician's procedures, step by step."""

import importlib.util
import json
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from controller.bench import ageing, records
from controller.bench.balance import Balance
from controller.bench.bench_chamber import Bench, open_bench
from controller.bench.certificate import write_certificate, write_paper
from controller.bench.masses import balance_pattern, mass_g, masses_from_csv_g
from controller.bench.pump import Acceptance, Conditions, Weighing, judge_conditions, quick_check
from controller.bench.pump_record import keep_pump
from controller.bench.session import given_portions, spread_steps
from controller.commands.instruments import humidity, lamp, moisture, temperature
from controller.commands.portioning import portions
from controller.commands.terminal import Exit, by_option, err, json_option, out, plain_errors
from controller.errors import SettingsError, WardianError
from controller.settings import read_chamber

CAUTION = (
    "Water beside electronics: put the vessel and the balance on a dry tray below them, wipe spills at once, and keep "
    "mains plugs away from both. The interlocks stay on; a trip ends the calibration."
)
chamber_option = click.option(
    "--chamber", "chamber_path", required=True, type=click.Path(path_type=Path), help="Chamber file (TOML)."
)
water_option = click.option("--water-c", type=float, required=True, help="Temperature of the water, in C.")
pressure_option = click.option("--pressure-kpa", type=float, required=True, help="Air pressure at the bench, in kPa.")
evaporated_option = click.option(
    "--evaporated-g", type=float, default=0.0, show_default=True, help="Loss in the time of a portion."
)
simulated_option = click.option("--simulated", is_flag=True, help="On a simulated chamber, its balance too.")
port_option = click.option("--balance", "balance_port", help="Serial line of a balance; else masses are typed.")
baud_option = click.option("--balance-baud", type=int, default=9600, show_default=True)
pattern_option = click.option(
    "--balance-pattern",
    "pattern",
    default=r"([+-]?\d+\.\d+)\s*g",
    show_default=True,
    help="Finds the mass in its line.",
)
ask_option = click.option("--balance-ask", default="", help="Text sent to the balance to ask for a mass.")


@click.group()
def calibrate() -> None:
    """Calibrate the pump by weighing, check it, and put calibrations into use."""


def _when_ready(words: str) -> None:
    click.prompt(words, default="", show_default=False, prompt_suffix=" ")


def _conditions(water_c: float, pressure_kpa: float, evaporated_g: float, resolution_g: float = 0.01) -> Conditions:
    if importlib.util.find_spec("scipy") is None:
        raise SettingsError(("Calibrating needs the extra libraries of wardian[bench] (scipy).",))
    found = Conditions(
        water_temperature_c=water_c,
        pressure_kpa=pressure_kpa,
        evaporated_g=evaporated_g,
        balance_resolution_g=resolution_g,
    )
    faults = judge_conditions(found)
    if faults:
        raise SettingsError(tuple(faults))
    return found


def _balance(port: str | None, baud: int, pattern: str, ask: str) -> Balance | None:
    if port is None:
        return None
    return Balance(port, baud, balance_pattern(pattern), ask.encode() + b"\r\n" if ask else b"")


def _weighed(bench: Bench, balance: Balance | None, number: int, dose_id: int, steps: int) -> Weighing:
    """Ask until a usable mass is there; every answer is kept as it was typed."""
    shown = bench.shown_mass_g()
    while True:
        if balance is not None:
            _when_ready(f"  Portion {number}: weigh the vessel, then Enter.")
            found_g, text = balance.read_g(), "balance"
        else:
            text = click.prompt(
                f"  Portion {number}: mass in g", default=None if shown is None else f"{shown:.2f}", type=str
            )
            bench.session.note("typed", portion=number, dose_id=dose_id, text=text)
            try:
                found_g = mass_g(text, f"portion {number}")
            except SettingsError as error:
                err.print(error.sentences[0])
                continue
        if found_g > 0.0:
            bench.session.note("weighed", portion=number, dose_id=dose_id, steps=steps, mass_g=found_g)
            return Weighing(dose_id=dose_id, steps=steps, mass_g=found_g)
        err.print(f"portion {number}: mass_g is {found_g:g}, but must be above 0; look at the tare.")


@calibrate.command()
@chamber_option
@by_option
@water_option
@pressure_option
@evaporated_option
@click.option("--volumes-ml", default="5,20", show_default=True, help="Sizes of portion, parted by commas.")
@click.option("--times", type=click.IntRange(min=1, max=20), default=5, show_default=True, help="Portions of a size.")
@click.option("--resolution-g", type=click.FloatRange(min=0), default=0.01, show_default=True, help="Of the balance.")
@click.option("--instruments", default="", help="Balance, thermometer, barometer: make and number of each.")
@click.option(
    "--masses", type=click.Path(path_type=Path), help="CSV with a column mass_g, read after the last portion."
)
@click.option(
    "--session", "session_path", type=click.Path(path_type=Path), help="With --masses: portions given before."
)
@port_option
@baud_option
@pattern_option
@ask_option
@click.option("--pdf", is_flag=True, help="The certificate as PDF too.")
@simulated_option
def pump(
    chamber_path: Path, asked_by: str, water_c: float, pressure_kpa: float, evaporated_g: float, volumes_ml: str,
    times: int, resolution_g: float, instruments: str, masses: Path | None, session_path: Path | None,
    balance_port: str | None, balance_baud: int, pattern: str, balance_ask: str, pdf: bool, simulated: bool,
) -> None:  # fmt: skip
    """Deliver portions, weigh them, and work out millilitres a step."""
    with plain_errors():
        chamber = read_chamber(chamber_path)
        conditions = _conditions(water_c, pressure_kpa, evaporated_g, resolution_g)
        folder = records.folder_of(chamber_path)
        out.print(CAUTION, style="dim")
        if session_path is not None:
            if masses is None:
                raise SettingsError(("--session needs --masses: the file with the weighed masses.",))
            given, name = given_portions(session_path), session_path.name
            weighings = _from_csv(masses, given)
        else:
            sizes_steps = [_steps(each, chamber.pump.ml_per_step) for each in volumes_ml.split(",")]
            order = spread_steps(sizes_steps, times)
            balance = _balance(balance_port, balance_baud, pattern, balance_ask)
            bench = open_bench(chamber_path, asked_by, simulated=simulated)
            try:
                name = bench.session.folder.name
                weighings = _portions(bench, balance, order, masses)
            finally:
                bench.close()
                if balance is not None:
                    balance.close()
            out.print(f"Everything typed and given is kept in {bench.session.folder}.")
        record = keep_pump(
            folder, chamber, weighings, conditions, Acceptance(), by=asked_by, instruments=instruments, session=name,
            simulated=simulated, at_utc=datetime.now(UTC),
        )  # fmt: skip
        _tell(record)
        _certify(record, folder, pdf)
    if not record["accepted"]:
        sys.exit(Exit.FOUND_WANTING)


def _steps(text: str, ml_per_step: float) -> int:
    return max(1, round(mass_g(text, "--volumes-ml") / ml_per_step))


def _portions(bench: Bench, balance: Balance | None, order: list[int], masses: Path | None) -> list[Weighing]:
    bench.session.get_ready()
    _when_ready("1. Prime: put a waste vessel under the tube. Then Enter: one portion is given and not weighed.")
    bench.give(max(order))
    _when_ready("2. Tare: put the dry, weighed vessel under the tube and set the balance to zero. Then Enter.")
    out.print(f"3. {len(order)} portions. Tare the balance again before each.")
    given: list[tuple[int, int]] = []
    weighings: list[Weighing] = []
    for place, steps in enumerate(order, 1):
        closed = bench.give(steps)
        given.append((closed.dose_id, closed.steps_max))
        bench.session.note("given", portion=place, dose_id=closed.dose_id, steps=closed.steps_max)
        if masses is None:
            weighings.append(_weighed(bench, balance, place, closed.dose_id, closed.steps_max))
        else:
            _when_ready(f"  Portion {place} is given: weigh it, write it down, then Enter.")
    return weighings if masses is None else _from_csv(masses, given)


def _from_csv(path: Path, given: list[tuple[int, int]]) -> list[Weighing]:
    found_g = masses_from_csv_g(path)
    if len(found_g) != len(given):
        raise SettingsError((f"{path}: holds {len(found_g)} masses, but {len(given)} portions were given.",))
    return [Weighing(dose_id=d, steps=s, mass_g=g) for (d, s), g in zip(given, found_g, strict=True)]


def _tell(record: dict[str, Any]) -> None:
    result = record["result"]
    expanded_pct = 100.0 * result["expanded_ml_per_step"] / result["ml_per_step"]
    out.print(
        f"{result['ml_per_step']:.6f} ml a step, expanded uncertainty {result['expanded_ml_per_step']:.6f} "
        f"({expanded_pct:.2f} %, k = {result['coverage']:.2f})."
    )
    aside = [str(n) for n, out_of_line in enumerate(result["set_aside"], 1) if out_of_line]
    if aside:
        out.print(
            f"Off the line and set aside: portion {', '.join(aside)}. With all: "
            f"{result['line_with_all']['slope']:.6f} ml a step.",
            style="bold",
        )
    if result["intercept_p"] < 0.01:
        out.print("The line does not pass through zero: look for air in the tube, or slack.", style="bold")
    if record["accepted"]:
        out.print(f"Good enough. To let the chamber take it: wardian calibrate use {record['id']} --chamber ...")
    for sentence in record["refused_because"]:
        out.print(f"Refused for use: {sentence}", style="bold")


def _certify(record: dict[str, Any], folder: Path, pdf: bool) -> None:
    page = folder / f"{record['id']}.html"
    try:
        write_certificate(record, page)
        out.print(str(page))
        if pdf:
            write_paper(page, page.with_suffix(".pdf"))
            out.print(str(page.with_suffix(".pdf")))
    except WardianError as error:
        err.print(str(error))


@calibrate.command()
@chamber_option
@by_option
@water_option
@pressure_option
@evaporated_option
@click.option("--volume-ml", type=click.FloatRange(min=0.1), default=20.0, show_default=True)
@port_option
@baud_option
@pattern_option
@ask_option
@simulated_option
def check(
    chamber_path: Path, asked_by: str, water_c: float, pressure_kpa: float, evaporated_g: float, volume_ml: float,
    balance_port: str | None, balance_baud: int, pattern: str, balance_ask: str, simulated: bool,
) -> None:  # fmt: skip
    """Weigh one portion and put it on the control chart."""
    with plain_errors():
        chamber = read_chamber(chamber_path)
        conditions = _conditions(water_c, pressure_kpa, evaporated_g)
        folder = records.folder_of(chamber_path)
        out.print(CAUTION, style="dim")
        balance = _balance(balance_port, balance_baud, pattern, balance_ask)
        bench = open_bench(chamber_path, asked_by, simulated=simulated)
        try:
            bench.session.get_ready()
            _when_ready("Fill the tube, put the tared vessel under it, then Enter.")
            closed = bench.give(max(1, round(volume_ml / chamber.pump.ml_per_step)))
            weighing = _weighed(bench, balance, 1, closed.dose_id, closed.steps_max)
        finally:
            bench.close()
            if balance is not None:
                balance.close()
        found_ml_per_step, difference_pct = quick_check(weighing, conditions, chamber.pump.ml_per_step)
        at_utc = datetime.now(UTC)
        records.keep(
            folder,
            "check",
            at_utc,
            {
                "at_utc": at_utc.isoformat(timespec="seconds"),
                "by": asked_by,
                "accepted": True,
                "simulated": simulated,
                "tubing_lot": chamber.pump.tubing_lot,
                "result": {
                    "ml_per_step": found_ml_per_step,
                    "ml_per_step_standard_uncertainty": chamber.pump.ml_per_step_standard_uncertainty,
                    "difference_pct": difference_pct,
                },
                "data": {
                    "dose_id": weighing.dose_id,
                    "steps": weighing.steps,
                    "mass_g": weighing.mass_g,
                    "water_temperature_c": water_c,
                    "pressure_kpa": pressure_kpa,
                    "evaporated_g": evaporated_g,
                },
            },
        )
        out.print(f"{found_ml_per_step:.6f} ml a step, {difference_pct:+.2f} % from the factor in use.")
        _advise(folder, 0.0, 1e9)


@calibrate.command("list")
@chamber_option
@click.option("--turned-h", type=click.FloatRange(min=0), default=0.0, help="Hours the tube has turned.")
@click.option("--tube-life-h", type=click.FloatRange(min=0.1), default=100.0, show_default=True)
@json_option
def list_records(chamber_path: Path, turned_h: float, tube_life_h: float, as_json: bool) -> None:
    """Show all calibrations and checks, oldest first, and whether the pump has moved."""
    with plain_errors():
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
            out.print(f"{mark} {each['id']}  {_figure(each)}  by {each['by']}{lot}")
        _advise(folder, turned_h, tube_life_h)


def _figure(record: dict[str, Any]) -> str:
    if "ml_per_step" in record["result"]:
        return f"{record['result']['ml_per_step']:.6f} ml a step"
    return str(record["words"][0])


def _advise(folder: Path, turned_h: float, tube_life_h: float) -> None:
    standing = ageing.judge_ageing(ageing.points_of(records.read_all(folder)), turned_h, tube_life_h)
    for sentence in standing.advice:
        out.print(sentence, style="bold")


@calibrate.command()
@click.argument("calibration_id")
@chamber_option
@click.option("--pdf", is_flag=True, help="The certificate as PDF too.")
@json_option
def show(calibration_id: str, chamber_path: Path, pdf: bool, as_json: bool) -> None:
    """Show one calibration, and write its certificate again."""
    with plain_errors():
        folder = records.folder_of(chamber_path)
        record = records.read(folder, calibration_id)
        if as_json or record["kind"] != "pump":
            click.echo(json.dumps(record, indent=2, ensure_ascii=False))
            return
        _tell(record)
        _certify(record, folder, pdf)


@calibrate.command()
@click.argument("calibration_id")
@chamber_option
@by_option
def use(calibration_id: str, chamber_path: Path, asked_by: str) -> None:
    """Let the chamber take this calibration from now on."""
    with plain_errors():
        folder = records.folder_of(chamber_path)
        before = records.in_use(folder)
        kind = records.read(folder, calibration_id)["kind"]
        records.put_into_use(folder, calibration_id, asked_by, datetime.now(UTC))
        read_chamber(chamber_path)
        was = before.get(kind, {}).get("id", "the figures of the chamber file")
        out.print(f"In use: {calibration_id}, {_figure(records.read(folder, calibration_id))}; before: {was}.")


for each_command in (moisture, humidity, temperature, lamp, portions):
    calibrate.add_command(each_command)
