"""What ``calibrate pump`` and ``check`` share: their options, and how a mass comes from a balance, a hand or a file."""

import functools
import importlib.util
from collections.abc import Callable
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import click

from controller.bench.balance import Balance, balance_on
from controller.bench.bench_chamber import Bench
from controller.bench.masses import balance_pattern, mass_g, masses_from_csv_g
from controller.bench.pump import Conditions, Weighing, judge_conditions
from controller.bench.session_file import TYPED, WEIGHED, given_portions
from controller.commands.bench_options import chamber_option, instruments_option, runs_option, turned_option
from controller.commands.terminal import FiniteRange, by_option, err
from controller.errors import SettingsError
from controller.plan import BalanceLine, Chamber

CAUTION = (
    "Water beside electronics: put the vessel and the balance on a dry tray below them, wipe spills at once, and keep "
    "mains plugs away from both. The interlocks stay on; a trip ends the calibration."
)
OF_CHAMBER = "the chamber file's, else "
OPTIONS = (
    chamber_option,
    by_option,
    click.option("--water-c", type=FiniteRange(), required=True, help="Temperature of the water, in C."),
    click.option("--pressure-kpa", type=FiniteRange(), required=True, help="Air pressure at the bench, in kPa."),
    click.option(
        "--evaporated-g", type=FiniteRange(), default=0.0, show_default=True, help="Loss in the time of a portion."
    ),
    click.option("--resolution-g", type=FiniteRange(min=0), default=0.01, show_default=True, help="Of the balance."),
    click.option(
        "--masses", type=click.Path(path_type=Path), help="CSV with a column mass_g, read after the last portion."
    ),
    click.option(
        "--session", "session_path", type=click.Path(path_type=Path), help="With --masses: portions given before."
    ),
    click.option(
        "--balance",
        "balance_port",
        help="Serial line of a balance, '' for masses that are typed.",
        show_default=OF_CHAMBER + "typed",
    ),
    click.option("--balance-baud", type=click.IntRange(300, 4_000_000), show_default=OF_CHAMBER + "9600"),
    click.option(
        "--balance-pattern",
        help="Finds the mass in its line.",
        show_default=OF_CHAMBER + BalanceLine(port="-").pattern,
    ),
    click.option("--balance-ask", help="Text sent to the balance to ask for a mass.", show_default=OF_CHAMBER + "none"),
    instruments_option,
    runs_option,
    turned_option,
    click.option("--simulated", is_flag=True, help="On a simulated chamber, its balance too."),
)


@dataclass(frozen=True, kw_only=True)
class AtTheBalance:
    """What somebody said who weighs portions."""

    chamber_path: Path
    asked_by: str
    water_c: float
    pressure_kpa: float
    evaporated_g: float
    resolution_g: float
    masses: Path | None
    session_path: Path | None
    balance_port: str | None
    balance_baud: int | None
    balance_pattern: str | None
    balance_ask: str | None
    instruments: str
    runs: Path
    turned_h: float
    simulated: bool

    def conditions(self) -> Conditions:
        """The conditions, judged; SettingsError with a sentence for each figure that cannot be."""
        if importlib.util.find_spec("scipy") is None:
            raise SettingsError(("Calibrating needs the extra libraries of wardian[bench] (scipy).",))
        found = Conditions(
            water_temperature_c=self.water_c,
            pressure_kpa=self.pressure_kpa,
            evaporated_g=self.evaporated_g,
            balance_resolution_g=self.resolution_g,
        )
        faults = judge_conditions(found)
        if faults:
            raise SettingsError(tuple(faults))
        return found

    def balance(self, chamber: Chamber) -> Balance | None:
        """The balance to read, or None where masses are typed. What the chamber file says holds, unless told here.

        A simulated portion lies on no real balance, so there the chamber file's is left alone.
        """
        kept = None if self.simulated else chamber.balance
        port = self.balance_port if self.balance_port is not None else (kept.port if kept else "")
        if not port:
            return None
        line = kept or BalanceLine(port=port)
        ask = line.ask if self.balance_ask is None else self.balance_ask
        if not ask.isascii():
            raise SettingsError((f"--balance-ask: {ask!r} must be ASCII text.",))
        pattern = self.balance_pattern or line.pattern
        balance_pattern(pattern)
        return balance_on(BalanceLine(port=port, baud=self.balance_baud or line.baud, pattern=pattern, ask=ask))

    def given(self) -> list[tuple[int, int]] | None:
        """(dose id, steps) of the portions of an earlier session; None where this one gives them."""
        if self.session_path is None:
            return None
        if self.masses is None:
            raise SettingsError(("--session needs --masses: the file with the weighed masses.",))
        return given_portions(self.session_path)


def at_the_balance(command: Callable[..., None]) -> Callable[..., None]:
    """The shared options; the command gets them as one object, before its own."""
    names = [each.name for each in fields(AtTheBalance)]

    @functools.wraps(command)
    def with_options(**values: Any) -> None:
        command(AtTheBalance(**{name: values.pop(name) for name in names}), **values)

    for option in reversed(OPTIONS):
        with_options = option(with_options)
    return with_options


def when_ready(words: str) -> None:
    click.prompt(words, default="", show_default=False, prompt_suffix=" ")


def weighed(bench: Bench, balance: Balance | None, number: int, dose_id: int, steps: int) -> Weighing:
    """Ask until a usable mass is there; every answer is kept as it was typed."""
    shown = bench.shown_mass_g()
    while True:
        if balance is not None:
            when_ready(f"  Portion {number}: weigh the vessel, then Enter.")
            found_g = balance.read_g()
        else:
            text = click.prompt(
                f"  Portion {number}: mass in g", default=None if shown is None else f"{shown:.2f}", type=str
            )
            bench.session.note(TYPED, portion=number, dose_id=dose_id, text=text)
            try:
                found_g = mass_g(text, f"portion {number}")
            except SettingsError as error:
                err.print(error.sentences[0])
                continue
        if found_g > 0.0:
            bench.session.note(WEIGHED, portion=number, dose_id=dose_id, steps=steps, mass_g=found_g)
            return Weighing(dose_id=dose_id, steps=steps, mass_g=found_g)
        err.print(f"portion {number}: mass_g is {found_g:g}, but must be above 0; look at the tare.")


def from_csv(path: Path, given: list[tuple[int, int]]) -> list[Weighing]:
    """Portions that were given, with the masses of a file in their order."""
    found_g = masses_from_csv_g(path)
    if len(found_g) != len(given):
        raise SettingsError((f"{path}: holds {len(found_g)} masses, but {len(given)} portions were given.",))
    return [Weighing(dose_id=d, steps=s, mass_g=g) for (d, s), g in zip(given, found_g, strict=True)]
