"""The command line. Each command lives in commands/ and is loaded only when it is asked for."""

import importlib

import click

from controller import __version__

# command -> where it lives; listed in the order of a run
COMMANDS = {
    "plan": "planning:plan",
    "rehearse": "rehearsing:rehearse",
    "check": "running:check",
    "run": "running:run",
    "status": "reading:status",
    "sign": "people:sign",
    "observe": "people:observe",
    "clear": "people:clear",
    "export": "reading:export",
    "calibrate": "calibrating:calibrate",
    "compare": "comparing:compare",
    "lots": "lots:lots",
    "seal": "parcelling:seal",
    "verify": "parcelling:verify",
    "send": "parcelling:send",
    "collect": "collecting:collect",
    "archive": "archiving:archive",
    "table": "tabling:table",
    "serve": "serving:serve",
    "code": "serving:code",
    "alert": "alerting:alert",
}

# command -> the extras that bring its libraries, where the plain package does not
EXTRAS = {
    "compare": "report,analysis",
    "lots": "analysis",
    "seal": "parcels",
    "verify": "parcels",
    "send": "parcels",
    "collect": "collector",
    "archive": "parcels",
    "table": "table",
    "serve": "page",
    "code": "page",
    "alert": "alerts",
}


class Commands(click.Group):
    """A group whose commands cost nothing until they are used: a small board loads no plotting to log a reading."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        if name not in COMMANDS:
            return None
        module, attribute = COMMANDS[name].split(":")
        try:
            found: click.Command = getattr(importlib.import_module(f"controller.commands.{module}"), attribute)
        except ModuleNotFoundError as error:
            if name not in EXTRAS:
                raise
            more = f"wardian {name} needs {error.name}: install wardian[{EXTRAS[name]}]."
            raise click.ClickException(more) from error
        return found


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="wardian")
def main() -> None:
    """Run, rehearse and read a sealed growth chamber."""
