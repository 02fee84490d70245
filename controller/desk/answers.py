"""An answer of the plan desk."""

from typing import Any, NamedTuple


class Advice(NamedTuple):
    """One answer. ``well`` is False where a person should look again; ``assumed`` names what was assumed for it."""

    topic: str
    well: bool
    words: str
    numbers: dict[str, Any]
    assumed: str = ""
