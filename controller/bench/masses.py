"""Masses as people and balances write them: typed, in a CSV file, or in the line that a balance sends."""

import csv
import math
import re
import warnings
from pathlib import Path

from controller.errors import SettingsError

NUMBER = re.compile(r"[+-]?([0-9]+(?:\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]{1,3})?")  # no signs of other scripts, no _
SHOWN_CHARACTERS = 40  # of a cell that is refused
SEARCHED_CHARACTERS = 80  # of a balance's line: with few repeats in an expression, no search then takes long
REPEATS_MAX = 5
REPEAT = re.compile(r"\\.|\[\^?\]?(?:\\.|[^\]\\])*\]|(?P<group>\)[*+{])|(?P<repeat>[*+{])", re.DOTALL)


def number_in(text: str, where: str, what: str = "number") -> float:
    """The number in ``text``; SettingsError naming ``where`` when it is not one."""
    given = text.strip()
    if re.fullmatch(r"[+-]?\d+,\d+", given):
        better = given.replace(",", ".")
        raise SettingsError((f"{where}: {given} has a decimal comma; write {better} with a decimal point.",))
    found = float(given) if NUMBER.fullmatch(given) else math.nan
    if not math.isfinite(found):
        shown = given if len(given) <= SHOWN_CHARACTERS else given[:SHOWN_CHARACTERS] + "..."
        raise SettingsError((f"{where}: {shown!r} is not a {what}.",))
    return found


def mass_g(text: str, where: str) -> float:
    """A typed mass."""
    return number_in(text, where, "number of grams")


def rows_from_csv(path: Path, names: tuple[str, ...], maybe: tuple[str, ...] = ()) -> list[dict[str, float]]:
    """The named columns of a comma-separated file as numbers, those of ``maybe`` where the first line names them.

    SettingsError with file, line and column.
    """
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            rows = list(csv.reader(file))
    except OSError as error:
        raise SettingsError((f"{path}: this file cannot be read ({error.strerror}).",)) from error
    except UnicodeDecodeError as error:
        raise SettingsError((f"{path}: this file is not UTF-8 text.",)) from error
    except csv.Error as error:
        raise SettingsError((f"{path}: this is not a file of cells parted by commas ({error}).",)) from error
    head = [cell.strip() for cell in rows[0]] if rows else []
    for name in names:
        if head.count(name) != 1:
            raise SettingsError((f"{path}: the first line must name one column {name} (columns parted by commas).",))
    names = (*names, *(name for name in maybe if head.count(name) == 1))
    found = []
    for line, row in enumerate(rows[1:], 2):
        if not any(cell.strip() for cell in row):
            continue
        if len(row) != len(head):
            hint = "; a number with a decimal comma reads as two, write a decimal point" if len(row) > len(head) else ""
            cells = f"{len(row)} cells, but the first line names {len(head)}"
            raise SettingsError((f"{path}: line {line} has {cells}{hint}.",))
        found.append({name: number_in(row[head.index(name)], f"{path}: line {line}, {name}") for name in names})
    return found


def masses_from_csv_g(path: Path) -> list[float]:
    """The column ``mass_g`` of a file, in the order of the portions."""
    return [row["mass_g"] for row in rows_from_csv(path, ("mass_g",))]


def mass_in_line_g(line: str, pattern: re.Pattern[str]) -> float | None:
    """The mass in a line of a balance by the user's expression (its group, or the first one), or None."""
    found = pattern.search(line[:SEARCHED_CHARACTERS])
    if found is None:
        return None
    text = found["mass_g"] if "mass_g" in pattern.groupindex else found[1]
    return None if text is None else mass_g(text.replace(" ", ""), "balance")


def balance_pattern(text: str, where: str = "--balance-pattern") -> re.Pattern[str]:
    """The user's expression; SettingsError naming ``where`` when it is none or has no group."""
    try:
        with warnings.catch_warnings(action="error"):  # what will mean something else one day means nothing now
            pattern = re.compile(text)
    except (re.error, OverflowError, RecursionError, Warning) as error:
        raise SettingsError((f"{where}: {text!r} is not a regular expression ({error}).",)) from error
    found = [repeat.lastgroup for repeat in REPEAT.finditer(text)]
    if "group" in found or found.count("repeat") > REPEATS_MAX:
        bounds = f"a group in brackets may not be repeated, and at most {REPEATS_MAX} signs may"
        raise SettingsError((f"{where}: {text!r} could search for ever; {bounds} (* + {{).",))
    if pattern.groups < 1:
        raise SettingsError((f"{where}: {text!r} needs a group in round brackets around the mass.",))
    return pattern
