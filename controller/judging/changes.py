"""What a chamber file says otherwise than the one that a run was begun with, key by key."""

from typing import Any

import tomli

from controller.judging.kinds import found

MARK = "\ufeff"


def changes_between(before_text: str, after_text: str) -> tuple[str, ...]:
    """One piece for each key that differs, such as ``pump.ml_per_step = 0.00503 (before: 0.005)``.

    Both texts were read and judged before; a text that is no TOML any more gives one piece that says so.
    """
    try:
        before, after = (dict(_flat(tomli.loads(text.removeprefix(MARK)), "")) for text in (before_text, after_text))
    except tomli.TOMLDecodeError as error:
        return (f"the file that the run was begun with cannot be compared ({error})",)
    return tuple(
        f"{key} = {found(after[key]) if key in after else 'left out'} "
        f"(before: {found(before[key]) if key in before else 'not given'})"
        for key in sorted(before.keys() | after.keys())
        if before.get(key) != after.get(key)
    )


def site_named(text: str) -> str | None:
    """The name of the site in a chamber file that was judged before; None where it is no TOML any more."""
    try:
        pairs = dict(_flat(tomli.loads(text.removeprefix(MARK)), ""))
    except tomli.TOMLDecodeError:
        return None
    name = pairs.get("site.name")
    return None if name is None else str(name)


def _flat(table: dict[str, Any], path: str) -> list[tuple[str, Any]]:
    pairs: list[tuple[str, Any]] = []
    for key, value in table.items():
        name = f"{path}.{key}" if path else key
        pairs += _flat(value, name) if isinstance(value, dict) else [(name, value)]
    return pairs
