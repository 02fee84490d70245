"""TOML files with values changed, lines lost, doubled or moved, or bytes bent."""

import random

from tests.hostile.bending import ODD, bent_bytes, bytes_of

VALUES = (
    "0", "-1", "1", "1e308", "-1e308", "nan", "inf", "-inf", "true", '""', "[]", "{}", "9" * 400, "9" * 20, "1e-320",
    "0x7fffffffffffffffffff", "2026-02-29", "2026-03-02T06:00:00", "25:00:00", "06:00:00", "'\\u0000'", '"\\uD800"',
    "[[[[]]]]", "'''", '"' + "x" * 300 + '"', "0.1", "12", "300.0000001", '"UTC"', '"Mars/Olympus"', '"../etc"',
    "\ufeff",
)  # fmt: skip
HUGE = ("[" * 3_000, "9" * 5_000, "{a = " * 2_000)


def bent_toml(chance: random.Random, text: str) -> bytes:
    """A shipped file with values changed, lines lost, doubled or moved, or bytes bent."""
    if chance.random() < 0.03:
        return bytes_of(chance)
    lines = text.splitlines()
    for _ in range(chance.randrange(1, 4)):
        at = chance.randrange(len(lines))
        change = chance.randrange(6)
        if change < 3 and "=" in lines[at]:
            key, value = lines[at].split("=", 1)
            other = chance.choice(lines).partition("=")[2] or value
            lines[at] = f"{key}= {chance.choice((chance.choice(VALUES), repr(chance.uniform(-1e3, 1e4)), other))}"
        elif change == 3:
            del lines[at]
        elif change == 4:
            lines.insert(at, chance.choice(lines))
        else:
            where = chance.randrange(len(lines[at]) + 1)
            lines[at] = lines[at][:where] + chance.choice(ODD) + lines[at][where:]
    if chance.random() < 0.005:
        lines.insert(0, f"name = {chance.choice(HUGE)}")
    content = chance.choice(("\n",) * 20 + ("\r\n", "\r")).join(lines).encode(errors="surrogatepass")
    return bent_bytes(chance, content) if chance.random() < 0.2 else content
