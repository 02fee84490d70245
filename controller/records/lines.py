"""Whole columns written as text at once: the same characters as ``cells`` writes one by one, many times as fast.

A column is a matrix of bytes with one row a cell; a zero byte is no character. Columns are laid side by side and the
zeros left out. Where a number lies so close to the middle between two roundings that arithmetic in floating point
might round it otherwise than Python does, or has too many digits, Python itself writes it.
"""

from datetime import UTC, tzinfo

import numpy as np
from numpy.typing import NDArray

from controller.records.cells import MS_PER_QUARTER, Clock
from controller.records.timeline import Milliseconds

Texts = NDArray[np.uint8]

PLAIN_MAX = 1e9  # in units of the last decimal
DOUBT = 1e-6  # of such a unit: the product of two floats below PLAIN_MAX is off by less than a tenth of that

_FOUR_DIGITS = np.frombuffer("".join(f"{n:04d}" for n in range(10_000)).encode(), dtype=np.uint32)


def lines(columns: list[Texts], separator: str = ",") -> bytes:
    """Rows that end with CR LF, of columns of equal length, of which no cell needs quotes."""
    count = len(columns[0])
    between = np.full((count, 1), ord(separator), dtype=np.uint8)
    parts = [part for column in columns for part in (between, column)][1:]
    parts.append(np.broadcast_to(np.frombuffer(b"\r\n", dtype=np.uint8), (count, 2)))
    return np.hstack(parts).tobytes().translate(None, b"\0")


def numbers(values: NDArray[np.float64], decimals: int, mark: str = ".") -> Texts:
    """Numbers with so many decimals, as ``cells.number`` writes them; NaN is an empty cell."""
    with np.errstate(over="ignore", invalid="ignore"):
        scaled = np.abs(values) * 10.0**decimals
        doubtful = ~(scaled < PLAIN_MAX) | (np.abs(scaled - np.floor(scaled) - 0.5) < DOUBT)
    empty = np.isnan(values)
    plain = np.where(doubtful | empty, 0.0, np.rint(scaled)).astype(np.uint32)
    highest = int(plain.max(initial=0))
    width = max(decimals + 1, len(str(highest)))
    found = np.empty((len(values), 1 + width + (decimals > 0)), dtype=np.uint8)
    found[:, 0] = np.where((values < 0.0) & (plain > 0), ord("-"), 0)
    digits = _digits(plain, width)
    whole = width - decimals
    for place in range(whole - 1):  # zeros before the number
        digits[:, place] *= plain >= 10 ** (width - 1 - place)
    found[:, 1 : 1 + whole] = digits[:, :whole]
    if decimals:
        found[:, 1 + whole] = ord(mark)
        found[:, 2 + whole :] = digits[:, whole:]
    found[empty] = 0
    return _rewritten(found, np.flatnonzero(doubtful & ~empty), values, f"z.{decimals}f", mark)


def _digits(plain: NDArray[np.uint32], width: int) -> Texts:
    """The last ``width`` digits of whole numbers."""
    groups = -(-width // 4)
    found = np.empty((len(plain), groups), dtype=np.uint32)
    rest = plain
    for group in range(groups - 1, -1, -1):
        rest, four = np.divmod(rest, np.uint32(10_000))
        found[:, group] = _FOUR_DIGITS[four]
    return found.view(np.uint8)[:, 4 * groups - width :]


def _rewritten(found: Texts, rows: NDArray[np.intp], values: NDArray[np.float64], form: str, mark: str) -> Texts:
    """The same column with some rows written by Python."""
    if not len(rows):
        return found
    texts = [format(value, form).replace(".", mark).encode() for value in values[rows].tolist()]
    width = max(found.shape[1], max(len(text) for text in texts))
    wider = np.zeros((len(found), width), dtype=np.uint8)
    wider[:, : found.shape[1]] = found
    wider[rows] = _table(texts, width)
    return wider


def words(choices: list[str], codes: NDArray[np.integer]) -> Texts:
    """Each row one of a few texts, by its place among them."""
    table = [choice.encode() for choice in choices]
    found: Texts = _table(table, max(map(len, table)))[codes]
    return found


def _table(texts: list[bytes], width: int) -> Texts:
    return np.frombuffer(b"".join(text.ljust(width, b"\0") for text in texts), dtype=np.uint8).reshape(-1, width)


def moments(utc_ms: Milliseconds, clock: Clock) -> tuple[Texts, Texts]:
    """Moments in UTC, and on the clocks of the zone, as ``clock`` writes them."""
    quarters, into_ms = np.divmod(utc_ms, MS_PER_QUARTER)
    starts = np.flatnonzero(np.diff(quarters, prepend=quarters[0] - 1))
    which = np.repeat(np.arange(len(starts)), np.diff(np.append(starts, len(utc_ms))))
    minutes, rest_ms = np.divmod(into_ms.astype(np.uint32), np.uint32(60_000))
    seconds, milliseconds = np.divmod(rest_ms, np.uint32(1000))
    after = [_sign(":", len(utc_ms)), _digits(seconds, 2)]
    if clock.in_milliseconds:
        after += [_sign(".", len(utc_ms)), _digits(milliseconds, 3)]

    def written(zone: tzinfo) -> Texts:
        parts = [clock.quarter(quarter, zone) for quarter in quarters[starts].tolist()]
        heads, first_minutes, tails = zip(*parts, strict=True)
        minute = np.array(first_minutes, dtype=np.uint32)[which] + minutes
        return np.hstack([words(list(heads), which), _digits(minute, 2), *after, words(list(tails), which)])

    return written(UTC), written(clock.zone)


def _sign(sign: str, count: int) -> Texts:
    return np.full((count, 1), ord(sign), dtype=np.uint8)
