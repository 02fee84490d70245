"""One line of the table of evidence."""

from typing import NamedTuple


class Row(NamedTuple):
    kind: str
    tried: int
    survived: int
    worst_case: str
