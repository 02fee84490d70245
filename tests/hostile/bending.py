"""Making hostile input: bytes bent, values of JSON exchanged, words and figures that look like ones."""

import json
import random
from collections.abc import Callable
from copy import deepcopy
from typing import Any, NamedTuple


class Parser(NamedTuple):
    """``make`` an input by chance, ``judge`` it: True for an object, False for a clean refusal, else an exception."""

    name: str
    make: Callable[[random.Random], Any]
    judge: Callable[[Any], bool]


ODD = (
    "\x00", "\ufeff", "\ud800", "é", "²", "٣", "\u202e", "\n", "'", '"', "=", "[", "]", "{", "}", "#", "\x1b[2J", ".",
)  # fmt: skip
FIGURES = (
    "0", "-0", "1", "-1", "12.5", "1e308", "1e999", "-1e999", "nan", "inf", "-inf", "Infinity", "0x10", "1_000", "٣",
    "\uff11\uff12", "1,5", "1.5.2", "+5", "--5", "5e", ".5", "5.", "9" * 400, "9" * 5000, "1e-320", " 7 ", "7\x00", "",
    "²",
)  # fmt: skip
VALUES: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 10**18, 10**30, -(10**30), 10**400, 0.5, -0.0, 1e308, 1e-320, float("nan"),
    float("inf"), float("-inf"), "", " ", "x" * 300, "\x00", "\ud800", "²", "٣", "../..", "2026-02-29", "\\1", '"\n[',
    [], {}, [[]], [None], {"": None}, ["a", ["b"]], {"a": {"b": []}},
)  # fmt: skip


def bytes_of(chance: random.Random, most: int = 300) -> bytes:
    return chance.randbytes(chance.randrange(most))


def bent_bytes(chance: random.Random, whole: bytes) -> bytes:
    """Bytes with some changed, left out, doubled or put in."""
    bent = bytearray(whole)
    for _ in range(chance.randrange(1, 5)):
        at = chance.randrange(len(bent) + 1)
        change = chance.randrange(5)
        if change == 0 and at < len(bent):
            bent[at] ^= 1 << chance.randrange(8)
        elif change == 1:
            del bent[at : at + chance.randrange(1, 9)]
        elif change == 2:
            bent[at:at] = bent[at : at + chance.randrange(1, 40)]
        elif change == 3:
            bent[at:at] = chance.randbytes(chance.randrange(1, 5))
        else:
            bent = bent[:at] or bent
    return bytes(bent)


def bent_file(chance: random.Random, content: bytes) -> bytes:
    """A file as other programs, editors and failing disks leave it; mostly it stays as it is."""
    way = chance.random()
    if way < 0.03:
        return bytes_of(chance)
    if way < 0.06:
        return b"\xef\xbb\xbf" + content
    if way < 0.09:
        return content.replace(b"\n", b"\r\n")
    if way < 0.10:
        return chance.choice((b"[", b'{"a":', b"a = [", b"((")) * chance.choice((10, 3_000))
    return bent_bytes(chance, content) if way < 0.25 else content


def _holders(value: Any, found: list[Any]) -> list[Any]:
    if isinstance(value, dict | list):
        found.append(value)
        for each in value.values() if isinstance(value, dict) else value:
            _holders(each, found)
    return found


def bent_value(chance: random.Random, whole: Any) -> Any:
    """A copy with values exchanged, keys left out, doubled or renamed; now and then as it was."""
    bent = deepcopy(whole)
    for _ in range(chance.choice((0, 1, 1, 1, 2, 3))):
        holders = [each for each in _holders(bent, []) if each]
        if not holders:
            break
        holder = chance.choice(holders)
        key = chance.choice(list(holder) if isinstance(holder, dict) else range(len(holder)))
        change = chance.randrange(6)
        if change == 0:
            del holder[key]
        elif change == 1 and isinstance(holder, dict):
            holder[chance.choice((str(key) + "x", "", "\x00", "note", "a\nb"))] = holder[key]
        elif change == 1:
            holder.append(holder[key])
        elif change == 2:
            other = chance.choice(holders)
            holder[key] = deepcopy(chance.choice(list(other.values()) if isinstance(other, dict) else other))
        else:
            holder[key] = near(chance, holder[key]) if chance.random() < 0.4 else deepcopy(chance.choice(VALUES))
    return bent


def near(chance: random.Random, value: Any) -> Any:
    """Another value of the same kind."""
    if isinstance(value, bool):
        return not value
    if isinstance(value, int):
        return value + chance.choice((-1, 1, 2**31, -(2**63)))
    if isinstance(value, float):
        return value * chance.choice((-1.0, 0.0, 1.01, 1e200))
    if isinstance(value, str):
        at = chance.randrange(len(value) + 1)
        return value[:at] + chance.choice((*ODD, "", "a", "0")) + value[at + chance.randrange(2) :]
    return value


def json_file(chance: random.Random, whole: Any) -> bytes:
    """A bent value as a file of JSON, one document or, of a list, one a line."""
    bent = bent_value(chance, whole)
    parts = bent if isinstance(whole, list) and isinstance(bent, list) else [bent]
    return bent_file(chance, "".join(json_text(each) + "\n" for each in parts).encode())


def json_text(value: Any) -> str:
    """JSON, with whole numbers longer than the interpreter prints written all the same."""
    return json.dumps(value)


def words(chance: random.Random, letters: str = "LK-_0:.+Zdhmins @", most: int = 12) -> str:
    signs = letters + "".join(ODD)
    return "".join(chance.choice(signs) for _ in range(chance.randrange(most)))


def figure(chance: random.Random) -> str:
    """What somebody types where a number is wanted."""
    way = chance.randrange(4)
    if way == 0:
        return chance.choice(FIGURES)
    if way == 1:
        return words(chance, "0123456789.,-+eE_ ")
    return f"{chance.uniform(-10, 400):.{chance.randrange(6)}f}" if way == 2 else str(chance.randrange(-5, 20_000))
