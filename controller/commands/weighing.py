"""``wardian calibrate pump``: portions given by the chamber, weighed at the bench."""

import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from controller.bench import records
from controller.bench.balance import Balance
from controller.bench.bench_chamber import Bench, open_bench
from controller.bench.masses import number_in
from controller.bench.pump import Weighing
from controller.bench.pump_record import keep_pump
from controller.bench.session import spread_steps
from controller.bench.session_file import GIVEN
from controller.commands.at_the_balance import CAUTION, AtTheBalance, at_the_balance, from_csv, weighed, when_ready
from controller.commands.bench_options import pdf_option
from controller.commands.certifying import certify, hours_turned_h
from controller.commands.terminal import Exit, out, plain_errors
from controller.errors import SettingsError
from controller.plan import Chamber
from controller.settings import read_chamber


@click.command()
@at_the_balance
@click.option("--volumes-ml", default="5,20", show_default=True, help="Sizes of portion, parted by commas.")
@click.option("--times", type=click.IntRange(min=1, max=20), default=5, show_default=True, help="Portions of a size.")
@pdf_option
def pump(said: AtTheBalance, volumes_ml: str, times: int, pdf: bool) -> None:
    """Deliver portions, weigh them, and work out millilitres a step."""
    with plain_errors():
        chamber = read_chamber(said.chamber_path)
        conditions = said.conditions()
        folder = records.folder_of(said.chamber_path)
        out.print(CAUTION, style="dim")
        given = said.given()
        if given is not None and said.session_path is not None and said.masses is not None:
            weighings, name = from_csv(said.masses, given), said.session_path.name
        else:
            order = spread_steps(sizes_in_steps(volumes_ml, chamber), times)
            balance = said.balance(chamber)
            bench = open_bench(said.chamber_path, said.asked_by, simulated=said.simulated, runs=said.runs)
            try:
                name = bench.session.folder.name
                weighings = _portions(bench, balance, order, said.masses)
            finally:
                bench.close()
                if balance is not None:
                    balance.close()
            out.print(f"Everything typed and given is kept in {bench.session.folder}.")
        record = keep_pump(
            folder, chamber, weighings, conditions, by=said.asked_by, instruments=said.instruments, session=name,
            simulated=said.simulated, at_utc=datetime.now(UTC),
            turned_h=hours_turned_h(folder, chamber, said.runs, said.turned_h, simulated=said.simulated),
        )  # fmt: skip
        tell_pump(record)
        certify(record, folder, pdf)
    if not record["accepted"]:
        sys.exit(Exit.FOUND_WANTING)


def sizes_in_steps(text: str, chamber: Chamber) -> list[int]:
    """Steps of the portions that an option names in ml; SettingsError for one that is none or too large."""
    most_ml = chamber.limits.dose_max_ml
    sizes_ml = [number_in(each, "--volumes-ml", "number of millilitres") for each in text.split(",")]
    for size_ml in sizes_ml:
        if not 0.0 < size_ml <= most_ml:
            bounds = f"above 0 and at most {most_ml:g} (limits.dose_max_ml)"
            raise SettingsError((f"--volumes-ml: a portion is {size_ml:g} ml, but must be {bounds}.",))
    return [max(1, round(size_ml / chamber.pump.ml_per_step)) for size_ml in sizes_ml]


def _portions(bench: Bench, balance: Balance | None, order: list[int], masses: Path | None) -> list[Weighing]:
    bench.session.get_ready()
    when_ready("1. Prime: put a waste vessel under the tube. Then Enter: one portion is given and not weighed.")
    bench.give(max(order))
    when_ready("2. Tare: put the dry, weighed vessel under the tube and set the balance to zero. Then Enter.")
    out.print(f"3. {len(order)} portions. Tare the balance again before each.")
    given: list[tuple[int, int]] = []
    weighings: list[Weighing] = []
    for place, steps in enumerate(order, 1):
        closed = bench.give(steps)
        given.append((closed.dose_id, closed.steps_max))
        bench.session.note(GIVEN, portion=place, dose_id=closed.dose_id, steps=closed.steps_max)
        if masses is None:
            weighings.append(weighed(bench, balance, place, closed.dose_id, closed.steps_max))
        else:
            when_ready(f"  Portion {place} is given: weigh it, write it down, then Enter.")
    return weighings if masses is None else from_csv(masses, given)


def tell_pump(record: dict[str, Any]) -> None:
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
