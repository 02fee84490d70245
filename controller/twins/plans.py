"""Whether runs are of one plan, and where their plans differ."""

from collections.abc import Iterator

from controller.errors import SettingsError
from controller.twins.gathering import Twin


def differences_of_plans(twins: list[Twin]) -> list[str]:
    """One sentence for each value in which a plan differs from the first twin's; a changed remark is told too."""
    first, found = twins[0], []
    for other in twins[1:]:
        if other.run["plan_sha256"] == first.run["plan_sha256"]:
            continue
        changes = list(_changes(first.settings.plan, other.settings.plan, ""))
        for key, here, there in changes:
            found.append(f"{key} is {here} at {first.name}, and {there} at {other.name}.")
        if not changes:
            found.append(f"The plan files of {first.name} and {other.name} differ only in remarks or layout.")
    return found


def refuse_unlike(twins: list[Twin], *, unlike_wanted: bool) -> list[str]:
    """The differences of the plans; SettingsError when there are any and nobody asked for them to be overlooked."""
    found = differences_of_plans(twins)
    if found and not unlike_wanted:
        raise SettingsError(
            (
                "These runs are not of one plan (their plan digests differ), so they are no twins. "
                "Give --unlike to compare them all the same.",
                *found,
            )
        )
    return found


def _changes(here: object, there: object, path: str) -> Iterator[tuple[str, str, str]]:
    fields = getattr(here, "__dataclass_fields__", None)
    if fields is not None and type(here) is type(there):
        for name in fields:
            yield from _changes(getattr(here, name), getattr(there, name), f"{path}.{name}" if path else name)
    elif isinstance(here, list) and isinstance(there, list) and len(here) == len(there):
        for place, (one, other) in enumerate(zip(here, there, strict=True), 1):
            yield from _changes(one, other, f"{path}[{place}]")
    elif here != there:
        yield path, _short(here), _short(there)


def _short(value: object) -> str:
    if value is None:
        return "not given"
    text = f"{len(value)} entries" if isinstance(value, list) else str(value)
    return text if len(text) <= 120 else text[:117] + "..."
