"""``wardian archive``: a run for other people's tools."""

from pathlib import Path

import click

from controller.commands.reading import span_s
from controller.commands.terminal import open_records, out, plain_errors, run_argument
from controller.parcels.archive import archive as archive_run


@click.command()
@run_argument
@click.option("--out", "folder", type=click.Path(path_type=Path), help="Folder of the package; default: RUN/archive.")
@click.option("--every", "every_text", help="Means over this span, such as 10min; without it every reading.")
def archive(run_folder: Path, folder: Path | None, every_text: str | None) -> None:
    """Write a run as a Frictionless Data Package and RO-Crate, with the MIAPPE v1.1 fields its records can fill."""
    with plain_errors():
        journal, settings = open_records(run_folder)
        folder = folder or journal.path.parent / "archive"
        for path in archive_run(journal, settings, folder, every_s=span_s(every_text)):
            out.print(str(path))
