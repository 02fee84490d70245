"""Messages between host and board, good and bent."""

import random

from firmware_bridge import messages
from tests.hostile.bending import bent_bytes, bytes_of


def _number(chance: random.Random, most: int) -> int:
    return min(most, chance.choice((0, 1, 5, 4095, 12_000, most - 1, most, chance.getrandbits(39))))


def message_line(chance: random.Random, kinds: tuple[str, ...] = tuple(messages.FIELDS)) -> bytes:
    """A message that fits the table, with values from anywhere in it, without its line feed."""
    kind = chance.choice(kinds)
    words = (None, "leak_wet", "state_lost", "complete", "turning", "_", "x" * 10)
    values: list[str | int | None] = [
        chance.choice(words) if is_word else _number(chance, most)
        for is_word, most in zip(messages.WORD_FIELDS[kind], messages.NUMBERS_MAX[kind], strict=True)
    ]
    if kind == "saved":  # so many numbers at their longest would not fit a line
        values[len(values) - len(messages.SLOT_FIELDS) :] = [chance.randrange(3_000) for _ in messages.SLOT_FIELDS]
        values = [min(v, 99_999_999) if isinstance(v, int) and v < messages.NUMBER_MAX - 1 else v for v in values]
    return messages.encode(kind, *values)[:-1]


def any_line(chance: random.Random) -> bytes:
    """A good line, a bent one, rubbish, or rubbish under a right checksum."""
    way = chance.randrange(4)
    if way == 0:
        return message_line(chance)
    if way == 1:
        return bent_bytes(chance, message_line(chance))
    if way == 2:
        return bytes_of(chance)
    body = bent_bytes(chance, message_line(chance)[:-5])
    return body + b" %04X" % messages.checksum(body)
