"""``wardian alert``."""

import time
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import click

from controller.alerts.causes import causes_of, seen_of, trials_of
from controller.alerts.telling import Teller, sender
from controller.alerts.wishes import read_wishes
from controller.commands.terminal import Exit, open_records, out, plain_errors, run_argument
from controller.control.photoperiod import utc_ms
from controller.records.following import Followed
from controller.web.texts import Texts

MEMORY = "alerts.json"
LOOK_EVERY_S = 15.0


@click.command()
@run_argument
@click.option("--wishes", "wishes_path", required=True, type=click.Path(path_type=Path), help="File of alerts (TOML).")
@click.option("--try", "only_try", is_flag=True, help="Send one trial message and stop.")
def alert(run_folder: Path, wishes_path: Path, only_try: bool) -> None:
    """Tell people who are away when a run needs them, until they have seen it."""
    with plain_errors():
        wishes = read_wishes(wishes_path)
        journal, settings = open_records(run_folder)
        try:
            send = sender(wishes.addresses)
        except ImportError as error:
            raise click.ClickException("Alerts need the extra library of wardian[alerts].") from error
        place = settings.chamber.site.name
        if only_try:
            if not send(place, Texts(wishes.language)("alerts.trial")):
                out.print("The message could not be sent.", style="bold")
                raise SystemExit(Exit.REFUSED)
            out.print("Sent.")
            return
        teller = Teller(run_folder / MEMORY, wishes, place, send)
        zone = ZoneInfo(settings.chamber.site.time_zone)
        out.print(f"Watching {settings.plan.name} at {place}; ctrl-C to stop.")
        followed = Followed(settings)
        while True:
            now = datetime.now(UTC)
            at_ms = utc_ms(now)
            causes = causes_of(journal, settings, at_ms, followed)
            teller.look(at_ms, now.astimezone(zone).time(), causes, seen_of(journal), trials_of(journal))
            time.sleep(LOOK_EVERY_S)
