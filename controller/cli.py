"""The command line: parse, call, print. Everything else lives elsewhere."""

import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from datetime import UTC, datetime
from enum import IntEnum
from pathlib import Path
from typing import Any

import click
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from controller import __version__, asking
from controller.chamber.faults import FAULTS, parse_fault
from controller.chamber.real import RealChamber
from controller.chamber.simulated_live import SimulatedLive, SimulatedOnStand
from controller.check import Finding, check_chamber
from controller.control import model as m
from controller.control.photoperiod import moment_of, utc_ms
from controller.errors import ChamberError, JournalError, SettingsError
from controller.records.export import export as export_tables
from controller.records.journal import Journal
from controller.records.status import status_of
from controller.rehearse import rehearse as rehearse_plan
from controller.rehearse_files import write_files
from controller.run import LiveRun, lock_run, open_run
from controller.settings import example_path, read_chamber, read_settings, settings_from_text
from controller.telling import CAUTION, tell_status, tell_summary


class Exit(IntEnum):
    """How a command ends, for scripts."""

    WELL = 0
    FAULT = 1  # an error of the program itself
    USAGE = 2  # the command line was not understood
    SETTINGS = 3  # a plan or chamber file, or an option's value, is not usable
    CHAMBER = 4  # a sensor, pin, bus or serial line
    JOURNAL = 5  # the records
    FOUND_WANTING = 6  # the check found something that needs hands
    REFUSED = 7  # the controller said no to a request


out = Console(markup=False, highlight=False, soft_wrap=True)
err = Console(stderr=True, markup=False, highlight=False, soft_wrap=True)


@contextmanager
def plain_errors() -> Iterator[None]:
    """Expected errors become sentences on stderr and an exit code."""
    try:
        yield
    except SettingsError as error:
        for sentence in error.sentences:
            err.print(sentence, style="bold")
        sys.exit(Exit.SETTINGS)
    except ChamberError as error:
        err.print(str(error), style="bold")
        sys.exit(Exit.CHAMBER)
    except JournalError as error:
        err.print(str(error), style="bold")
        sys.exit(Exit.JOURNAL)


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="wardian")
def main() -> None:
    """Run, rehearse and read a sealed growth chamber."""


chamber_option = click.option("--chamber", "chamber_path", type=click.Path(path_type=Path), help="Chamber file (TOML).")
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON for another program.")


# -- rehearse ----


@main.command()
@click.argument("plan_path", metavar="[PLAN]", required=False, type=click.Path(path_type=Path))
@chamber_option
@click.option("--days", type=click.FloatRange(min=0.01, max=400), help="Days to rehearse; default: the plan's length.")
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True, help="Chance of this rehearsal.")
@click.option("--fault", "fault_texts", multiple=True, metavar="NAME@TIME", help="Something that goes wrong.")
@click.option("--faults", "list_faults", is_flag=True, help="List the faults that can be named, and stop.")
@click.option("--out", "folder", type=click.Path(path_type=Path), help="Folder for the files; default: rehearsals/...")
@json_option
def rehearse(
    plan_path: Path | None,
    chamber_path: Path | None,
    days: float | None,
    seed: int,
    fault_texts: tuple[str, ...],
    list_faults: bool,
    folder: Path | None,
    as_json: bool,
) -> None:
    """Run a whole plan in virtual time on a simulated chamber; without PLAN, the Skerry Light example."""
    if list_faults:
        for name, words in FAULTS.items():
            out.print(f"{name:<22} {words}")
        return
    with plain_errors():
        settings = read_settings(
            plan_path or example_path("skerry-light.plan.toml"),
            chamber_path or example_path("skerry-light.chamber.toml"),
        )
        faults = [parse_fault(text) for text in fault_texts]
        days = settings.plan.length_days + 0.5 if days is None else days
        folder = folder or _new_folder(Path("rehearsals"), settings.plan.name)
        with _progress(f"Rehearsing {settings.plan.name}", quiet=as_json) as tell:
            done = rehearse_plan(settings, folder, days=days, seed=seed, faults=faults, progress=tell)
        summary = write_files(done, settings, folder)
        if as_json:
            click.echo(json.dumps(summary, indent=2))
            return
        tell_summary(out, summary, folder)


