"""How fast parcels may leave, and what is said when one was not taken."""

import time
from collections.abc import Callable

from controller.errors import ParcelError


class NotDelivered(ParcelError):
    """The place did not take a parcel; it may say after how long to ask again."""

    def __init__(self, words: str, retry_after_s: float = 0.0) -> None:
        super().__init__(words)
        self.retry_after_s = retry_after_s


class Pace:
    """Keeps what is sent under so many bytes a second, over a second's worth at once."""

    def __init__(
        self,
        limit_bytes_per_s: float | None,
        clock: Callable[[], float] = time.monotonic,
        pause: Callable[[float], None] = time.sleep,
    ) -> None:
        self._limit_bytes_per_s = limit_bytes_per_s
        self._clock, self._pause = clock, pause
        self._free_at_s: float = clock()

    def spend(self, count_bytes: int) -> None:
        """Wait until so many bytes may go."""
        if self._limit_bytes_per_s is None:
            return
        now_s = self._clock()
        if self._free_at_s > now_s:
            self._pause(self._free_at_s - now_s)
        self._free_at_s = max(self._free_at_s, now_s) + count_bytes / self._limit_bytes_per_s
