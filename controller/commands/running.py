"""``wardian run`` and ``wardian check``."""

import json
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from controller import asking
from controller.acceptance.record import BenchRecord
from controller.bench.records import folder_of, judge_real, judge_tube
from controller.bench.tube import look_elsewhere, pump_age
from controller.chamber.hurried_clock import HurriedClock
from controller.chamber.real import RealChamber
from controller.chamber.simulated_live import SimulatedLive, SimulatedOnStand, passing_clock
from controller.check import Finding, check_chamber
from controller.check_record import CheckRecord
from controller.commands import benching
from controller.commands.planning import tell_doubts
from controller.commands.telling import CAUTION
from controller.commands.terminal import Exit, err, json_option, out, plain_errors
from controller.control import model as m
from controller.control.photoperiod import moment_of
from controller.errors import JournalError, SettingsError
from controller.run import LiveRun, lock_run, open_run
from controller.schedule import HurriedSchedule
from controller.settings import read_chamber, read_settings

SPEED_MAX = 10_000


@click.command()
@click.argument("plan_path", metavar="PLAN", type=click.Path(path_type=Path))
@click.option("--chamber", "chamber_path", required=True, type=click.Path(path_type=Path), help="Chamber file (TOML).")
@click.option("--out", "folder", type=click.Path(path_type=Path), help="Folder of the run; an old one goes on.")
@click.option("--simulated", is_flag=True, help="On a simulated chamber, in real time.")
@click.option("--stand", type=click.Path(path_type=Path), help="With --simulated: folder of a board on a stand.")
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True, help="Chance of the simulation.")
@click.option(
    "--speed",
    "chamber_s_per_s",
    type=click.IntRange(1, SPEED_MAX),
    default=1,
    show_default=True,
    help="With --simulated: seconds that pass in the chamber, at most, in one second outside.",
)
def run(
    plan_path: Path,
    chamber_path: Path,
    folder: Path | None,
    simulated: bool,
    stand: Path | None,
    seed: int,
    chamber_s_per_s: int,
) -> None:
    """Run a plan in a chamber until its end, SIGTERM or ctrl-C; started again, it goes on."""
    if chamber_s_per_s != 1 and not simulated:
        raise click.UsageError("--speed belongs to --simulated: real plants take their time.")
    with plain_errors():
        settings = read_settings(plan_path, chamber_path)
        judge_tube(folder_of(chamber_path), settings.chamber.pump.tubing_lot)
        if not simulated:
            judge_real(settings.chamber.calibration_ids)
        folder = folder or Path("runs") / plan_path.name.removesuffix(".toml").removesuffix(".plan")
        held = lock_run(folder)
        journal = open_run(folder, settings, simulated=simulated, chamber_name=str(chamber_path))
        if bool(journal.run_row()["simulated"]) != simulated:
            raise SettingsError((f"{folder}: a run that began simulated cannot go on for real, nor the other way.",))
        calibrations = folder_of(chamber_path)
        elsewhere = look_elsewhere(calibrations, [folder.parent], settings.chamber, simulated=simulated)
        age = pump_age(elsewhere, settings.chamber, calibrations, simulated=simulated)
        chamber: Any
        hurried = None
        if not simulated:
            chamber = RealChamber(settings.chamber)
        else:
            clock = passing_clock(folder, chamber_s_per_s, own_board=stand is None)
            hurried = HurriedSchedule(clock) if isinstance(clock, HurriedClock) else None
            if stand is not None:
                chamber = SimulatedOnStand(settings, seed, folder, stand, clock)
            else:
                chamber = SimulatedLive(settings, seed, folder, clock)
        tell_doubts(out, settings)
        out.print(CAUTION, style="dim")
        out.print(f"{settings.plan.name} at {settings.chamber.site.name}; records in {folder}")
        told: list[str] = []

        def tell(state: m.State) -> None:
            words = f"{moment_of(state.now.utc_ms):%Y-%m-%d %H:%M:%S}Z {state.phase}"
            line = f"{state.phase} {state.watering_answer} {state.trips} {state.steps_due[-1:]}"
            if told[-1:] != [line]:
                told[:] = [line]
                out.print(f"{words}: {asking.now_words(state, settings)}")

        live = LiveRun(settings, chamber, journal, elsewhere, age, hurried)
        for sentence in (*elsewhere.faults, *(words for _, words in live.notes)):
            out.print(sentence)
        state = live.run(tell)
        out.print(f"Stopped in phase {state.phase}.")
        del held
        if state.records_failed:
            raise JournalError(f"Stopped while nothing could be recorded: {state.records_failed_words}.")


@click.command()
@click.option("--chamber", "chamber_path", required=True, type=click.Path(path_type=Path), help="Chamber file (TOML).")
@click.option("--out", "folder", type=click.Path(path_type=Path), default=Path("runs"), help="Where records would go.")
@click.option("--bench", is_flag=True, help="Walk through the acceptance tests of hardware/BENCH.md.")
@click.option("--test", "tests", multiple=True, help="With --bench: this test alone; may be said again.")
@click.option("--list", "listing", is_flag=True, help="With --bench: show the tests and what came of them, do none.")
@click.option("--by", "done_by", help="Your initials; with --bench they are needed.")
@json_option
def check(
    chamber_path: Path,
    folder: Path,
    bench: bool,
    tests: tuple[str, ...],
    listing: bool,
    done_by: str | None,
    as_json: bool,
) -> None:
    """Look at every sensor, pin, the board, the clock and the disk. Moves no water."""
    if not bench and (tests or listing):
        raise click.UsageError("--test and --list belong to --bench.")
    with plain_errors():
        chamber = read_chamber(chamber_path)
        if bench and listing:
            benching.tell_list(BenchRecord(chamber_path))
            return
        if bench:
            benching.walk(chamber, chamber_path, tests, done_by, folder)
            return
        findings: list[Finding] = []
        for finding in check_chamber(chamber, folder):
            findings.append(finding)
            if not as_json:
                mark = "well " if finding.well else "LOOK "
                out.print(
                    f"{mark} {finding.part}: {finding.words}",
                    style=None if finding.well else "bold",
                )
    if as_json:
        click.echo(json.dumps([finding._asdict() for finding in findings], indent=2))
    kept = CheckRecord(chamber_path)
    try:
        kept.add(findings, datetime.now(UTC), done_by or "")
    except OSError as error:
        err.print(f"{kept.path}: this check could not be kept ({error.strerror}).")
    if not all(finding.well for finding in findings):
        sys.exit(Exit.FOUND_WANTING)