def _new_folder(parent: Path, name: str) -> Path:
    stem = f"{name.lower().replace(' ', '-')}-{datetime.now(UTC):%Y%m%d-%H%M%S}"
    return parent / stem


@contextmanager
def _progress(title: str, *, quiet: bool) -> Iterator[Any]:
    if quiet or not err.is_terminal:
        yield None
        return
    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.percentage:>3.0f} %"))
    with Progress(*columns, TimeElapsedColumn(), console=err, transient=True) as progress:
        task = progress.add_task(title, total=1.0)
        yield lambda share: progress.update(task, completed=share)


# -- run and check ----


@main.command()
@click.argument("plan_path", metavar="PLAN", type=click.Path(path_type=Path))
@click.option("--chamber", "chamber_path", required=True, type=click.Path(path_type=Path), help="Chamber file (TOML).")
@click.option("--out", "folder", type=click.Path(path_type=Path), help="Folder of the run; an old one goes on.")
@click.option("--simulated", is_flag=True, help="On a simulated chamber, in real time.")
@click.option("--stand", type=click.Path(path_type=Path), help="With --simulated: folder of a board on a stand.")
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True, help="Chance of the simulation.")
def run(
    plan_path: Path, chamber_path: Path, folder: Path | None, simulated: bool, stand: Path | None, seed: int
) -> None:
    """Run a plan in a chamber until its end, SIGTERM or ctrl-C; started again, it goes on."""
    with plain_errors():
        settings = read_settings(plan_path, chamber_path)
        folder = folder or Path("runs") / plan_path.name.removesuffix(".toml").removesuffix(".plan")
        held = lock_run(folder)
        journal = open_run(folder, settings, simulated=simulated)
        if bool(journal.run_row()["simulated"]) != simulated:
            raise SettingsError((f"{folder}: a run that began simulated cannot go on for real, nor the other way.",))
        chamber: Any
        if not simulated:
            chamber = RealChamber(settings.chamber)
        elif stand is not None:
            chamber = SimulatedOnStand(settings, seed, folder, stand)
        else:
            chamber = SimulatedLive(settings, seed, folder)
        out.print(CAUTION, style="dim")
        out.print(f"{settings.plan.name} at {settings.chamber.site.name}; records in {folder}")
        told: list[str] = []

        def tell(state: m.State) -> None:
            words = f"{moment_of(state.now.utc_ms):%Y-%m-%d %H:%M:%S}Z {state.phase}"
            line = f"{state.phase} {state.watering_answer} {state.trips} {state.steps_due[-1:]}"
            if told[-1:] != [line]:
                told[:] = [line]
                out.print(f"{words}: {asking.now_words(state, settings)}")

        state = LiveRun(settings, chamber, journal).run(tell)
        out.print(f"Stopped in phase {state.phase}.")
        del held


@main.command()
@click.option("--chamber", "chamber_path", required=True, type=click.Path(path_type=Path), help="Chamber file (TOML).")
@click.option("--out", "folder", type=click.Path(path_type=Path), default=Path("runs"), help="Where records would go.")
@json_option
def check(chamber_path: Path, folder: Path, as_json: bool) -> None:
    """Look at every sensor, pin, the board, the clock and the disk. Moves no water."""
    with plain_errors():
        chamber = read_chamber(chamber_path)
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
    if not all(finding.well for finding in findings):
        sys.exit(Exit.FOUND_WANTING)


# -- reading a run ----


def _open(folder: Path) -> tuple[Journal, Any]:
    path = folder / "journal.sqlite" if folder.is_dir() else folder
    journal = Journal.open(path)
    run = journal.run_row()
    return journal, settings_from_text(str(run["plan_text"]), str(run["chamber_text"]))


def _moment(text: str | None, name: str) -> datetime | None:
    if text is None:
        return None
    try:
        found = datetime.fromisoformat(text)
    except ValueError as error:
        raise SettingsError(
            (f"{name} {text}: write a date or moment such as 2026-03-02 or 2026-03-02T08:00Z.",)
        ) from error
    return found if found.tzinfo else found.replace(tzinfo=UTC)


