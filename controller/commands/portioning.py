"""``wardian calibrate portions``: a session at the bench whose portions are asked for on the page."""

import signal
from pathlib import Path

import click

from controller.bench.bench_chamber import open_bench
from controller.commands.at_the_balance import CAUTION
from controller.commands.bench_options import chamber_option, runs_option
from controller.commands.terminal import FiniteRange, by_option, out, plain_errors


@click.command()
@chamber_option
@by_option
@runs_option
@click.option(
    "--idle-min",
    type=FiniteRange(min=1, max=480),
    default=60.0,
    show_default=True,
    help="It ends after so many minutes without a request.",
)
@click.option("--simulated", is_flag=True, help="On a simulated chamber, at the computer's pace.")
def portions(chamber_path: Path, asked_by: str, runs: Path, idle_min: float, simulated: bool) -> None:
    """Give the portions that are asked for on the technician's page of this chamber, until it or ctrl-C ends this."""
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    with plain_errors():
        out.print(CAUTION, style="dim")
        try:
            bench = open_bench(chamber_path, asked_by, simulated=simulated, runs=runs, in_real_time=True)
            try:
                out.print(bench.serve(idle_min, out.print))
            finally:
                bench.close()
        except KeyboardInterrupt:
            pass
        out.print("The session has ended.")
