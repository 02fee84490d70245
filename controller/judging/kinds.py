"""What a key of a file may hold, read from the annotations of ``controller.plan``, and the words for it.

A list element is numbered from 1 in every path, as a person counts: ``positions[3]`` is the third position.
"""

import json
from collections.abc import Iterator
from dataclasses import is_dataclass
from datetime import date, datetime, time
from functools import cache
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, NamedTuple, Union, get_args, get_origin, get_type_hints

from annotated_types import Ge, Gt, Le, Lt, MinLen

FOUND_LENGTH_MAX = 60  # longer text from a file is cut in a sentence


class Kind(NamedTuple):
    """One type that a key may hold, with its bounds; ``inner`` is the element of a list or the choices."""

    base: Any
    bounds: tuple[Any, ...] = ()
    inner: tuple[Any, ...] = ()


@cache
def kinds(hint: Any) -> tuple[Kind, ...]:
    """Every type an annotation allows, None left out: a key that may be absent is not written at all."""
    return tuple(_kinds(hint, ()))


def _kinds(hint: Any, bounds: tuple[Any, ...]) -> Iterator[Kind]:
    origin = get_origin(hint)
    if origin is Annotated:
        inner, *metadata = get_args(hint)
        yield from _kinds(inner, (*bounds, *metadata))
    elif origin in (Union, UnionType):
        for alternative in get_args(hint):
            if alternative is not NoneType:
                yield from _kinds(alternative, bounds)
    elif origin in (list, Literal):
        yield Kind(origin, bounds, get_args(hint))
    else:
        yield Kind(hint, bounds)


@cache
def keys_of(table: type) -> dict[str, Any]:
    """The keys of a table and their annotations, in the order of the class."""
    return {name: hint for name, hint in get_type_hints(table, include_extras=True).items() if name[0] != "_"}


def table_of(hint: Any) -> type | None:
    """The dataclass that a table of this key is read into."""
    bases: list[type] = [kind.base for kind in kinds(hint)]
    return next((base for base in bases if is_dataclass(base)), None)


def element_of(hint: Any) -> Any:
    """The annotation of a list's elements, or None when the key holds no list."""
    return next((kind.inner[0] for kind in kinds(hint) if kind.base is list), None)


# -- words ----

SINGULAR = {
    float: "a number",
    int: "a whole number",
    str: "text in quotes",
    bool: "true or false",
    time: "a time of day such as 06:00:00",
    date: "a date such as 2026-03-02",
    datetime: "a moment such as 2026-03-02T06:00:00Z",
}
PLURAL = {float: "numbers", int: "whole numbers", str: "texts in quotes", time: "times of day such as 06:00:00"}


def expected(hint: Any, path: str) -> str:
    """What a key takes, to stand after the word give."""
    return " or ".join(_expected(kind, path) for kind in kinds(hint))


def _expected(kind: Kind, path: str) -> str:
    least = max((bound.min_length for bound in kind.bounds if isinstance(bound, MinLen)), default=0)
    if kind.base is list:
        if is_dataclass(kind.inner[0]):
            return ("one or more tables" if least else "tables") + f" [[{path}]]"
        (element,) = kinds(kind.inner[0])
        some = "a list of one or more " if least else "a list of "
        return some + PLURAL[element.base] + _bounds(element.bounds)
    if kind.base is Literal:
        return either([found(choice) for choice in kind.inner])
    if is_dataclass(kind.base):
        return f"a table [{path}]"
    if kind.base is str and least:
        return "text in quotes that is not empty"
    return SINGULAR[kind.base] + _bounds(kind.bounds)


def _bounds(bounds: tuple[Any, ...]) -> str:
    low = next((bound.ge for bound in bounds if isinstance(bound, Ge)), None)
    high = next((bound.le for bound in bounds if isinstance(bound, Le)), None)
    if low is not None and high is not None:
        return f" from {number(low)} to {number(high)}"
    words = [f"at least {number(low)}"] if low is not None else []
    words += [f"over {number(bound.gt)}" for bound in bounds if isinstance(bound, Gt)]
    words += [f"at most {number(high)}"] if high is not None else []
    words += [f"under {number(bound.lt)}" for bound in bounds if isinstance(bound, Lt)]
    return f" {', '.join(words)}" if words else ""


def number(value: Any) -> str:
    """A number as a person writes it: 500, 0.005, 20000."""
    if isinstance(value, float):
        return f"{value:.10g}"
    if abs(value) >= 10**18:
        return f"a whole number of about {round(value.bit_length() * 0.30103)} digits"
    return str(value)


def found(value: Any) -> str:
    """A value of a file, as short as it can be shown."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return number(value)
    if isinstance(value, float):
        return "nan, which is not a number" if value != value else repr(value)
    if isinstance(value, str):
        return text(value)
    if isinstance(value, dict):
        return "a table" if value else "an empty table"
    if isinstance(value, list):
        return "a list" if value else "an empty list"
    return str(value.isoformat())


def text(value: str) -> str:
    """Text of a file in quotes, cut when long, with nothing in it that a terminal would obey."""
    short = value if len(value) <= FOUND_LENGTH_MAX else value[: FOUND_LENGTH_MAX - 3] + "..."
    return json.dumps(short, ensure_ascii=not short.isprintable())


def either(names: list[str]) -> str:
    """a, b or c."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"
