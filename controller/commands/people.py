"""``wardian sign``, ``clear`` and ``observe``: asking a running controller."""

import sys
from pathlib import Path
from typing import Any

import click

from controller import asking
from controller.commands.terminal import Exit, FiniteRange, by_option, open_records, out, plain_errors, run_argument
from controller.control import model as m
from controller.errors import JournalError
from controller.records.status import status_of


def _ask(run_folder: Path, wish: dict[str, Any]) -> None:
    with plain_errors():
        journal, settings = open_records(run_folder)
        status = status_of(journal, settings, asking.now_utc_ms(journal))
        if status.is_over:
            raise JournalError(f"{run_folder}: this run has ended and takes no more requests. Nothing was written.")
        answer = asking.ask(journal, wish)
    if answer is None:
        out.print("Written down; the controller has not answered yet. It will when it runs again.")
        return
    out.print(answer.words)
    if not answer.granted:
        sys.exit(Exit.REFUSED)


@click.command()
@run_argument
@click.argument("step")
@by_option
@click.option("--drained-g", type=FiniteRange(min=0), help="Mass of the drained water, for a drain step.")
@click.option("--note", default="", help="Anything worth keeping.")
def sign(run_folder: Path, step: str, asked_by: str, drained_g: float | None, note: str) -> None:
    """Sign off a hands-on step that was done."""
    _ask(
        run_folder,
        {"request": m.SIGN_STEP, "subject": step, "asked_by": asked_by, "drained_g": drained_g, "note": note},
    )


@click.command()
@run_argument
@click.argument("trip_reason")
@by_option
@click.option("--note", default="", help="What was found and mended.")
def clear(run_folder: Path, trip_reason: str, asked_by: str, note: str) -> None:
    """Clear a trip after looking at the chamber with your own eyes."""
    _ask(run_folder, {"request": m.CLEAR_TRIP, "subject": trip_reason, "asked_by": asked_by, "note": note})


@click.command()
@run_argument
@click.argument("position", type=int)
@by_option
@click.option("--emerged/--not-emerged", default=None, help="Whether the seedling shows.")
@click.option("--height-mm", type=FiniteRange(min=0, max=3000))
@click.option("--leaves", type=click.IntRange(min=0, max=500))
@click.option("--bbch", "growth_stage_bbch", type=click.IntRange(min=0, max=99), help="Growth stage, BBCH code.")
@click.option("--note", default="")
def observe(run_folder: Path, position: int, asked_by: str, **seen: Any) -> None:
    """Write down what you see at a sowing position."""
    _ask(run_folder, {"request": m.OBSERVE, "position": position, "asked_by": asked_by, **seen})
