"""Published check values, one file a topic in tests/reference; each row names its source and where in it."""

import csv
from pathlib import Path

FOLDER = Path(__file__).parent / "reference"


def rows(name: str) -> list[dict[str, str]]:
    """All rows of one file, as text; an empty file is an error, so that no check can silently vanish."""
    with (FOLDER / name).open(newline="", encoding="utf-8") as file:
        found = list(csv.DictReader(file))
    if not found:
        raise ValueError(f"{name} holds no rows")
    return found


def row_id(row: dict[str, str]) -> str:
    """The row's own name, for the test report."""
    return row["id"]
