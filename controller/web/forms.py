"""Reading a form: each field inside its bounds, one sentence for what cannot be meant."""

import re

from starlette.datastructures import FormData

from controller.web.codes import ROLES
from controller.web.texts import Texts

INITIALS_MAX = 12
MASS = re.compile(r"mass_(\d+)_g")  # the mass of one portion
# fields whose label stands elsewhere in the texts than under [label] or [field]
LABELS = {
    "initials": "sign_in.initials", "code": "sign_in.code", "role": "sign_in.role", "before_g": "steps.before",
    "after_g": "steps.after", "height_mm": "logbook.height_label", "leaves": "logbook.leaves_label",
    "growth_stage_bbch": "logbook.stage_label", "first": "downloads.first", "last": "downloads.last",
    "table": "downloads.table", "step": "downloads.step", "separator": "downloads.separator",
    "decimal": "downloads.decimal", "file": "label.readings",
}  # fmt: skip


class FormFault(Exception):
    """One sentence for the person who filled in the form: the key of a text with its values, put into words only
    where it is shown, in the language of that page. A value named ``field`` is a field's name and becomes its label.

    What is no key is a sentence made elsewhere, such as by a command of the terminal.
    """

    def __init__(self, key: str, /, **values: str | float) -> None:
        super().__init__(key)
        self._key = key
        self._values = values

    def words(self, texts: Texts) -> str:
        """The sentence in a language."""
        if self._key not in texts:
            return texts.said(self._key)
        return texts(self._key, **{name: _told(name, value, texts) for name, value in self._values.items()})

    def __str__(self) -> str:
        return str(self.words(Texts("en")))


def _told(name: str, value: str | float, texts: Texts) -> str:
    if isinstance(value, str):
        return label_of(value, texts) if name == "field" else texts.said(value) if name == "words" else value
    return str(value) if isinstance(value, int) else texts.figure(value)


def label_of(field: str, texts: Texts) -> str:
    """What stands beside a field on its form, or its name where nothing does."""
    if (portion := MASS.fullmatch(field)) is not None:
        return texts("label.mass", n=portion[1])
    found = (key for key in (LABELS.get(field, ""), f"label.{field}", f"field.{field}") if key in texts)
    key = next(found, None)
    return field if key is None else texts(key)


def word_of(form: FormData, name: str, longest: int) -> str:
    """A text field, without space around it; FormFault where it is too long or no text."""
    value = form.get(name, "")
    if not isinstance(value, str):
        raise FormFault("fault.no_text", field=name)
    value = value.strip()
    if len(value) > longest:
        raise FormFault("fault.too_long", field=name, n=len(value), most=longest)
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
        raise FormFault("fault.no_number", field=name, text=text) from None
    if not low <= value <= high:
        raise FormFault("fault.outside", field=name, value=value, low=low, high=high)
    return value


def whole_of(form: FormData, name: str, low: int, high: int) -> int | None:
    """A whole number field."""
    value = number_of(form, name, low, high)
    if value is not None and value != int(value):
        raise FormFault("fault.not_whole", field=name, value=value)
    return None if value is None else int(value)


def initials_of(form: FormData) -> str:
    """The initials of a person; FormFault without them."""
    initials = word_of(form, "initials", INITIALS_MAX)
    if not initials:
        raise FormFault("fault.initials", field="initials")
    return initials


def role_of(form: FormData) -> str:
    role = word_of(form, "role", 20)
    if role not in ROLES:
        raise FormFault("fault.none_of", field="role", choices=", ".join(ROLES))
    return role
