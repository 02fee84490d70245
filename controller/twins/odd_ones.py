"""Which twin is the odd one, where pairs of several differ."""

from collections import Counter
from typing import NamedTuple

from controller.twins.comparing import Comparison
from controller.twins.environment import DIFFERENT


class Gap(NamedTuple):
    """A pair that differs: ``low`` has so much less than ``high``."""

    low: str
    high: str
    size: float


def gaps_of(comparison: Comparison, key: str) -> list[Gap]:
    """The pairs that differ in a channel, in its unit."""
    pairs = [(each, channel) for each in comparison.environments if (channel := each.of(key)) is not None]
    return [
        Gap(*((p.second, p.first) if c.difference < 0 else (p.first, p.second)), abs(c.difference))
        for p, c in pairs
        if c.verdict == DIFFERENT
    ]


def water_gaps(comparison: Comparison) -> list[Gap]:
    """The pairs that were given different amounts of water, in percent."""
    waters = [(each, each.water) for each in comparison.environments]
    return [
        Gap(*((e.second, e.first) if w.difference_ml < 0 else (e.first, e.second)), 100.0 * abs(w.difference_fraction))
        for e, w in waters
        if w.verdict == DIFFERENT
    ]


def sides_of(gaps: list[Gap]) -> list[tuple[str, bool, list[Gap]]]:
    """Pairs put together by the twin that has less (False) or more (True) than the most others, until none is left."""
    left, found = list(gaps), []
    while left:
        sides = Counter([(gap.low, False) for gap in left] + [(gap.high, True) for gap in left])
        (name, more), _ = max(sides.items(), key=lambda side: side[1])
        mine = [gap for gap in left if (gap.high if more else gap.low) == name]
        found.append((name, more, mine))
        left = [gap for gap in left if gap not in mine]
    return found


def odd_ones(pairs: list[tuple[str, str]]) -> list[tuple[str, list[str]]]:
    """Pairs that differ, put together by the twin that stands in the most of them (of two alike the later one)."""
    left, found = list(pairs), []
    while left:
        names = [name for pair in left for name in reversed(pair)]
        name = max(dict.fromkeys(names), key=names.count)
        mine = [pair for pair in left if name in pair]
        found.append((name, [a if b == name else b for a, b in mine]))
        left = [pair for pair in left if name not in pair]
    return found
