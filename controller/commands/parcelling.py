"""``wardian seal``, ``wardian verify`` and ``wardian send``."""

import json
import random
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

import click

from controller.commands.reading import span_s
from controller.commands.terminal import (
    Exit,
    FiniteRange,
    err,
    json_option,
    open_records,
    out,
    plain_errors,
    run_argument,
)
from controller.errors import JournalError, SettingsError
from controller.parcels.chain import Chain, journal_faults
from controller.parcels.chain import verify as verify_chains
from controller.parcels.manifest import as_json as manifest_as_json
from controller.parcels.sealing import FOLDER, sealed_parcels
from controller.parcels.sealing import seal as seal_days
from controller.parcels.sending import Sent, quiet_hours
from controller.parcels.sending import send as send_round
from controller.records.outbox import FILE, Outbox


@click.command()
@run_argument
@json_option
def seal(run_folder: Path, as_json: bool) -> None:
    """Seal each closed UTC day of a run as a parcel: tables, and a manifest that names the parcel before it."""
    with plain_errors():
        journal, settings = open_records(run_folder)
        count = 0
        for manifest in seal_days(journal, settings):
            count += 1
            if as_json:
                click.echo(json.dumps(manifest_as_json(manifest)))
            else:
                rows = ", ".join(f"{n} {name.split('.')[0]}" for name, n in manifest.rows_by_file.items() if n)
                out.print(f"{manifest.day_utc} {manifest.sha256[:12]} {rows}")
        if not as_json:
            out.print(f"{count} day{'' if count == 1 else 's'} sealed; parcels in {journal.path.parent / FOLDER}")
        journal.close()


@click.command()
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path, exists=True, file_okay=False))
@json_option
def verify(folder: Path, as_json: bool) -> None:
    """Verify chains of parcels: a run (also against its journal), a stick, or the store of a collector."""
    with plain_errors():
        is_run = (folder / "journal.sqlite").is_file()
        chains = verify_chains(folder / FOLDER if is_run else folder)
        if is_run and chains and not any(chain.fault for chain in chains):
            journal, settings = open_records(folder)
            fault = next(journal_faults(journal, settings, folder / FOLDER), "")
            chains = [Chain(chain.run_id, chain.chamber, chain.parcels, fault) for chain in chains]
            journal.close()
        if not chains:
            raise JournalError(f"{folder}: there are no parcels here.")
        if as_json:
            click.echo(json.dumps([chain._asdict() for chain in chains], indent=2))
        else:
            for chain in chains:
                words = f"{chain.chamber} {chain.run_id}: {chain.parcels} parcels"
                if chain.fault:
                    err.print(f"{words}, the first fault: {chain.fault}", style="bold")
                else:
                    out.print(f"{words}, whole and unchanged{', as the journal has it' if is_run else ''}.")
        if any(chain.fault for chain in chains):
            sys.exit(Exit.FOUND_WANTING)


@click.command()
@run_argument
@click.option("--to", "address", help="A folder or stick, https://collector, or s3://bucket/prefix; kept for later.")
@click.option("--token-file", type=click.Path(path_type=Path), help="File that holds this chamber's token.")
@click.option("--limit-kb-per-s", type=FiniteRange(min=0.1), help="Use no more of the line than this.")
@click.option("--quiet", default="", help="Send nothing in these hours of the chamber's clocks, such as 08:00-15:30.")
@click.option("--stop", "stop_address", help="Send to this place no more.")
@click.option("--every", "every_text", help="Go on, with a round every so often, such as 15min.")
@json_option
def send(
    run_folder: Path,
    address: str | None,
    token_file: Path | None,
    limit_kb_per_s: float | None,
    quiet: str,
    stop_address: str | None,
    every_text: str | None,
    as_json: bool,
) -> None:
    """Seal closed days and send them to the places of this run; what fails is tried again later."""
    with plain_errors():
        if quiet:
            quiet_hours(quiet)
        every_s = span_s(every_text)
        run_folder = run_folder if run_folder.is_dir() else run_folder.parent
        time_zone = _seal_quietly(run_folder)
        outbox = Outbox(run_folder / FILE)
        if stop_address is not None and not outbox.remove_place(stop_address):
            raise SettingsError((f"--stop {stop_address}: this run does not send there.",))
        if address is not None:
            if address.startswith(("http://", "https://")) and token_file is None:
                raise SettingsError(
                    (f"--to {address}: a collector asks for a token; name its file with --token-file.",)
                )
            token = "" if token_file is None else str(token_file.resolve())
            known = address if "://" in address else str(Path(address).resolve())
            outbox.add_place(known, token, limit_kb_per_s, quiet)
        if not outbox.addresses() and stop_address is None:
            raise SettingsError((f"{run_folder}: no place is known yet; name one with --to.",))
        while True:
            failed = _one_round(outbox, run_folder, time_zone, as_json, at_once=address is not None)
            if every_s is None:
                break
            time.sleep(every_s)
            address = None
            _seal_quietly(run_folder)
        outbox.close()
        if failed:
            sys.exit(Exit.FOUND_WANTING)


def _seal_quietly(run_folder: Path) -> str:
    """Seal what is closed; answers the chamber's time zone."""
    journal, settings = open_records(run_folder)
    try:
        for _ in seal_days(journal, settings):
            pass
    finally:
        journal.close()
    return settings.chamber.site.time_zone


def _one_round(outbox: Outbox, run_folder: Path, time_zone: str, as_json: bool, *, at_once: bool) -> bool:
    """Send to every place; answers whether something still waits."""
    for manifest in sealed_parcels(run_folder / FOLDER):
        outbox.note_sealed(manifest.day_utc, manifest.sha256)
    waits = False
    for address in outbox.addresses():
        sent = send_round(
            outbox,
            run_folder / FOLDER,
            address,
            now=lambda: datetime.now(UTC),
            chance=random.random,
            time_zone=time_zone,
            at_once=at_once,
        )
        waits |= bool(sent.days_waiting)
        if as_json:
            click.echo(json.dumps(sent._asdict()))
        else:
            _tell(sent)
    return waits


def _tell(sent: Sent) -> None:
    line = f"{sent.address}: {len(sent.days_delivered)} delivered, {len(sent.days_waiting)} waiting"
    out.print(f"{line}: {sent.words}" if sent.words else f"{line}.", style="bold" if sent.words else None)
