"""``wardian plan check``, and the few words of it before a start or a rehearsal."""

import json
import sys
from datetime import UTC, datetime
from pathlib import Path

import click
from rich.console import Console

from controller.commands.terminal import Exit, json_option, moment_in, out, plain_errors
from controller.desk.advice import advise
from controller.desk.answers import Advice
from controller.desk.tasks import calendar_text, tasks_of
from controller.errors import JournalError
from controller.plan import Settings
from controller.settings import read_settings


@click.group()
def plan() -> None:
    """The plan desk: what a plan will do, before any water moves."""


@plan.command("check")
@click.argument("plan_path", metavar="PLAN", type=click.Path(path_type=Path))
@click.option("--chamber", "chamber_path", required=True, type=click.Path(path_type=Path), help="Chamber file (TOML).")
@click.option("--start", "start_text", help="When the first water is planned, UTC; default: now.")
@click.option(
    "--calendar", "calendar_path", type=click.Path(path_type=Path), help="Write what people do to this .ics file."
)
@json_option
def check_plan(
    plan_path: Path, chamber_path: Path, start_text: str | None, calendar_path: Path | None, as_json: bool
) -> None:
    """Say what a plan will do in a chamber: wetting, light, emergence, water, and what people have to do."""
    with plain_errors():
        settings = read_settings(plan_path, chamber_path)
        first_water_utc = _start(start_text)
        found = advise(settings)
        tasks = tasks_of(settings, first_water_utc)
        if calendar_path is not None:
            try:
                calendar_path.write_bytes(calendar_text(settings, first_water_utc).encode())
            except OSError as error:
                raise JournalError(f"{calendar_path}: the calendar cannot be written: {error}") from error
    if as_json:
        listed = [task._asdict() | {"at_utc": f"{task.at_utc:%Y-%m-%dT%H:%M:%SZ}"} for task in tasks]
        click.echo(json.dumps({"advice": [each._asdict() for each in found], "tasks": listed}, indent=2))
    else:
        out.print(f"{settings.plan.name} at {settings.chamber.site.name}", style="bold")
        tell_advice(out, found)
        out.print(f"What people do, if the first water is given on {first_water_utc:%Y-%m-%d at %H:%M} UTC:")
        for task in tasks:
            out.print(f"  {task.at_utc:%Y-%m-%d %H:%M}  {task.title}")
        if calendar_path is not None:
            out.print(f"Calendar: {calendar_path}")
    if not all(each.well for each in found):
        sys.exit(Exit.FOUND_WANTING)


def tell_advice(console: Console, found: list[Advice]) -> None:
    for each in found:
        mark = "well " if each.well else "LOOK "
        tail = f" [assumed: {each.assumed}]" if each.assumed else ""
        console.print(f"{mark} {each.topic}: {each.words}{tail}", style=None if each.well else "bold")


def tell_doubts(console: Console, settings: Settings) -> None:
    """Before a start: only what a person should look at again."""
    tell_advice(console, [each for each in advise(settings) if not each.well])


def _start(text: str | None) -> datetime:
    return datetime.now(UTC).replace(second=0, microsecond=0) if text is None else moment_in(text, "--start")
