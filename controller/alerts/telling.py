"""Who is told what, and when: one message a cause, again until it is seen, and an all-clear. What could not be sent
waits in a file, so that neither a missing network nor a restart loses it."""

import json
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from datetime import time
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from controller.alerts.causes import Cause
from controller.alerts.wishes import Wishes
from controller.control.model.moments import MS_PER_H
from controller.errors import JournalError, SettingsError
from controller.web.texts import Texts
from controller.whole_file import write_whole

WAITING_MAX = 200  # messages; beyond it the oldest are dropped, since the causes that still stand are told again


@dataclass
class Told:
    """What is known of one cause: when it was first met and last told, on UTC in milliseconds."""

    since_ms: int
    told_ms: int | None
    words: str


@dataclass
class Memory:
    """What outlives a restart."""

    told: dict[str, Told] = field(default_factory=dict)
    waiting: list[tuple[str, str]] = field(default_factory=list)  # (title, words) not sent yet
    trials: int | None = None


_MEMORY = TypeAdapter(Memory)


class Teller:
    """``send`` answers whether a message went out."""

    def __init__(self, path: Path, wishes: Wishes, place: str, send: Callable[[str, str], bool]) -> None:
        self._path = path
        self._wishes = wishes
        self._place = place
        self._texts = Texts(wishes.language)
        self._send = send
        self.memory = _read(path)

    def look(self, at_utc_ms: int, clock: time, causes: list[Cause], seen: dict[str, int], trials: int) -> None:
        """One look: queue what is due, then send what waits."""
        standing = {cause.name: cause for cause in causes}
        quiet = self._wishes.is_quiet(clock)
        memory = self.memory
        for name, cause in standing.items():
            told = memory.told.setdefault(name, Told(at_utc_ms, None, cause.words))
            if self._is_due(name, told, at_utc_ms, seen) and (cause.urgent or not quiet):
                again = told.told_ms is not None
                told.told_ms = at_utc_ms
                self._queue("alerts.still" if again else "alerts.new", self._texts.alarm(name, cause.words))
        for name in [name for name in memory.told if name not in standing]:
            told = memory.told.pop(name)
            if told.told_ms is not None:  # what was never told needs no all-clear
                self._queue("alerts.over", self._texts.alarm(name, told.words))
        if memory.trials is not None and trials > memory.trials:
            self._queue("alerts.new", self._texts("alerts.trial"))
        memory.trials = trials
        self._send_waiting()
        self._keep()

    def _is_due(self, name: str, told: Told, at_utc_ms: int, seen: dict[str, int]) -> bool:
        if told.told_ms is None:
            return True
        if seen.get(name, -1) >= told.since_ms:
            return False
        return at_utc_ms - told.told_ms >= self._wishes.repeat_every_h * MS_PER_H

    def _queue(self, key: str, words: str) -> None:
        more = f"\n{self._wishes.page_address}" if self._wishes.page_address else ""
        self.memory.waiting.append((self._place, self._texts(key, words=words) + more))
        del self.memory.waiting[:-WAITING_MAX]

    def _send_waiting(self) -> None:
        waiting = self.memory.waiting
        while waiting and self._send(*waiting[0]):
            waiting.pop(0)

    def _keep(self) -> None:
        write_whole(self._path, json.dumps(asdict(self.memory)).encode(), lasting=True)


def _read(path: Path) -> Memory:
    if not path.exists():
        return Memory()
    try:
        return _MEMORY.validate_json(path.read_bytes(), strict=True)
    except (OSError, ValidationError) as error:
        raise JournalError(f"{path}: the memory of the alerts cannot be read; move it away to start anew.") from error


def sender(addresses: tuple[str, ...]) -> Callable[[str, str], bool]:
    """Sends through the notification library; an address that it does not know is named."""
    import apprise

    box = apprise.Apprise()
    for address in addresses:
        if not box.add(address):
            raise SettingsError(
                (f"{address.split('://')[0]}://: this is not an address that messages can be sent to.",)
            )

    def send(title: str, words: str) -> bool:
        return bool(box.notify(title=title, body=words))

    return send
