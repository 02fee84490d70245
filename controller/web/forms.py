"""Reading a form: each field inside its bounds, one sentence for what cannot be meant."""

from starlette.datastructures import FormData

from controller.web.codes import ROLES

INITIALS_MAX = 12


class FormFault(Exception):
    """One sentence for the person who filled in the form."""


def word_of(form: FormData, name: str, longest: int) -> str:
    """A text field, without space around it; FormFault where it is too long or no text."""
    value = form.get(name, "")
    if not isinstance(value, str):
        raise FormFault(f"{name}: a text was expected.")
    value = value.strip()
    if len(value) > longest:
        raise FormFault(f"{name}: {len(value)} characters; at most {longest} can be kept.")
    # a journal keeps text as UTF-8, which has no half characters
    return value.encode("utf-8", "replace").decode("utf-8").replace("\x00", "")


def number_of(form: FormData, name: str, low: float, high: float) -> float | None:
    """A number field, with decimal point or comma; None where it is empty, FormFault outside its bounds."""
    text = word_of(form, name, 40).replace(",", ".")
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        raise FormFault(f"{name}: {text} is not a number.") from None
    if not low <= value <= high:
        raise FormFault(f"{name}: {value:g}; it must be from {low:g} to {high:g}.")
    return value


def whole_of(form: FormData, name: str, low: int, high: int) -> int | None:
    """A whole number field."""
    value = number_of(form, name, low, high)
    if value is not None and value != int(value):
        raise FormFault(f"{name}: {value:g}; it must be a whole number.")
    return None if value is None else int(value)


def initials_of(form: FormData) -> str:
    """The initials of a person; FormFault without them."""
    initials = word_of(form, "initials", INITIALS_MAX)
    if not initials:
        raise FormFault("initials: they are needed, so that the record says who.")
    return initials


def role_of(form: FormData) -> str:
    role = word_of(form, "role", 20)
    if role not in ROLES:
        raise FormFault(f"role: it must be one of {', '.join(ROLES)}.")
    return role
