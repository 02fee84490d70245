"""The shipped example files as data to change, and the way back to TOML text."""

import tomllib
from copy import deepcopy
from datetime import date, time
from pathlib import Path
from typing import Any

from controller.errors import SettingsError
from controller.settings import example_path, read_settings

LEFT_OUT = object()
PLAN_NAME = "skerry-light.plan.toml"
CHAMBER_NAME = "skerry-light.chamber.toml"


def example(name: str) -> dict[str, Any]:
    """The data of a shipped file, read by the standard library's TOML reader."""
    return tomllib.loads(example_path(name).read_text(encoding="utf-8"))


def toml_text(data: dict[str, Any]) -> str:
    """A TOML file in which every table is written inline."""
    return "\n".join(f"{_text(key)} = {_value(value)}" for key, value in data.items()) + "\n"


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_text(key)} = {_value(one)}" for key, one in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(_value(one) for one in value) + "]"
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, date | time):
        return value.isoformat()
    return repr(value)


def _text(text: str) -> str:
    return '"' + "".join(c if c.isalnum() else f"\\U{ord(c):08x}" for c in text) + '"'


def changed(data: dict[str, Any], changes: dict[str, Any]) -> dict[str, Any]:
    """A copy with values put at dotted paths; list elements count from 1, as in ``steps.1.day``."""
    data = deepcopy(data)
    for path, value in changes.items():
        *way, last = [int(key) - 1 if key.isdecimal() else key for key in path.split(".")]
        holder: Any = data
        for key in way:
            holder = holder[key] if isinstance(key, int) else holder.setdefault(key, {})
        if value is LEFT_OUT:
            del holder[last]
        else:
            holder[last] = value
    return data


def sentences(folder: Path, plan: dict[str, Any], chamber: dict[str, Any]) -> list[str]:
    """What read_settings says of two files with this data; nothing when it takes them."""
    return sentences_of_text(folder, toml_text(plan), toml_text(chamber))


def sentences_of_text(folder: Path, plan_text: str, chamber_text: str) -> list[str]:
    """What read_settings says of two files with these texts."""
    (folder / PLAN_NAME).write_text(plan_text, encoding="utf-8")
    (folder / CHAMBER_NAME).write_text(chamber_text, encoding="utf-8")
    try:
        read_settings(folder / PLAN_NAME, folder / CHAMBER_NAME)
    except SettingsError as error:
        return list(error.sentences)
    return []
