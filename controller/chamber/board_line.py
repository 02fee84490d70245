"""The board at the other end of a serial line, as happenings of the seam."""

from controller.chamber.seam import BoardCounts, Happening, LineFound, LineLost, MessageReceived
from firmware_bridge.link import Found, Link, Lost


class BoardLineReader:
    """Turns the link's events into happenings and keeps the newest probe counts."""

    def __init__(self, port: str, baud: int) -> None:
        self._link = Link(port, baud)
        self.counts = BoardCounts()

    def send(self, kind: str, values: tuple[int | str, ...]) -> None:
        self._link.send(kind, *values)

    def received(self, monotonic_ms: int) -> list[Happening]:
        found: list[Happening] = []
        for event in self._link.poll(monotonic_ms / 1000.0):
            if isinstance(event, Found):
                found.append(LineFound())
            elif isinstance(event, Lost):
                self.counts.forget()
                found.append(LineLost(event.detail))
            elif self.counts.note(event.message, monotonic_ms):
                found.append(MessageReceived(event.message))
        return found

    def close(self) -> None:
        self._link.close()
