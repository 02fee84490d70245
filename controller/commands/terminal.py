"""What every command shares: how it ends, where it prints, how expected errors become sentences."""

import math
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from enum import IntEnum
from pathlib import Path
from typing import Any

import click
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from controller.errors import ChamberError, JournalError, SettingsError
from controller.plan import Settings
from controller.records.disk_words import cause_of
from controller.records.journal import Journal, Unreadable
from controller.run_settings import settings_of


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


class FiniteRange(click.FloatRange):
    """A number within bounds that is one: ``nan`` lies in no range, and yet no comparison refuses it."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number; click's own sentence when it is none, ours when it is not finite."""
        if isinstance(value, str) and ("_" in value or not value.isascii()):
            self.fail(f"{value} is not a number as it is written here: digits, a sign, a decimal point.", param, ctx)
        found = float(super().convert(value, param, ctx))
        if not math.isfinite(found):
            self.fail(f"{value} must be a finite number.", param, ctx)
        return found


YEARS = (1971, 2200)

out = Console(markup=False, highlight=False, soft_wrap=True)
err = Console(stderr=True, markup=False, highlight=False, soft_wrap=True)

chamber_option = click.option("--chamber", "chamber_path", type=click.Path(path_type=Path), help="Chamber file (TOML).")
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON for another program.")
by_option = click.option("--by", "asked_by", required=True, help="Your initials.")
run_argument = click.argument("run_folder", metavar="RUN", type=click.Path(path_type=Path))


def moment_in(text: str, option: str) -> datetime:
    """The moment that an option names, on UTC; SettingsError with one sentence when it is none of our time."""
    try:
        found = datetime.fromisoformat(text)
    except ValueError as error:
        sentence = f"{option} {text}: write a date or moment such as 2026-03-02 or 2026-03-02T08:00Z."
        raise SettingsError((sentence,)) from error
    if not YEARS[0] <= found.year <= YEARS[1]:  # so that no time zone leads beyond what a clock can show
        raise SettingsError((f"{option} {text}: lies outside the years {YEARS[0]} to {YEARS[1]}.",))
    return found.astimezone(UTC) if found.tzinfo else found.replace(tzinfo=UTC)


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
    except Unreadable as error:
        err.print(f"The journal cannot be read: {cause_of(error)}.", style="bold")
        sys.exit(Exit.JOURNAL)


@contextmanager
def progress_bar(title: str, *, quiet: bool) -> Iterator[Any]:
    if quiet or not err.is_terminal:
        yield None
        return
    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.percentage:>3.0f} %"))
    with Progress(*columns, TimeElapsedColumn(), console=err, transient=True) as progress:
        task = progress.add_task(title, total=1.0)
        yield lambda share: progress.update(task, completed=share)


def open_records(folder: Path) -> tuple[Journal, Settings]:
    """A run's journal, from its folder or its file, and its settings."""
    path = folder / "journal.sqlite" if folder.is_dir() else folder
    journal = Journal.open(path)
    return journal, settings_of(journal)
