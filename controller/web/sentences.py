"""Sentences that are made elsewhere, in another language: by the bench, the check, the law, a record on the disk.

They arrive as English text, so they are looked up as a whole: a file of sentences in texts/ pairs each English
sentence, with its places, with one that has the same places. What a place holds stands after its name:

    {name}         anything, shown as it came
    {name:number}  a number, shown with the language's decimal sign
    {name:said}    a sentence or phrase of the file itself, shown in the language
    {name:maybe}   likewise if it is one, else shown as it came
    {name:words}   likewise if it is one, else shown as English: what a system or a library says
    {name:word}    one word, {name:path} a file, {name:names} names parted by commas, {name:quoted} texts in quotes:
                   shown as they came
"""

import re
import tomllib
from collections.abc import Iterable, Mapping
from functools import cache, lru_cache
from pathlib import Path
from string import Formatter
from typing import NamedTuple

LONGEST = 2_000  # characters of a line; what is longer is no sentence of ours
JOINED_MAX = 12  # sentences of a line
DEEPEST, SPLIT_DEEPEST = 4, 1  # sentences inside sentences, and several inside one
PLACES = {
    "": ".+?",
    "number": r"[-+\u2212]?\d+(?:\.\d+)?(?:e[-+]?\d+)?",
    "said": ".+?",
    "maybe": ".+?",
    "words": ".+?",
    "word": r"\S+",
    "path": r"/[^:;]*|[^\s:;]+",
    "names": r"\w+(?:, \w+)*",
    "quoted": r'"[^"]*"(?:, "[^"]*")*',
}
LOOKED_UP = ("said", "maybe", "words")
END = re.compile(r"(?<=[.!?]) |; ")  # where one sentence or finding may end and the next begin


class Piece(NamedTuple):
    """A part of an answer; ``is_foreign`` where it stayed English."""

    text: str
    is_foreign: bool = False


class Entry(NamedTuple):
    """One pair, ready to be matched."""

    pattern: re.Pattern[str]
    kinds: Mapping[str, str]
    answer: tuple[tuple[str, str], ...]  # (text before, name of the place after it or an empty string)
    weight: int  # characters that are no place


def parts_of(sentence: str) -> list[tuple[str, str | None, str]]:
    """(text before, name of a place or None, what it holds) for each place of a sentence, and for its end."""
    return [(before, name, holds or "") for before, name, holds, _ in Formatter().parse(sentence)]


def entry_of(english: str, other: str) -> Entry:
    """A pair; ValueError where its places differ or one holds what is unknown."""
    kinds, pattern, weight = {}, "", 0
    for before, name, holds in parts_of(english):
        pattern, weight = pattern + re.escape(before), weight + len(before)
        if name is None:
            continue
        if name in kinds or holds not in PLACES:
            raise ValueError(f"{english}: {name} stands twice, or {holds} is nothing that a place can hold")
        kinds[name] = holds
        pattern += f"(?P<{name}>{PLACES[holds]})"
    answer = tuple((before, name or "") for before, name, _ in parts_of(other))
    if sorted(name for _, name in answer if name) != sorted(kinds):
        raise ValueError(f"{english}: the places of the other language differ")
    return Entry(re.compile(pattern), kinds, answer, weight)


class Sentences:
    """The pairs of one language. The pair with the most text of its own is tried first."""

    def __init__(self, pairs: Iterable[tuple[str, str]], decimal_sign: str) -> None:
        self._decimal_sign = decimal_sign
        self._whole: dict[str, str] = {}
        entries = []
        for english, other in pairs:
            if "{" in english:
                entries.append(entry_of(english, other))
            else:
                self._whole[english] = other
        self._entries = sorted(entries, key=lambda entry: -entry.weight)
        self.find = lru_cache(maxsize=512)(self._find)

    def _find(self, text: str, depth: int = 0) -> tuple[Piece, ...] | None:
        """The text in the language, or None where it holds a sentence that is not in the file."""
        if depth > DEEPEST or len(text) > LONGEST:
            return None
        if (whole := self._one(text, depth)) is not None:
            return whole
        ends = list(END.finditer(text)) if depth <= SPLIT_DEEPEST else []
        for end in ends if len(ends) < JOINED_MAX else []:
            first = self._one(text[: end.start()], depth)
            rest = None if first is None else self.find(text[end.end() :], depth)
            if first is not None and rest is not None:
                return (*first, Piece(end.group()), *rest)
        return None

    def _one(self, text: str, depth: int) -> tuple[Piece, ...] | None:
        if (whole := self._whole.get(text)) is not None:
            return (Piece(whole),)
        for entry in self._entries:
            found = entry.pattern.fullmatch(text)
            pieces = None if found is None else self._put_in(entry, found.groupdict(), depth)
            if pieces is not None:
                return pieces
        return None

    def _put_in(self, entry: Entry, values: Mapping[str, str], depth: int) -> tuple[Piece, ...] | None:
        pieces: list[Piece] = []
        for before, name in entry.answer:
            pieces.append(Piece(before))
            if not name:
                continue
            value, holds = values[name], entry.kinds[name]
            if holds == "number":
                pieces.append(Piece(value.replace(".", self._decimal_sign).replace("-", "\u2212")))
                continue
            known = self.find(value, depth + 1) if holds in LOOKED_UP else None
            if known is None and holds == "said":
                return None
            pieces += known or [Piece(value, is_foreign=holds == "words")]
        return tuple(pieces)


def pairs_in(path: Path) -> dict[str, dict[str, str]]:
    """Section -> English sentence -> the other language's, as a file of sentences holds them."""
    with path.open("rb") as file:
        table: dict[str, dict[str, str]] = tomllib.load(file)
    return table


@cache
def sentences_in(path: Path, decimal_sign: str, laws: tuple[tuple[str, str], ...]) -> Sentences:
    """A file's pairs, with those of the law's own words, compiled once."""
    pairs = [pair for section in pairs_in(path).values() for pair in section.items()]
    return Sentences([*pairs, *laws], decimal_sign)
