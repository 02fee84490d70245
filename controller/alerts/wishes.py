"""What a file of alerts may hold: where messages go, the hours of quiet, how often a cause is told again."""

import tomllib
from dataclasses import dataclass
from datetime import time
from pathlib import Path
from typing import Any

from controller.errors import SettingsError
from controller.web.texts import LANGUAGES

REPEAT_H_MIN, REPEAT_H_MAX = 0.25, 168.0


@dataclass(frozen=True)
class Wishes:
    """Addresses are those of the notification library, such as mailto:// or json:// (a webhook)."""

    addresses: tuple[str, ...]
    quiet_from: time | None = None  # on the chamber's clocks
    quiet_to: time | None = None
    repeat_every_h: float = 6.0
    page_address: str = ""
    language: str = "en"

    def is_quiet(self, clock: time) -> bool:
        """Whether nothing but trips is told at this time of day."""
        if self.quiet_from is None or self.quiet_to is None:
            return False
        if self.quiet_from <= self.quiet_to:
            return self.quiet_from <= clock < self.quiet_to
        return clock >= self.quiet_from or clock < self.quiet_to


def read_wishes(path: Path) -> Wishes:
    """A file of alerts; SettingsError with a sentence for every fault."""
    try:
        found = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise SettingsError((f"{path}: there is no such file.",)) from None
    except RecursionError as error:
        raise SettingsError((f"{path}: a value in this file is too large to read.",)) from error
    except (OSError, ValueError) as error:  # not TOML, not text, or thousands of digits
        raise SettingsError((f"{path}: this file cannot be read ({error}).",)) from error
    faults = list(_faults(path, found))
    if faults:
        raise SettingsError(tuple(faults))
    return Wishes(
        tuple(found["addresses"]),
        found.get("quiet_from"),
        found.get("quiet_to"),
        float(found.get("repeat_every_h", 6.0)),
        found.get("page_address", ""),
        found.get("language", "en"),
    )


def _faults(path: Path, found: dict[str, Any]) -> list[str]:
    faults = []
    known = {"addresses", "quiet_from", "quiet_to", "repeat_every_h", "page_address", "language"}
    faults += [
        f"{path}: {key} is not a key of this file; there are {', '.join(sorted(known))}."
        for key in found.keys() - known
    ]
    addresses = found.get("addresses")
    if (
        not isinstance(addresses, list)
        or not addresses
        or not all(isinstance(a, str) and "://" in a for a in addresses)
    ):
        faults.append(f"{path}: addresses must be a list of at least one address such as mailto://... or json://...")
    for key in ("quiet_from", "quiet_to"):
        if key in found and not isinstance(found[key], time):
            faults.append(f"{path}: {key} is {found[key]!r}; write a time of day such as 22:00:00.")
    if ("quiet_from" in found) != ("quiet_to" in found):
        faults.append(f"{path}: quiet_from and quiet_to belong together; give both or neither.")
    every_h = found.get("repeat_every_h", 6.0)
    number = isinstance(every_h, int | float) and not isinstance(every_h, bool)
    if not number or not REPEAT_H_MIN <= every_h <= REPEAT_H_MAX:
        bounds = f"it must be from {REPEAT_H_MIN:g} to {REPEAT_H_MAX:g} h"
        faults.append(f"{path}: repeat_every_h is {every_h!r}; {bounds}.")
    if not isinstance(found.get("page_address", ""), str):
        faults.append(f"{path}: page_address is {found['page_address']!r}; write a text.")
    if found.get("language", "en") not in LANGUAGES:
        faults.append(f"{path}: language is {found['language']!r}; there are {', '.join(LANGUAGES)}.")
    return faults
