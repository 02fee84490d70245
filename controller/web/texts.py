"""Every text of the page and its messages, one file a language in texts/; where words are wanting English stands in."""

import tomllib
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any

from markupsafe import Markup, escape

from controller.control.words import PHASE_WORDS, REFUSAL_WORDS, TRIP_WORDS, WATERING_WORDS
from controller.web.sentences import Piece, Sentences, sentences_in

FOLDER = Path(__file__).parent / "texts"
LANGUAGES = ("en", "de")
DECIMAL_COMMA = ("de",)
LANGUAGE_COOKIE = "wardian_language"
LAWS = {"trip": TRIP_WORDS, "watering": WATERING_WORDS, "refusal": REFUSAL_WORDS, "phase": PHASE_WORDS}


@cache
def _table(language: str) -> Mapping[str, Mapping[str, str]]:
    with (FOLDER / f"{language}.toml").open("rb") as file:
        table: dict[str, dict[str, str]] = tomllib.load(file)
    if language == "en":  # the law's own words are English and stand where the law is
        table |= LAWS
    return table


@cache
def sentences(language: str) -> Sentences | None:
    """What is made elsewhere, in a language; None for English, in which it is made."""
    if language == "en":
        return None
    table = _table(language)
    laws = [(words, table[section][name]) for section, law in LAWS.items() for name, words in law.items()]
    return sentences_in(FOLDER / f"sentences.{language}.toml", "," if language in DECIMAL_COMMA else ".", tuple(laws))


class Texts:
    """The words of one language."""

    def __init__(self, language: str) -> None:
        self.language = language if language in LANGUAGES else "en"

    def __call__(self, key: str, /, **values: Any) -> str:
        """The text of ``section.name`` with its values put in."""
        section, _, name = key.partition(".")
        text = _table(self.language)[section][name]
        if any(isinstance(value, Markup) for value in values.values()):
            return escape(text).format(**values)
        return text.format(**values) if values else text

    def __contains__(self, key: str) -> bool:
        section, _, name = key.partition(".")
        return name in _table(self.language).get(section, {})

    def section(self, name: str) -> Mapping[str, str]:
        return _table(self.language)[name]

    def law(self, section: str, name: str, otherwise: str) -> str:
        """Words for a word of the law (a trip, a phase, why there is no water), or those that came with it."""
        return _table(self.language)[section].get(name, otherwise)

    def alarm(self, name: str, words: str) -> str:
        """What an alarm says, by its name; one that repeats a trip says what the trip does."""
        if name.startswith("trip_"):
            return words if self.language == "en" else self.law("trip", name.removeprefix("trip_"), words)
        return self.law("alarm", name, self.said_plainly(words))

    def _pieces(self, text: str) -> Iterator[Piece]:
        known = sentences(self.language)
        for line in text.splitlines(keepends=True):
            sentence = line.rstrip("\r\n")
            found = None if known is None or not sentence else known.find(sentence)
            yield from found or (Piece(sentence, is_foreign=known is not None and sentence != ""),)
            yield Piece(line[len(sentence) :])

    def said(self, text: str) -> Markup:
        """Words that were made elsewhere, in this language; what has no words here stays English and is marked so."""
        return Markup("").join(
            Markup('<span lang="en">{}</span>').format(piece.text) if piece.is_foreign else piece.text
            for piece in self._pieces(text)
        )

    def said_plainly(self, text: str) -> str:
        """The same for where no mark can stand, such as the cell of a workbook."""
        return "".join(piece.text for piece in self._pieces(text))

    def figure(self, value: float) -> str:
        """A value in as many figures as it needs, six at most."""
        text = f"{value:.6g}"
        return text.replace(".", ",") if self.language in DECIMAL_COMMA else text

    def cells(self, rows: str) -> str:
        """An example of rows, with the signs that people of this language put into tables."""
        return rows.replace(", ", "; ").replace(".", ",") if self.language in DECIMAL_COMMA else rows

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
