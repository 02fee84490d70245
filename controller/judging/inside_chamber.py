"""What must agree inside a chamber file, and with the limits that are flashed into its board."""

from collections.abc import Iterator
from dataclasses import fields
from difflib import get_close_matches
from typing import NamedTuple
from zoneinfo import ZoneInfo, available_timezones

from controller.bench.masses import balance_pattern
from controller.errors import SettingsError
from controller.judging.kinds import number, text
from controller.judging.orders import CHAMBER_ORDERS, out_of_order
from controller.plan import Chamber, Pins
from firmware_bridge import limits as flashed

BALANCE_ASK_MAX = 40  # what asks a balance for a mass is a word or two (a choice)


class BoardLimits(NamedTuple):
    """The limits of ``firmware_bridge.limits`` that a chamber file is held against."""

    dose_max_steps: int
    window_max_steps: int
    rate_max_steps_per_s: int
    run_max_ms: int
    run_margin_ms: int
    converter_max_counts: int

    def run_ms(self, steps: int, steps_per_s: int) -> int:
        """The running time the board allows a dose, which must not exceed ``run_max_ms``."""
        return steps * 1000 // steps_per_s + self.run_margin_ms


FLASHED = BoardLimits(
    dose_max_steps=flashed.DOSE_STEPS_MAX,
    window_max_steps=flashed.WINDOW_STEPS_MAX,
    rate_max_steps_per_s=flashed.STEPS_PER_S_MAX,
    run_max_ms=flashed.RUN_MS_MAX,
    run_margin_ms=flashed.RUN_MARGIN_MS,
    converter_max_counts=flashed.COUNT_MAX,
)


def whole_steps(volume_ml: float, ml_per_step: float) -> int:
    """Whole pump steps that do not exceed a volume, as Settings.steps_for counts them."""
    return int(volume_ml / ml_per_step + 1e-9)


def numbers_in_order(chamber: Chamber, board: BoardLimits) -> Iterator[str]:
    return out_of_order(chamber, CHAMBER_ORDERS)


def time_zone_exists(chamber: Chamber, board: BoardLimits) -> Iterator[str]:
    name = chamber.site.time_zone
    try:
        ZoneInfo(name)
    except (OSError, ValueError, LookupError):
        close = get_close_matches(name, sorted(available_timezones()), n=1)
        guess = f"did you mean {text(close[0])}?" if close else 'give a name such as "Europe/Lisbon".'
        yield f"site.time_zone is {text(name)}, which is not in the IANA time zone list; {guess}"


def pins_differ(chamber: Chamber, board: BoardLimits) -> Iterator[str]:
    taken: dict[int, str] = {}
    for one in fields(Pins):
        pin = getattr(chamber.pins, one.name)
        if pin in taken:
            yield f"pins.{one.name} is {pin}, but pins.{taken[pin]} has that pin already."
        taken.setdefault(pin, one.name)


def probe_counts_differ(chamber: Chamber, board: BoardLimits) -> Iterator[str]:
    probe = chamber.moisture_probe
    if probe.dry_count == probe.wet_count:
        yield (
            f"moisture_probe.wet_count is {probe.wet_count}, the same as moisture_probe.dry_count; "
            "a calibration needs two different counts."
        )


def dry_count_within_converter(chamber: Chamber, board: BoardLimits) -> Iterator[str]:
    if chamber.moisture_probe.dry_count > board.converter_max_counts:
        yield _over_converter("dry_count", chamber.moisture_probe.dry_count, board)


def wet_count_within_converter(chamber: Chamber, board: BoardLimits) -> Iterator[str]:
    if chamber.moisture_probe.wet_count > board.converter_max_counts:
        yield _over_converter("wet_count", chamber.moisture_probe.wet_count, board)


def _over_converter(key: str, counts: int, board: BoardLimits) -> str:
    return f"moisture_probe.{key} is {counts}, but the board counts at most {board.converter_max_counts}."


def dose_within_board(chamber: Chamber, board: BoardLimits) -> Iterator[str]:
    yield from _within_board(
        "limits.dose_max_ml", chamber.limits.dose_max_ml, chamber, board.dose_max_steps, "one dose"
    )


def day_within_board(chamber: Chamber, board: BoardLimits) -> Iterator[str]:
    yield from _within_board(
        "limits.daily_max_ml", chamber.limits.daily_max_ml, chamber, board.window_max_steps, "24 hours"
    )


def _within_board(key: str, volume_ml: float, chamber: Chamber, most_steps: int, span: str) -> Iterator[str]:
    ml_per_step = chamber.pump.ml_per_step
    steps = whole_steps(volume_ml, ml_per_step)
    if steps > most_steps:
        yield (
            f"{key} is {number(volume_ml)}, which is {steps} pump steps, but the board turns at most {most_steps} "
            f"in {span}: {number(most_steps * ml_per_step)} ml at pump.ml_per_step = {number(ml_per_step)}."
        )


def rate_within_board(chamber: Chamber, board: BoardLimits) -> Iterator[str]:
    if chamber.pump.steps_per_s > board.rate_max_steps_per_s:
        yield (
            f"pump.steps_per_s is {chamber.pump.steps_per_s}, but the board turns at most "
            f"{board.rate_max_steps_per_s} steps a second."
        )


def longest_dose_ends_in_time(chamber: Chamber, board: BoardLimits) -> Iterator[str]:
    pump, dose_ml = chamber.pump, chamber.limits.dose_max_ml
    steps = whole_steps(dose_ml, pump.ml_per_step)
    if board.run_ms(steps, pump.steps_per_s) > board.run_max_ms:
        allowed_s = (board.run_max_ms - board.run_margin_ms) / 1000
        yield (
            f"limits.dose_max_ml is {number(dose_ml)}, which takes {number(round(steps / pump.steps_per_s, 3))} s at "
            f"pump.steps_per_s = {pump.steps_per_s}, but the board runs a dose for at most {number(allowed_s)} s."
        )


def balance_can_be_read(chamber: Chamber, board: BoardLimits) -> Iterator[str]:
    if chamber.balance is not None:
        pattern, ask = chamber.balance.pattern, chamber.balance.ask
        try:
            balance_pattern(pattern, "balance.pattern")
        except SettingsError as error:
            yield from error.sentences
        if len(ask) > BALANCE_ASK_MAX or not ask.isascii():
            yield f"balance.ask is {text(ask)}, but must be ASCII text of at most {BALANCE_ASK_MAX} characters."


CHAMBER_CHECKS = (
    numbers_in_order,
    time_zone_exists,
    pins_differ,
    probe_counts_differ,
    dry_count_within_converter,
    wet_count_within_converter,
    dose_within_board,
    day_within_board,
    rate_within_board,
    longest_dose_ends_in_time,
    balance_can_be_read,
)
