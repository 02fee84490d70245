"""``wardian calibrate check``: one portion, weighed, onto the control chart."""

from datetime import UTC, datetime
from pathlib import Path

import click

from controller.bench import records
from controller.bench.bench_chamber import open_bench
from controller.bench.pump import Weighing, quick_check
from controller.bench.session_file import GIVEN
from controller.commands.at_the_balance import CAUTION, AtTheBalance, at_the_balance, from_csv, weighed, when_ready
from controller.commands.certifying import advise, hours_turned_h
from controller.commands.terminal import FiniteRange, out, plain_errors
from controller.errors import SettingsError
from controller.plan import Chamber
from controller.settings import read_chamber

SCATTER_ASSUMED_ML = 0.05  # of one portion, where no calibration is in use to tell it (a choice, no source)


@click.command()
@at_the_balance
@click.option("--volume-ml", type=FiniteRange(min=0.1), default=20.0, show_default=True)
@click.option(
    "--portion", type=click.IntRange(min=1), help="With --session: which of its portions.", show_default="the last"
)
def check(said: AtTheBalance, volume_ml: float, portion: int | None) -> None:
    """Weigh one portion and put it on the control chart."""
    if portion is not None and said.session_path is None:
        raise click.UsageError("--portion belongs to --session.")
    with plain_errors():
        chamber = read_chamber(said.chamber_path)
        conditions = said.conditions()
        folder = records.folder_of(said.chamber_path)
        out.print(CAUTION, style="dim")
        given = said.given()
        if given is not None and said.session_path is not None and said.masses is not None:
            weighing, session = _one_of(given, portion, said.session_path, said.masses), said.session_path.name
        else:
            weighing, session = _given_now(said, chamber, volume_ml)
        scatter_ml = _scatter_of_use_ml(folder, chamber)
        found_ml_per_step, u_ml_per_step, difference_pct = quick_check(
            weighing, conditions, chamber.pump.ml_per_step, scatter_ml
        )
        hours_h = hours_turned_h(folder, chamber, said.runs, said.turned_h, simulated=said.simulated)
        at_utc = datetime.now(UTC)
        content = {
            "at_utc": at_utc.isoformat(timespec="seconds"),
            "by": said.asked_by,
            "accepted": True,
            "simulated": said.simulated,
            "session": session,
            "tubing_lot": chamber.pump.tubing_lot,
            "turned_h": round(hours_h, 3),
            "instruments": said.instruments,
            "result": {
                "ml_per_step": found_ml_per_step,
                "ml_per_step_standard_uncertainty": u_ml_per_step,
                "difference_pct": difference_pct,
            },
            "data": {
                "dose_id": weighing.dose_id,
                "steps": weighing.steps,
                "mass_g": weighing.mass_g,
                "water_temperature_c": said.water_c,
                "pressure_kpa": said.pressure_kpa,
                "evaporated_g": said.evaporated_g,
                "balance_resolution_g": said.resolution_g,
                "scatter_ml": scatter_ml,
            },
        }
        records.keep(folder, "check", at_utc, content)
        out.print(
            f"{found_ml_per_step:.6f} ml a step (standard uncertainty {u_ml_per_step:.6f}), {difference_pct:+.2f} % "
            "from the factor in use."
        )
        advise(folder, chamber, hours_h, simulated=said.simulated)


def _one_of(given: list[tuple[int, int]], portion: int | None, session_path: Path, masses: Path) -> Weighing:
    """A portion of an earlier session, with the one mass of a file."""
    if len(given) < (portion or 1):
        sentence = f"{session_path}: has no portion {portion or 1}; it gave {len(given)} to be weighed."
        raise SettingsError((sentence,))
    (weighing,) = from_csv(masses, given[-1:] if portion is None else [given[portion - 1]])
    return weighing


def _given_now(said: AtTheBalance, chamber: Chamber, volume_ml: float) -> tuple[Weighing, str]:
    """A portion that the chamber gives now, and the name of its session."""
    balance = said.balance(chamber)
    bench = open_bench(said.chamber_path, said.asked_by, simulated=said.simulated, runs=said.runs)
    try:
        bench.session.get_ready()
        when_ready("Fill the tube, put the tared vessel under it, then Enter.")
        closed = bench.give(max(1, round(volume_ml / chamber.pump.ml_per_step)))
        bench.session.note(GIVEN, portion=1, dose_id=closed.dose_id, steps=closed.steps_max)
        if said.masses is None:
            weighing = weighed(bench, balance, 1, closed.dose_id, closed.steps_max)
        else:
            when_ready("The portion is given: weigh it, write it down, then Enter.")
            (weighing,) = from_csv(said.masses, [(closed.dose_id, closed.steps_max)])
    finally:
        bench.close()
        if balance is not None:
            balance.close()
    return weighing, bench.session.folder.name


def _scatter_of_use_ml(folder: Path, chamber: Chamber) -> float:
    """How far single portions lay from the line of the calibration in use."""
    used = records.in_use(folder).get("pump")
    if used is None or used["id"] != chamber.pump.calibration_id:
        return SCATTER_ASSUMED_ML
    return float(used["result"]["line"]["residual_sd"])