def _every_s(text: str | None) -> int | None:
    if text is None:
        return None
    units = {"s": 1, "min": 60, "h": 3600, "d": 86400}
    for unit in ("min", "s", "h", "d"):
        number = text.removesuffix(unit)
        if number != text and number.isdigit() and 1 <= int(number) * units[unit] <= 86400:
            return int(number) * units[unit]
    raise SettingsError((f"--every {text}: write a span such as 30s, 10min, 1h; at most 1d.",))


@main.command()
@click.argument("run_folder", metavar="RUN", type=click.Path(path_type=Path))
@click.option("--from", "from_text", help="First moment (UTC unless it says otherwise).")
@click.option("--to", "to_text", help="Moment to stop before.")
@click.option("--every", "every_text", help="Means over this span, such as 10min; without it every reading.")
@click.option("--out", "folder", type=click.Path(path_type=Path), help="Folder for the tables; default: the run's.")
def export(
    run_folder: Path, from_text: str | None, to_text: str | None, every_text: str | None, folder: Path | None
) -> None:
    """Write a run's tables: climate.csv, daily.csv, water.csv, events.csv, each with its data sheet."""
    with plain_errors():
        journal, settings = _open(run_folder)
        target = folder or (run_folder if run_folder.is_dir() else run_folder.parent)
        written = export_tables(
            journal,
            settings,
            target,
            from_utc=_moment(from_text, "--from"),
            to_utc=_moment(to_text, "--to"),
            every_s=_every_s(every_text),
        )
        for path in written:
            out.print(str(path))


@main.command()
@click.argument("run_folder", metavar="RUN", type=click.Path(path_type=Path))
@json_option
def status(run_folder: Path, as_json: bool) -> None:
    """Say how a run stands."""
    with plain_errors():
        journal, settings = _open(run_folder)
        found = status_of(journal, settings, utc_ms(datetime.now(UTC)))
    if as_json:
        click.echo(json.dumps(asdict(found), indent=2))
        return
    tell_status(out, found)


# -- asking a running controller ----

by_option = click.option("--by", "asked_by", required=True, help="Your initials.")
run_argument = click.argument("run_folder", metavar="RUN", type=click.Path(path_type=Path))


def _ask(run_folder: Path, wish: dict[str, Any]) -> None:
    with plain_errors():
        journal, _ = _open(run_folder)
        answer = asking.ask(journal, wish)
    if answer is None:
        out.print("Written down; the controller has not answered yet.")
        return
    out.print(answer.words)
    if not answer.granted:
        sys.exit(Exit.REFUSED)


@main.command()
@run_argument
@click.argument("step")
@by_option
@click.option("--drained-g", type=click.FloatRange(min=0), help="Mass of the drained water, for a drain step.")
@click.option("--note", default="", help="Anything worth keeping.")
def sign(run_folder: Path, step: str, asked_by: str, drained_g: float | None, note: str) -> None:
    """Sign off a hands-on step that was done."""
    _ask(
        run_folder,
        {"request": m.SIGN_STEP, "subject": step, "asked_by": asked_by, "drained_g": drained_g, "note": note},
    )


@main.command()
@run_argument
@click.argument("trip_reason")
@by_option
@click.option("--note", default="", help="What was found and mended.")
def clear(run_folder: Path, trip_reason: str, asked_by: str, note: str) -> None:
    """Clear a trip after looking at the chamber with your own eyes."""
    _ask(run_folder, {"request": m.CLEAR_TRIP, "subject": trip_reason, "asked_by": asked_by, "note": note})


@main.command()
@run_argument
@click.argument("position", type=int)
@by_option
@click.option("--emerged/--not-emerged", default=None, help="Whether the seedling shows.")
@click.option("--height-mm", type=click.FloatRange(min=0, max=3000))
@click.option("--leaves", type=click.IntRange(min=0, max=500))
@click.option("--bbch", "growth_stage_bbch", type=click.IntRange(min=0, max=99), help="Growth stage, BBCH code.")
@click.option("--note", default="")
def observe(run_folder: Path, position: int, asked_by: str, **seen: Any) -> None:
    """Write down what you see at a sowing position."""
    _ask(run_folder, {"request": m.OBSERVE, "position": position, "asked_by": asked_by, **seen})
