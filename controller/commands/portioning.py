"""``wardian calibrate portions``: a session at the bench whose portions are asked for on its page."""

import signal
from pathlib import Path

import click

from controller.bench.bench_chamber import open_bench
from controller.commands.bench_options import chamber_option, runs_option
from controller.commands.terminal import by_option, out, plain_errors


@click.command()
@chamber_option
@by_option
@runs_option
@click.option("--simulated", is_flag=True, help="On a simulated chamber, at the computer's pace.")
def portions(chamber_path: Path, asked_by: str, runs: Path, simulated: bool) -> None:
    """Give the portions that are asked for on the page of this session, until ctrl-C."""
    with plain_errors():
        bench = open_bench(chamber_path, asked_by, simulated=simulated, runs=runs, in_real_time=True)
        signal.signal(signal.SIGTERM, signal.default_int_handler)
        try:
            bench.session.get_ready()
            out.print(f"Ready. Its page:  wardian serve {bench.session.folder.parent} --chamber {chamber_path}")
            while True:
                for sentence in bench.take_requests():
                    out.print(sentence)
        except KeyboardInterrupt:
            out.print("The session has ended.")
        finally:
            bench.close()
