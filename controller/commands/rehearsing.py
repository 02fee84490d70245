"""``wardian rehearse``."""

import json
import re
from datetime import UTC, datetime
from pathlib import Path

import click

from controller.chamber.faults import FAULTS, parse_fault
from controller.commands.planning import tell_doubts
from controller.commands.telling import tell_summary
from controller.commands.terminal import FiniteRange, chamber_option, json_option, out, plain_errors, progress_bar
from controller.rehearse import rehearse as rehearse_plan
from controller.rehearse_files import write_files
from controller.settings import example_path, read_settings


@click.command()
@click.argument("plan_path", metavar="[PLAN]", required=False, type=click.Path(path_type=Path))
@chamber_option
@click.option("--days", type=FiniteRange(min=0.01, max=400), help="Days to rehearse; default: the plan's length.")
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
        if not as_json:
            tell_doubts(out, settings)
        faults = [parse_fault(text) for text in fault_texts]
        days = settings.plan.length_days + 0.5 if days is None else days
        folder = folder or _new_folder(Path("rehearsals"), settings.plan.name)
        with progress_bar(f"Rehearsing {settings.plan.name}", quiet=as_json) as tell:
            done = rehearse_plan(settings, folder, days=days, seed=seed, faults=faults, progress=tell)
        summary = write_files(done, settings, folder)
        if as_json:
            click.echo(json.dumps(summary, indent=2))
            return
        tell_summary(out, summary, folder)


def _new_folder(parent: Path, name: str) -> Path:
    words = re.findall(r"[a-z0-9]+", name.lower()) or ["run"]
    stem = f"{'-'.join(words)}-{datetime.now(UTC):%Y%m%d-%H%M%S}"
    return parent / stem
