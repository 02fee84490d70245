"""``wardian compare``."""

import importlib.util
import json
from pathlib import Path

import click

from controller.commands.terminal import json_option, out, plain_errors
from controller.errors import SettingsError
from controller.twins.comparing import compare as compare_twins
from controller.twins.cover import cover_tests, covers_of
from controller.twins.numbers import summary_of, write_cover, write_numbers
from controller.twins.pictures import for_page, shots_of, write_time_lapse
from controller.twins.plans import refuse_unlike
from controller.twins.report import write_report
from controller.twins.sources import gather_all
from controller.twins.story import findings_of, headline


@click.command()
@click.argument("run_folders", metavar="RUN RUN ...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--unlike", is_flag=True, help="Compare runs of different plans all the same; their differences are told."
)
@click.option(
    "--out", "folder", type=click.Path(path_type=Path), default=Path("compared"), help="Folder for the files."
)
@json_option
def compare(run_folders: tuple[Path, ...], unlike: bool, folder: Path, as_json: bool) -> None:
    """Compare runs of one plan: were the places alike, what did the plants do? Every pair, and all at once."""
    with plain_errors():
        twins = gather_all(list(run_folders))
        if len(twins) < 2:
            raise SettingsError(("A comparison needs two runs or more; name their folders, archives or parcels.",))
        comparison = compare_twins(twins, refuse_unlike(twins, unlike_wanted=unlike))
        written = write_numbers(comparison, folder)
        shots = [shot for twin in twins for shot in shots_of(twin)]
        covers = covers_of(shots)
        tests = cover_tests(covers)
        if shots:
            written += write_cover(shots, covers, tests, folder)
            if write_time_lapse(shots, [twin.name for twin in twins], folder / "time-lapse.gif"):
                written.append(folder / "time-lapse.gif")
        if importlib.util.find_spec("matplotlib") and importlib.util.find_spec("jinja2"):
            write_report(comparison, folder / "report.html", for_page(shots), covers, tests)
            written.append(folder / "report.html")
        if as_json:
            click.echo(json.dumps(summary_of(comparison), indent=2))
            return
        out.print(headline(comparison), style="bold")
        for finding in findings_of(comparison):
            out.print(f"  {finding.verdict}: {finding.words}")
        out.print(f"Files: {folder} ({', '.join(path.name for path in written)})")
