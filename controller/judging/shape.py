"""From the data of a TOML file to frozen objects: pydantic judges types and bounds, this file says what is wrong.

pydantic reads the data as JSON in strict mode, because strict mode takes tables for dataclasses only there. JSON
knows neither dates nor the difference between a date and a text, so those are judged here first.
"""

import json
import math
import re
from dataclasses import MISSING, dataclass, fields
from datetime import date, datetime, time
from difflib import get_close_matches
from functools import cache
from typing import Any, Generic, Literal, NoReturn, TypeVar

from pydantic import TypeAdapter, ValidationError

from controller.judging.kinds import either, element_of, expected, found, keys_of, kinds, table_of, text

T = TypeVar("T")
TOML_WORDS = (str, datetime, date, time)
INT_MAX = 2**63 - 1
BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
CLOSE_ENOUGH = 0.7  # similarity at which a misspelt key is taken for a known one


class UnknownValue(Exception):
    """A check looked at a value that is itself faulty, so the check has nothing to say."""


class GoodPart:
    """Stands in for an object with faults in its file: it has the good values, and raises for the others."""

    def __init__(self, table: type, values: dict[str, Any]) -> None:
        self.__dict__.update(values)
        self._table = table

    def __getattr__(self, name: str) -> Any:
        computed = getattr(self._table, name, None)
        if isinstance(computed, property) and computed.fget is not None:
            return computed.fget(self)
        raise UnknownValue(name)


@dataclass(frozen=True)
class Judged(Generic[T]):
    """What came of a file's data. ``good`` is for checks: the object, or a stand-in with its good values.

    ``faults`` holds a sentence for each key whose shape is wrong, by path.
    """

    value: T | None
    good: T
    faults: dict[str, str]


@cache
def _adapter(table: Any) -> TypeAdapter[Any]:
    return TypeAdapter(table)


def judge_shape(data: dict[str, Any], table: type[T], file_kind: str) -> Judged[T]:
    """Judge keys, types and bounds of a file's data against a dataclass of ``controller.plan``."""
    shape = _Shape(table, file_kind)
    tidied = shape.tidy_table(data, table, "")
    value: T | None = None
    try:
        adapter = _adapter(table)  # type: ignore[arg-type]  # mypy doubts that a class can be hashed
        value = adapter.validate_json(json.dumps(tidied, default=_iso))
    except ValidationError as error:
        for fault in error.errors(include_url=False, include_context=False, include_input=False):
            shape.note(tidied, fault["loc"], missing=fault["type"] == "missing")
    if value is not None and not shape.faults:
        return Judged(value, value, {})
    good: T = shape.good(tidied, table, "")
    return Judged(None, good, shape.faults)


def _iso(value: Any) -> str:
    return str(value.isoformat())


def _under(path: str, key: str) -> str:
    shown = key if BARE_KEY.fullmatch(key) and len(key) <= 60 else text(key)
    return f"{path}.{shown}" if path else shown


class _Shape:
    """The faults of one file, found by walking its data beside the annotations."""

    def __init__(self, table: type, file_kind: str) -> None:
        self.table = table
        self.file_kind = file_kind
        self.faults: dict[str, str] = {}

    # -- before pydantic ----

    def tidy_table(self, data: dict[str, Any], table: type, path: str) -> dict[str, Any]:
        """The data with misspelt keys put right and unknown ones left out, both noted as faults."""
        keys = keys_of(table)
        known = {key: value for key, value in data.items() if key in keys}
        for key, value in data.items():
            if key in keys:
                continue
            close = get_close_matches(key, keys, n=1, cutoff=CLOSE_ENOUGH)
            self.faults[_under(path, key)] = self._unknown_key(key, path, table, close)
            if close and close[0] not in known:
                known[close[0]] = value
            elif close and isinstance(value, dict) and isinstance(known[close[0]], dict):
                known[close[0]] = value | known[close[0]]  # [watring] beside [watering.moisture]
        return {key: self._tidy(value, keys[key], _under(path, key)) for key, value in known.items()}

    def _tidy(self, value: Any, hint: Any, path: str) -> Any:
        table, element = table_of(hint), element_of(hint)
        if isinstance(value, dict) and table is not None:
            return self.tidy_table(value, table, path)
        if isinstance(value, list) and element is not None:
            return [self._tidy(one, element, f"{path}[{place}]") for place, one in enumerate(value, 1)]
        bases = [str if kind.base is Literal else kind.base for kind in kinds(hint)]
        if isinstance(value, TOML_WORDS) and type(value) not in bases:
            self.faults[path] = _wrong(value, hint, path)
        elif isinstance(value, int) and abs(value) > INT_MAX:
            self.faults[path] = _wrong(value, hint, path)
            return math.inf
        return value

    def _unknown_key(self, key: str, path: str, table: type, close: list[str]) -> str:
        sentence = f"{_under(path, key)} is not a key of a {self.file_kind}"
        if close:
            return f"{sentence}; did you mean {close[0]}?"
        home = _home_of(key, self.table, "")
        if home is not None and home != path:
            place = f"under [{home}]" if home else "at the top of the file, above the first [table]"
            return f"{sentence}; {key} belongs {place}."
        holder = path or f"a {self.file_kind}"
        return f"{sentence}; {holder} may hold {either(list(keys_of(table)))}."

    # -- after pydantic ----

    def note(self, data: Any, location: tuple[int | str, ...], *, missing: bool) -> None:
        """A sentence for one of pydantic's findings, unless its key already has one."""
        hint: Any = self.table
        value: Any = data
        path = ""
        for part in location:
            if isinstance(part, int):
                hint, value, path = element_of(hint), value[part], f"{path}[{part + 1}]"
                continue
            table = table_of(hint)
            if table is None or part not in keys_of(table):
                break  # pydantic adds which alternative it tried; the path ends before
            hint, path = keys_of(table)[part], _under(path, part)
            value = value.get(part)
        if missing:
            self.faults.setdefault(path, f"{path} is missing; give {expected(hint, path)}.")
        else:
            self.faults.setdefault(path, _wrong(value, hint, path))

    def good(self, data: dict[str, Any], table: type, path: str) -> Any:
        """A stand-in for the table with its good values and its defaults."""
        values = {}
        hints = keys_of(table)
        for one in fields(table):
            below = _under(path, one.name)
            try:
                if below in self.faults:
                    continue
                if one.name in data:
                    values[one.name] = self._good(data[one.name], hints[one.name], below)
                elif one.default is not MISSING:
                    values[one.name] = one.default
            except UnknownValue:
                continue
        return GoodPart(table, values)

    def _good(self, value: Any, hint: Any, path: str) -> Any:
        if path in self.faults:
            _refuse(path)
        table, element = table_of(hint), element_of(hint)
        if table is not None:
            return self.good(value, table, path)
        if element is not None:
            return [self._good(one, element, f"{path}[{place}]") for place, one in enumerate(value, 1)]
        return float(value) if any(kind.base is float for kind in kinds(hint)) else value


def _refuse(path: str) -> NoReturn:
    raise UnknownValue(path)


def _wrong(value: Any, hint: Any, path: str) -> str:
    return f"{path} is {found(value)}; give {expected(hint, path)}."


def _home_of(key: str, table: type, path: str) -> str | None:
    """The path of the table in which a key is at home, when there is one."""
    keys = keys_of(table)
    if key in keys:
        return path
    for name, hint in keys.items():
        below = table_of(hint)
        home = None if below is None else _home_of(key, below, _under(path, name))
        if home is not None:
            return home
    return None
