"""The valid range of an argument, and the form of the answer: a scalar gives a float, an array an array."""

import math
from typing import TypeVar, cast

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
Numbers = TypeVar("Numbers", float, FloatArray)


def within(
    name: str,
    value: ArrayLike,
    low: float = -math.inf,
    high: float = math.inf,
    *,
    low_excluded: bool = False,
    nan_passes: bool = False,
) -> FloatArray:
    """``value`` as an array of floats, every one of them finite and in the range.

    ``low_excluded`` shuts out the lower bound itself. With ``nan_passes`` a missing value (NaN, or None in a
    list of records) stays NaN; without it, it is refused like any other value outside the range. An empty
    array is always refused. Errors: ValueError naming the argument, the value found and the range.
    """
    try:
        given = np.asarray(value)
        if given.dtype.kind not in "biufO":
            raise TypeError
        numbers = given.astype(np.float64)
    except (TypeError, ValueError):
        raise ValueError(f"{name} must be a number or an array of numbers, found {value!r}") from None
    if numbers.size == 0:
        raise ValueError(f"{name} must hold at least one number, found none")
    inside = np.isfinite(numbers) & (numbers > low if low_excluded else numbers >= low) & (numbers <= high)
    if nan_passes:
        inside |= np.isnan(numbers)
    if not inside.all():
        found = float(np.atleast_1d(numbers)[~np.atleast_1d(inside)][0])
        raise ValueError(f"{name} must be {_in_words(low, high, low_excluded)}, found {found!r}")
    return numbers


def series(name: str, value: ArrayLike, low: float = -math.inf, *, at_least: int = 1) -> FloatArray:
    """``value`` as a one-dimensional array of at least so many finite numbers, none below ``low``."""
    numbers = within(name, value, low)
    if numbers.ndim != 1 or numbers.size < at_least:
        raise ValueError(f"{name} must be a row of {at_least} numbers or more, found shape {numbers.shape}")
    return numbers


def same_length(first_name: str, first: FloatArray, second_name: str, second: FloatArray) -> None:
    """Two rows that belong together have the same length. Errors: ValueError naming both."""
    if first.size != second.size:
        raise ValueError(
            f"{second_name} must be as long as {first_name} ({first.size}), found {second.size} numbers"
        )


def as_given(given: Numbers, answer: FloatArray) -> Numbers:
    """The answer in the form of the question: a Python float for scalars, an array for arrays.

    ``given`` tells the type checker which; at run time the answer's own shape decides, so that a scalar
    joined to an array gives an array.
    """
    del given
    return cast(Numbers, float(answer) if np.ndim(answer) == 0 else answer)


def _in_words(low: float, high: float, low_excluded: bool) -> str:
    if math.isinf(low) and math.isinf(high):
        return "finite"
    if math.isinf(high):
        return f"above {low:g}" if low_excluded else f"{low:g} or more"
    return f"above {low:g} and at most {high:g}" if low_excluded else f"between {low:g} and {high:g}"
