"""Flipped bits on the line between host and board: which are refused, and how many of the rest slip through."""

import itertools
import random

from firmware_bridge import messages
from tests.campaigns.rows import Row

# As they go over the line in the second conversation of a board's fourth start
SESSION = 40000002
EXAMPLES = {
    "hello": (2, 32423, 702314, 5000003),
    "dose": (SESSION, 12, 17, 9000, 400),
    "renew": (SESSION, 13, 17, 3000),
    "stop": (SESSION, 14, 17),
    "ask": (SESSION, 15),
    "clear": (SESSION, 16, 3, "leak_wet"),
    "seen": (SESSION, 17, 17),
    "board": (SESSION, 1, 0, 2, 32423, 702314, 5000003, 804411, 17, 702314, 90210),
    "judged": (SESSION, 8, 12, 17, "accepted"),
    "cleared": (SESSION, 9, 16, 3, "not_dry"),
    "report": (SESSION, 10, 16, "turning", None, 3, 0, 17, 4210, 1, 2003, 1998, 1002, 2611, 86399),
    "done": (SESSION, 11, 16, 17, 0, 9000, "board_restarted"),
    "saved": (804411, 4, 17, 702314, 0, 9000, None, 0, "float_wire_open", 3, 90210, 1800000, *range(0, 2500, 100)),
}
LINES = {kind: messages.encode(kind, *values) for kind, values in EXAMPLES.items()}
BURST_BITS_SURE = 16  # a checksum of 16 bits notices every burst up to its own length


def heard(line: bytes) -> list[tuple[object, ...]]:
    """Every message that a reader of the stream takes out of these bytes."""
    return messages.LineReader().feed(line + b"\n")


def flipped(line: bytes, bits: tuple[int, ...]) -> bytes:
    wrong = bytearray(line)
    for bit in bits:
        wrong[bit // 8] ^= 0x80 >> bit % 8
    return bytes(wrong)


def one_and_two_flips(kind: str) -> tuple[int, int]:
    """(tried, refused) for every single and every double flip in the text of a line, its feed apart."""
    line = LINES[kind][:-1]
    bits = range(8 * len(line))
    tried = refused = 0
    for places in itertools.chain(((bit,) for bit in bits), itertools.combinations(bits, 2)):
        tried += 1
        wrong = flipped(line, places)
        pieces = wrong.split(b"\n")  # a flip may make a line feed, and then two lines
        refused += not any(messages.decode(piece) is not None for piece in pieces)
    return tried, refused


def bursts(kind: str, count: int, chance: random.Random, bits_min: int, bits_max: int) -> tuple[int, int, int]:
    """(tried, refused, longest that was accepted) for bursts: first and last bit flipped, those between at random."""
    line = LINES[kind][:-1]
    size = 8 * len(line)
    refused = longest = 0
    for _ in range(count):
        length = chance.randint(bits_min, min(bits_max, size))
        start = chance.randrange(size - length + 1)
        inner = (bit for bit in range(start + 1, start + length - 1) if chance.random() < 0.5)
        places = (start, *inner, start + length - 1) if length > 1 else (start,)
        if any(messages.decode(piece) is not None for piece in flipped(line, places).split(b"\n")):
            longest = max(longest, length)
        else:
            refused += 1
    return count, refused, longest


def noise(count: int, chance: random.Random) -> tuple[int, int]:
    """(tried, refused) for lines whose text is whole and whose checksum is drawn: the worst that noise can do."""
    refused = 0
    for _ in range(count):
        body = LINES["dose"][:-6]
        refused += messages.decode(b"%s %04X" % (body, chance.getrandbits(16))) is None
    return count, refused


def campaign(scale: float = 1.0) -> list[Row]:
    chance = random.Random(1)
    kinds = sorted(LINES) if scale >= 1.0 else ["seen", "stop"]
    flips = [one_and_two_flips(kind) for kind in kinds]
    each = round(20_000 * scale)
    short = [bursts(kind, each, chance, 2, BURST_BITS_SURE) for kind in LINES]
    long = [bursts(kind, 4 * each, chance, BURST_BITS_SURE + 1, 10_000) for kind in LINES]
    drawn, drawn_refused = noise(round(1_000_000 * scale), chance)
    long_tried, long_refused = sum(t for t, _, _ in long), sum(r for _, r, _ in long)
    return [
        Row(f"one or two flipped bits, {len(kinds)} kinds of message, all of them", sum(t for t, _ in flips),
            sum(r for _, r in flips), "all refused"),
        Row(f"bursts of 2 to {BURST_BITS_SURE} bits", sum(t for t, _, _ in short), sum(r for _, r, _ in short),
            f"longest accepted: {max(bits for _, _, bits in short)} bits"),
        Row("longer bursts, up to a whole line", long_tried, long_refused, residual(long_tried, long_refused)),
        Row("whole text, checksum drawn at random", drawn, drawn_refused,
            f"{residual(drawn, drawn_refused)}; by theory 1 in 65536"),
    ]  # fmt: skip


def residual(tried: int, refused: int) -> str:
    """The share that slipped through; where none did, the bound that three in so many tries would give."""
    if refused == tried:
        return f"residual error rate below {3 / tried:.1e} (none seen, 95 %)"
    return f"residual error rate {(tried - refused) / tried:.1e}"
