"""``wardian collect``: the place where parcels of many chambers arrive."""

from pathlib import Path

import click
import uvicorn

from controller.commands.terminal import err, out, plain_errors
from controller.errors import SettingsError
from controller.parcels.collector import application
from controller.parcels.stores import store_at
from controller.parcels.tokens import Tokens

KEEP_ALIVE_S = 65
CONNECTIONS_MAX = 200


@click.command()
@click.argument("store", metavar="STORE")
@click.option("--keep", "keep", type=click.Path(path_type=Path), help="Folder for tokens and what is half here.")
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on; a proxy stands before it.")
@click.option("--port", type=click.IntRange(1, 65535), default=8465, show_default=True, help="Port to listen on.")
@click.option("--new-token", "new_chamber", metavar="CHAMBER", help="Make a token for a chamber, tell it once, end.")
@click.option("--revoke-tokens", "gone_chamber", metavar="CHAMBER", help="Take back a chamber's tokens, end.")
def collect(
    store: str, keep: Path | None, host: str, port: int, new_chamber: str | None, gone_chamber: str | None
) -> None:
    """Receive parcels of many chambers into STORE, a folder or s3://bucket/prefix."""
    with plain_errors():
        if keep is None:
            if store.startswith("s3://"):
                raise SettingsError((f"{store}: name a folder with --keep for the tokens and for what is half here.",))
            keep = Path(store).absolute().parent / f"{Path(store).absolute().name}.collector"
        try:
            keep.mkdir(parents=True, exist_ok=True, mode=0o700)
        except OSError as error:
            raise SettingsError((f"{keep}: cannot be made: {error.strerror}.",)) from error
        tokens = Tokens(keep / "tokens.json")
        if new_chamber is not None:
            click.echo(tokens.issue(new_chamber))
            err.print(f"This token of {new_chamber} is told once. Put it into a file that only the chamber can read.")
            return
        if gone_chamber is not None:
            out.print(f"{tokens.revoke(gone_chamber)} tokens of {gone_chamber} taken back.")
            return
        out.print(f"Receiving into {store} on http://{host}:{port}; tokens in {keep}")
        uvicorn.run(
            application(store_at(store), keep / "waiting", tokens),
            host=host,
            port=port,
            log_level="warning",
            server_header=False,
            proxy_headers=False,
            timeout_keep_alive=KEEP_ALIVE_S,
            limit_concurrency=CONNECTIONS_MAX,
            timeout_graceful_shutdown=10,
        )
