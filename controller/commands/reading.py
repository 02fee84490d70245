"""``wardian export`` and ``wardian status``."""

import json
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

import click

from controller.chamber.hurried_clock import chamber_utc_ms
from controller.commands.telling import tell_status
from controller.commands.terminal import json_option, moment_in, open_records, out, plain_errors, run_argument
from controller.control.photoperiod import utc_ms
from controller.errors import SettingsError
from controller.records.cells import COMMA, POINT
from controller.records.export import export as export_tables
from controller.records.status import status_of


def _moment(text: str | None, name: str) -> datetime | None:
    return None if text is None else moment_in(text, name)


def span_s(text: str | None) -> int | None:
    """Seconds of a span as a person types it after --every."""
    if text is None:
        return None
    units = {"s": 1, "min": 60, "h": 3600, "d": 86400}
    for unit in ("min", "s", "h", "d"):
        number = text.removesuffix(unit)
        if number != text and number.isdecimal() and len(number) < 6 and 1 <= int(number) * units[unit] <= 86400:
            return int(number) * units[unit]
    raise SettingsError((f"--every {text}: write a span such as 30s, 10min, 1h; at most 1d.",))


@click.command()
@run_argument
@click.option("--from", "from_text", help="First moment (UTC unless it says otherwise).")
@click.option("--to", "to_text", help="Moment to stop before.")
@click.option("--every", "every_text", help="Means over this span, such as 10min; without it every reading.")
@click.option(
    "--decimal",
    type=click.Choice(["point", "comma"]),
    default="point",
    show_default=True,
    help="Before decimals; with a comma there, semicolons stand between columns.",
)
@click.option("--out", "folder", type=click.Path(path_type=Path), help="Folder for the tables; default: the run's.")
def export(
    run_folder: Path,
    from_text: str | None,
    to_text: str | None,
    every_text: str | None,
    decimal: str,
    folder: Path | None,
) -> None:
    """Write a run's tables: climate.csv, daily.csv, water.csv, events.csv, each with its data sheet."""
    with plain_errors():
        journal, settings = open_records(run_folder)
        target = folder or (run_folder if run_folder.is_dir() else run_folder.parent)
        written = export_tables(
            journal,
            settings,
            target,
            from_utc=_moment(from_text, "--from"),
            to_utc=_moment(to_text, "--to"),
            every_s=span_s(every_text),
            signs=COMMA if decimal == "comma" else POINT,
        )
        for path in written:
            out.print(str(path))


@click.command()
@run_argument
@json_option
def status(run_folder: Path, as_json: bool) -> None:
    """Say how a run stands."""
    with plain_errors():
        journal, settings = open_records(run_folder)
        found = status_of(journal, settings, chamber_utc_ms(run_folder, utc_ms(datetime.now(UTC))))
    if as_json:
        click.echo(json.dumps(asdict(found), indent=2))
        return
    tell_status(out, found)
