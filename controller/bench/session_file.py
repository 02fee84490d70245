"""What a session at the bench keeps beside its journal: rows of ``bench.jsonl``, only ever added, each on the disk at
once. The session writes them, and so does the page when somebody types a mass or reads the balance.
"""

import json
import os
from pathlib import Path
from typing import Any, NamedTuple

from controller.errors import SettingsError

SESSION_FILE = "bench.jsonl"
OPENED, READY, ENDED = "opened", "ready", "ended"  # the life of a session whose portions are asked for
END_ASKED = "end_asked"
GIVEN, SHOWN = "given", "shown"  # a portion to be weighed; what a simulated balance shows of it
TYPED, WEIGHED, CONDITIONS = "typed", "weighed", "conditions"


class Kept(NamedTuple):
    """What is kept of one portion's weighing: the text as it was typed or read, and the mass that counts."""

    text: str
    mass_g: float | None


def add_row(folder: Path, at_utc_ms: int, by: str, what: str, **values: Any) -> None:
    """Add one row and have it on the disk."""
    row = {"at_utc_ms": at_utc_ms, "by": by, "what": what, **values}
    with (folder / SESSION_FILE).open("a", encoding="utf-8") as file:
        file.write(json.dumps(row, ensure_ascii=False) + "\n")
        file.flush()
        os.fsync(file.fileno())


def rows_of(folder: Path, *kinds: str) -> list[dict[str, Any]]:
    """The rows of these kinds, oldest first; none where there is no file. SettingsError where it cannot be read."""
    path = folder / SESSION_FILE
    if not path.is_file():
        return []
    try:
        rows = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
        return [row for row in rows if row["what"] in kinds]
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise SettingsError((f"{path}: this session cannot be read ({error}).",)) from error


def given_portions(folder: Path) -> list[tuple[int, int]]:
    """(dose id, steps) of the portions of an earlier session that were given to be weighed."""
    path = folder / SESSION_FILE
    try:
        rows = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
        given = [(row["dose_id"], row["steps"]) for row in rows if row["what"] == GIVEN]
        if not all(type(number) is int and number > 0 for portion in given for number in portion):
            raise ValueError("a portion needs its dose_id and its steps, whole numbers above 0")
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise SettingsError((f"{path}: no portions of a session can be read here ({error}).",)) from error
    return given


def kept_masses(folder: Path) -> dict[int, Kept]:
    """Portion -> what was typed or read of it last; a mass counts until something else is typed in its place."""
    kept: dict[int, Kept] = {}
    for row in rows_of(folder, TYPED, WEIGHED):
        try:
            portion = int(row["portion"])
            before = kept.get(portion)
            if row["what"] == TYPED:
                kept[portion] = Kept(str(row["text"]), None)
            elif before is not None and before.mass_g is None and _says(before.text, float(row["mass_g"])):
                kept[portion] = before._replace(mass_g=float(row["mass_g"]))
            else:
                kept[portion] = Kept(repr(float(row["mass_g"])), float(row["mass_g"]))
        except (KeyError, TypeError, ValueError) as error:
            raise SettingsError((f"{folder / SESSION_FILE}: a mass cannot be read ({error}).",)) from error
    return kept


def _says(text: str, mass_g: float) -> bool:
    """Whether somebody who typed this text meant that mass."""
    try:
        return float(text.replace(",", ".")) == mass_g
    except ValueError:
        return False
