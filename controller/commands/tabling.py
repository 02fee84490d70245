"""``wardian table``: a table over the parcels of many chambers."""

import csv
import sys
from pathlib import Path
from typing import Any

import click

from controller.commands.terminal import out, plain_errors
from controller.control.photoperiod import moment_of
from controller.errors import JournalError, SettingsError
from controller.parcels.questions import climate, duckdb_readings, every_reading


@click.command()
@click.argument("store", metavar="STORE", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option(
    "--by",
    "span",
    type=click.Choice(["day", "hour", "reading"]),
    default="day",
    show_default=True,
    help="Length of a row.",
)
@click.option("--plan", "plan_sha256", help="Only chambers of this plan: the beginning of its SHA-256.")
@click.option("--out", "path", type=click.Path(path_type=Path, dir_okay=False), help="CSV file; default: print.")
def table(store: Path, span: str, plan_sha256: str | None, path: Path | None) -> None:
    """Climate of all chambers in STORE, a stick or a collector's folder."""
    with plain_errors():
        if span == "reading":
            if path is None:
                raise SettingsError(("--by reading: name a file with --out; there may be millions of lines.",))
            every_reading(duckdb_readings(store), plan_sha256).to_csv(path)
            out.print(str(path))
            return
        found = climate(duckdb_readings(store), span, plan_sha256)
        if path is None:
            _write(found, sys.stdout)
            return
        try:
            with path.open("w", encoding="ascii", newline="") as file:
                _write(found, file)
        except OSError as error:
            raise JournalError(f"{path}: cannot be written: {error.strerror}.") from error
        out.print(str(path))


def _write(found: Any, file: Any) -> None:
    rows = csv.writer(file)
    names = list(found.columns)
    place = names.index("from_utc_ms")
    rows.writerow([*names[:place], "from_utc", *names[place + 1 :]])
    for batch in found.to_pyarrow().to_batches(max_chunksize=10_000):
        for row in zip(*(column.to_pylist() for column in batch.columns), strict=True):
            cells = [f"{cell:.3f}" if isinstance(cell, float) else cell for cell in row]
            cells[place] = f"{moment_of(row[place]):%Y-%m-%dT%H:%MZ}"
            rows.writerow(cells)
