"""One direction of the line between host and board, with what may befall the frames on it."""

import heapq
import random
from typing import NamedTuple

LATENCY_MS = 3
LOSE, DOUBLE, DELAY, REORDER, CUT = "lose", "double", "delay", "reorder", "cut"
KINDS = (LOSE, DOUBLE, DELAY, REORDER, CUT)
KEPT_FRAMES = 60  # of those said lately: an old recording is taken from them


class Trouble(NamedTuple):
    """What befalls a share of the frames until a moment."""

    kind: str
    until_ms: int
    share: float
    delay_ms: int
    chance: random.Random


class Wire:
    """Frames under way, each with the moment at which it arrives."""

    def __init__(self) -> None:
        self.troubles: list[Trouble] = []
        self.said: list[bytes] = []
        self._under_way: list[tuple[int, int, bytes]] = []
        self._order = 0

    def send(self, now_ms: int, frame: bytes) -> None:
        self.said.append(frame)
        del self.said[:-KEPT_FRAMES]
        copies = [(now_ms + LATENCY_MS, frame)]
        for trouble in self.troubles:
            if now_ms < trouble.until_ms and trouble.chance.random() < trouble.share:
                copies = _befallen(trouble, copies)
        for at_ms, data in copies:
            self.insert(at_ms, data)

    def insert(self, at_ms: int, data: bytes) -> None:
        """Bytes that arrive at a moment, whoever said them."""
        self._order += 1
        heapq.heappush(self._under_way, (at_ms, self._order, data))

    def next_ms(self) -> int | None:
        return self._under_way[0][0] if self._under_way else None

    def take(self, now_ms: int) -> bytes:
        """What has arrived by now."""
        data = b""
        while self._under_way and self._under_way[0][0] <= now_ms:
            data += heapq.heappop(self._under_way)[2]
        return data

    def heal(self, now_ms: int) -> None:
        """No trouble from now on; what is under way arrives all the same."""
        self.troubles = [each._replace(until_ms=min(each.until_ms, now_ms)) for each in self.troubles]

    def is_sound(self, now_ms: int) -> bool:
        return not any(now_ms < trouble.until_ms for trouble in self.troubles)

    def is_empty(self) -> bool:
        return not self._under_way


def _befallen(trouble: Trouble, copies: list[tuple[int, bytes]]) -> list[tuple[int, bytes]]:
    if trouble.kind == LOSE:
        return []
    if trouble.kind == DOUBLE:
        return [*copies, *((at_ms + trouble.delay_ms, data) for at_ms, data in copies)]
    if trouble.kind == DELAY:
        return [(at_ms + trouble.delay_ms, data) for at_ms, data in copies]
    if trouble.kind == REORDER:
        return [(at_ms + trouble.chance.randrange(trouble.delay_ms + 1), data) for at_ms, data in copies]
    return [(at_ms, data[: trouble.chance.randrange(len(data))]) for at_ms, data in copies]
