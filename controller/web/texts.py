"""Every text of the page, one file a language in texts/; English stands in wherever another language has no words."""

import tomllib
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from controller.control.words import PHASE_WORDS, TRIP_WORDS, WATERING_WORDS

FOLDER = Path(__file__).parent / "texts"
LANGUAGES = ("en", "de")
DECIMAL_COMMA = ("de",)


@cache
def _table(language: str) -> Mapping[str, Mapping[str, str]]:
    with (FOLDER / f"{language}.toml").open("rb") as file:
        table: dict[str, dict[str, str]] = tomllib.load(file)
    if language == "en":  # the law's own words are English and stand where the law is
        table |= {"trip": TRIP_WORDS, "watering": WATERING_WORDS, "phase": PHASE_WORDS}
    return table


class Texts:
    """The words of one language."""

    def __init__(self, language: str) -> None:
        self.language = language if language in LANGUAGES else "en"

    def __call__(self, key: str, /, **values: Any) -> str:
        """The text of ``section.name`` with its values put in."""
        section, _, name = key.partition(".")
        text = _table(self.language)[section][name]
        return text.format(**values) if values else text

    def section(self, name: str) -> Mapping[str, str]:
        return _table(self.language)[name]

    def law(self, section: str, name: str, otherwise: str) -> str:
        """Words for a word of the law (a trip, a phase, why there is no water), or those that came with it."""
        return _table(self.language)[section].get(name, otherwise)

    def number(self, value: float, decimals: int = 1) -> str:
        """The value as people of this language write it."""
        text = f"{value:z.{decimals}f}".replace("-", "\u2212")
        return text.replace(".", ",") if self.language in DECIMAL_COMMA else text

    def ago(self, seconds_s: float) -> str:
        """A span since something, in its two or so significant figures."""
        for unit, length_s in (("days", 86_400), ("hours", 3_600), ("minutes", 60)):
            if seconds_s >= 2 * length_s:
                return self(f"ago.{unit}", n=int(seconds_s // length_s))
        return self("ago.seconds", n=max(0, round(seconds_s)))


def language_of(chosen: str | None, accepted: str) -> str:
    """The language somebody chose, else the first of the browser's that there is, else English."""
    if chosen in LANGUAGES:
        return str(chosen)
    for part in accepted.split(","):
        tag = part.split(";")[0].strip().lower().split("-")[0]
        if tag in LANGUAGES:
            return tag
    return "en"
