"""A second controller on the same line: it greets, asks for water of its own and takes the board's word for it."""

from typing import TYPE_CHECKING

from firmware_bridge import limits, messages

if TYPE_CHECKING:
    from tests.water.world import World


class Rival:
    """``doses_steps`` are the doses that it will ask for, one a greeting; ``takes_accounts``: it says "seen"."""

    def __init__(
        self, world: "World", journal_id: int, doses_steps: list[int], lasts_ms: int, *, takes_accounts: bool
    ) -> None:
        self._world = world
        self.journal_id = journal_id
        self._doses_steps = list(doses_steps)
        self._until_ms = world.now_ms + lasts_ms
        self._takes_accounts = takes_accounts
        self._hello_number = 0
        self._session = self._said = 0
        self._dose_id = 0

    def greet(self) -> None:
        """Greet now and every seven seconds."""
        if self._world.rival is not self or self._world.now_ms >= self._until_ms:
            return
        self._hello_number += 1
        self._send("hello", limits.PROTOCOL, messages.LIMITS_CHECKSUM, self.journal_id, self._hello_number)
        self._world.later(7_000, self.greet)

    def _send(self, kind: str, *values: int) -> None:
        self._world.to_board.insert(self._world.now_ms + 3, messages.encode(kind, *values))

    def _say(self, kind: str, *values: int) -> None:
        self._said += 1
        self._send(kind, self._session, self._said, *values)

    def hears(self, frame: bytes) -> None:
        message = messages.decode(frame[:-1])
        if message is None or self._world.now_ms >= self._until_ms:
            return
        if message[0] == "board" and messages.number(message, "journal_id") == self.journal_id:
            self._session, self._said = messages.number(message, "session"), 0
            if self._doses_steps:
                self._dose_id = messages.number(message, "last_dose_id") + 1
                self._say("dose", self._dose_id, self._doses_steps.pop(0), 200)
                self._renew()
        elif message[0] == "done" and self._takes_accounts and message[1] == self._session:
            self._say("seen", messages.number(message, "dose_id"))

    def _renew(self) -> None:
        if self._world.rival is self and self._world.now_ms < self._until_ms:
            self._say("renew", self._dose_id, limits.LEASE_MS_MAX)
            self._world.later(1_000, self._renew)
