"""Options that the technicians' commands share."""

from pathlib import Path

import click

from controller.commands.terminal import FiniteRange

chamber_option = click.option(
    "--chamber", "chamber_path", required=True, type=click.Path(path_type=Path), help="Chamber file (TOML)."
)
instruments_option = click.option("--instruments", default="", help="What was measured with: make and number of each.")
pdf_option = click.option("--pdf", is_flag=True, help="The certificate as PDF too.")
runs_option = click.option(
    "--runs",
    type=click.Path(path_type=Path),
    default=Path("runs"),
    show_default=True,
    help="Folder in which this chamber's runs lie: their pump hours and the water of the last day count.",
)
turned_option = click.option(
    "--turned-h", type=FiniteRange(min=0), default=0.0, help="Hours the tube has turned besides, elsewhere."
)
