"""How far the limits of a chamber stand below its board's, which a new pump calibration moves.

The board counts steps, so in millilitres its limits move with the pump's factor, and the chamber's do not. A chamber at
the very limits of its board is good until the next calibration: then its file is refused, and nothing starts.
"""

from collections.abc import Iterator
from math import floor, log10
from typing import NamedTuple

from controller.judging.inside_chamber import FLASHED, BoardLimits, whole_steps
from controller.judging.kinds import number
from controller.plan import Chamber

# What a pump's factor may move by before the file is refused: as far as the default of acceptance.pump_drift_max_pct.
HEADROOM_PCT = 5.0
DIGITS = 3  # of a limit that is proposed, rounded down
UNBOUNDED = 10**12
# A board that takes any limit in ml: what is wrong with a chamber file on it has nothing to do with them.
ANY_LIMIT = FLASHED._replace(dose_max_steps=UNBOUNDED, window_max_steps=UNBOUNDED, run_max_ms=UNBOUNDED)


class Room(NamedTuple):
    """One limit of a chamber and what its board gives, in ml at the pump's factor."""

    key: str
    limit_ml: float
    board_ml: float
    span: str
    fits_ml: float  # at most the limit, and with the headroom below the board's

    @property
    def is_narrow(self) -> bool:
        return self.fits_ml < self.limit_ml


def rooms(chamber: Chamber, board: BoardLimits = FLASHED) -> tuple[Room, Room]:
    """Both limits that the board knows in steps: of a dose, which must also end in time, and of a day."""
    pump, limits = chamber.pump, chamber.limits
    in_time_steps = ((board.run_max_ms - board.run_margin_ms + 1) * pump.steps_per_s - 1) // 1000
    day_ml, day_fits_ml = _of_board(limits.daily_max_ml, board.window_max_steps, pump.ml_per_step)
    dose_ml, dose_fits_ml = _of_board(limits.dose_max_ml, min(board.dose_max_steps, in_time_steps), pump.ml_per_step)
    return (
        Room("dose_max_ml", limits.dose_max_ml, dose_ml, "in one dose", min(dose_fits_ml, day_fits_ml)),
        Room("daily_max_ml", limits.daily_max_ml, day_ml, "in 24 hours", day_fits_ml),
    )


def _of_board(limit_ml: float, most_steps: int, ml_per_step: float) -> tuple[float, float]:
    """(what the board gives, what of the limit leaves the headroom below it) in ml."""
    lowest_ml_per_step = ml_per_step * (1.0 - HEADROOM_PCT / 100.0)
    if whole_steps(limit_ml, lowest_ml_per_step) <= most_steps:
        return most_steps * ml_per_step, limit_ml
    return most_steps * ml_per_step, _rounded_down_ml(most_steps * lowest_ml_per_step)


def _rounded_down_ml(volume_ml: float) -> float:
    if volume_ml <= 0.0:
        return 0.0
    decimals = DIGITS - 1 - floor(log10(volume_ml))
    scale = 10.0**decimals
    return round(floor(volume_ml * scale + 1e-6) / scale, max(0, decimals))


def lowered_ml(chamber: Chamber, board: BoardLimits = FLASHED) -> dict[str, float]:
    """The limits that stand too near the board's, each with the value that leaves the headroom; keys of [limits]."""
    return {room.key: room.fits_ml for room in rooms(chamber, board) if room.is_narrow and room.fits_ml > 0.0}


def narrow_limits(chamber: Chamber, board: BoardLimits = FLASHED) -> Iterator[str]:
    """A sentence for each limit that the next pump calibration could put past the board's."""
    for room in rooms(chamber, board):
        if room.is_narrow:
            yield (
                f"limits.{room.key} is {number(room.limit_ml)}, less than {HEADROOM_PCT:g} % below the "
                f"{number(round(room.board_ml, 3))} ml that the board gives {room.span} at this pump factor: a new "
                "pump calibration could make the chamber file refused, and then nothing starts. At most "
                f"{number(room.fits_ml)} leaves that room."
            )
