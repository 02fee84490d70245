"""``wardian serve`` and ``wardian code``."""

import importlib.util
import os
import sys
import threading
from pathlib import Path
from typing import Any

import click

from controller import asking
from controller.commands.terminal import out, plain_errors, run_argument
from controller.errors import JournalError
from controller.settings import read_chamber

CODES = "page-codes.json"
NEEDED = ("starlette", "uvicorn", "jinja2", "argon2", "multipart", "PIL", "dygraphs", "xlsxwriter")
LOOPBACK = ("127.0.0.1", "::1", "localhost")
SWITCH_S = 0.001  # a thread that makes a download gives way this soon, so that nobody who looks waits for it
BEHIND_THE_CONTROLLER = 5  # niceness: on a busy computer the controller comes first


def _whole_extra() -> None:
    missing = [name for name in NEEDED if importlib.util.find_spec(name) is None]
    if missing:
        raise click.ClickException(
            f"The page needs the extra libraries of wardian[page]; missing: {', '.join(missing)}."
        )


@click.command()
@run_argument
@click.option("--listen", default="127.0.0.1", show_default=True, help="Address; 0.0.0.0 opens the local network.")
@click.option("--port", type=click.IntRange(1, 65535), default=8321, show_default=True)
@click.option("--host-name", "host_names", multiple=True, help="A name by which this computer is reached.")
@click.option(
    "--chamber", "chamber_path", type=click.Path(path_type=Path), help="Chamber file, for the technician's pages."
)
@click.option("--reading-needs-code", is_flag=True, help="Nobody reads without signing in.")
@click.option("--certificate", type=click.Path(exists=True), help="Certificate file, for https.")
@click.option("--key", type=click.Path(exists=True), help="Its private key.")
def serve(
    run_folder: Path,
    listen: str,
    port: int,
    host_names: tuple[str, ...],
    chamber_path: Path | None,
    reading_needs_code: bool,
    certificate: str | None,
    key: str | None,
) -> None:
    """Show a run's page to a browser, or those of all runs in a folder, the newest first. Decides nothing."""
    _whole_extra()
    import uvicorn

    from controller.web.app import build_app, build_runs_app
    from controller.web.codes import Codes, Gatekeeper
    from controller.web.runs import Runs
    from controller.web.sessions import Sessions
    from controller.web.site import Site
    from controller.web.watching import JOURNAL, Run
    from controller.web.workbench import Workbench

    with plain_errors():
        codes, sessions, workbench = Codes(run_folder / CODES), Sessions(), None
        gatekeeper = Gatekeeper(codes)
        if chamber_path is not None:
            read_chamber(chamber_path)
            runs_folder = run_folder.resolve().parent if (run_folder / JOURNAL).is_file() else run_folder
            workbench = Workbench(chamber_path, runs_folder)

        def site_for(run: Run, root: str) -> Site:
            return Site(
                run, gatekeeper, sessions, certificate is not None, reading_needs_code, asking.ask, workbench, root
            )

        if (run_folder / JOURNAL).is_file():
            site = site_for(Run(run_folder), "")
            app = build_app(site, host_names)
        else:
            runs = Runs(run_folder, site_for, sessions.end_all)
            site = runs.newest()
            app = build_runs_app(runs, host_names)
        secure: dict[str, Any] = {} if certificate is None else {"ssl_certfile": certificate, "ssl_keyfile": key}
        os.nice(BEHIND_THE_CONTROLLER)
        sys.setswitchinterval(SWITCH_S)
        settings = site.run.settings
        out.print(f"{settings.plan.name} at {settings.chamber.site.name}: open this in a browser:")
        shown = f"[{listen}]" if ":" in listen else listen
        out.print(f"  {'http' if certificate is None else 'https'}://{shown}:{port}/", style="bold")
        if not codes.roles_set():
            out.print(f"Nobody can operate yet: set a code with  wardian code {run_folder} operator")
        if listen not in LOOPBACK and certificate is None:
            out.print("Without --certificate codes cross the network in clear text: use a network you trust.")
        threading.Thread(target=site.read_ahead, name="reading ahead", daemon=True).start()
        uvicorn.run(
            app,
            host=listen,
            port=port,
            log_level="warning",
            access_log=False,
            server_header=False,
            proxy_headers=False,
            limit_concurrency=200,
            timeout_keep_alive=20,
            **secure,
        )


@click.command()
@run_argument
@click.argument("role")
def code(run_folder: Path, role: str) -> None:
    """Set the code of a role (pupil, operator, technician) for the page of RUN; it is asked for twice."""
    _whole_extra()
    from controller.web.codes import Codes, judge_role

    with plain_errors():
        judge_role(role)
        if not run_folder.is_dir():
            raise JournalError(f"{run_folder}: there is no such folder.")
        Codes(run_folder / CODES).set(role, click.prompt("Code", hide_input=True, confirmation_prompt=True))
    out.print(f"The code for {role} is set; it counts at once.")
