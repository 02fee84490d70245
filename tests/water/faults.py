"""What may go wrong in a world, and what people do in it; each is one call, and most are over by themselves."""

from typing import Any

from controller.control import model as m
from firmware_bridge import messages
from firmware_bridge.board import fresh_saved_line
from tests.water import plans
from tests.water.board_side import DRY_COUNTS, OPEN_COUNTS, WATER_COUNTS, WET_COUNTS
from tests.water.disk import chance_of
from tests.water.line import Trouble, Wire

TO_BOARD, TO_HOST = "to the board", "to the host"


class Faults:
    """The part of ``World`` that other files call; the rest of it is time, the loop and the lives of a controller."""

    # -- the line ----

    def wire(self, direction: str) -> Wire:
        return self.to_board if direction == TO_BOARD else self.to_host

    def trouble(self, direction: str, kind: str, lasts_ms: int, share: float = 1.0, delay_ms: int = 100) -> None:
        chance = chance_of(direction, kind, lasts_ms, share, delay_ms, self.now_ms)
        self.wire(direction).troubles.append(Trouble(kind, self.now_ms + lasts_ms, share, delay_ms, chance))

    def insert_recorded(self, direction: str, ago: int, in_ms: int = 0) -> None:
        """A frame that was said before arrives once more."""
        said = self.wire(direction).said
        if said:
            self.wire(direction).insert(self.now_ms + in_ms, said[-1 - ago % len(said)])

    def insert(self, direction: str, kind: str, *values: Any) -> None:
        self.wire(direction).insert(self.now_ms, messages.encode(kind, *values))

    def babble(self, lasts_ms: int) -> None:
        """Another device talks on the port."""
        for at_ms in range(0, lasts_ms, 700):
            for wire in (self.to_board, self.to_host):
                wire.insert(self.now_ms + at_ms, b"\xffAT+ready %d\n" % at_ms)

    def unplug(self, lasts_ms: int) -> None:
        self.port_is_there = False
        self.with_host(lambda host: host.decider.hear())

        def plug() -> None:
            self.port_is_there = True
            self.with_host(lambda host: host.decider.hear())

        self.later(lasts_ms, plug)

    # -- the board ----

    def cut_board(self, off_ms: int = 2_000, saves_lost: int = 0) -> None:
        self.board.pass_to(self.now_ms)
        self.board_off_ms = max(1, off_ms)
        if saves_lost:
            self.judge.flash_lied()
        self.board.power_off(saves_lost=saves_lost)
        self._hear_board()

    def cut_board_at_save(self, saves: int, *, kept: bool, off_ms: int = 2_000) -> None:
        self.board_off_ms = max(1, off_ms)
        self.board.cut_after_saves, self.board.cut_save_is_kept = saves, kept

    def exchange_board(self, how: str) -> None:
        """Another board in its place, one from the shelf, or the same one commissioned anew or without memory."""
        self.board.pass_to(self.now_ms)
        self.board.power_off()
        self.judge.board_is_exchanged(how)
        before = self.board
        if how == "anew":
            before.flash[:] = [fresh_saved_line(1001 + self._boards_made + 100 * len(before.flash))]
        elif how == "lost":
            before.flash.clear()
            self._boards_made += 1
            before._identity = 500_000_000 + self._boards_made
        elif how == "shelf" and self.shelf:
            self.board = self.shelf.pop(0)
            self.shelf.append(before)
        else:
            self.shelf.append(before)
            self.board = self._made_board(saved_before(2000 + self._boards_made, 900 if how == "higher" else 0))
        self.board.power_on(self.now_ms)
        self._hear_board()

    def wet(self, where: str, lasts_ms: int) -> None:
        """A probe reads wet, up, open or empty for a while; ``own`` is the pair on the controller."""
        self.board.pass_to(self.now_ms)
        board = self.board

        def put(wet: bool) -> None:
            board.pass_to(self.now_ms)
            if where == "leak":
                board.leak_counts = WET_COUNTS if wet else DRY_COUNTS
            elif where == "leak wire":
                board.leak_counts = OPEN_COUNTS if wet else DRY_COUNTS
            elif where == "float":
                board.float_counts = WET_COUNTS if wet else DRY_COUNTS
            elif where == "reservoir":
                board.reservoir_counts = OPEN_COUNTS if wet else WATER_COUNTS
            elif where == "own leak":
                self.local_leak_wet = wet
            else:
                self.local_float_up = wet
            if wet and where.startswith("own"):
                self.with_host(lambda host: host.decider.sample())

        put(True)
        self.later(lasts_ms, lambda: put(False))

    # -- people and clocks ----

    def ask(self, request: str, subject: str = "") -> None:
        """Somebody writes a request into the journal, under initials that name it."""
        host = self.host
        boot_id = host.boot_id if host is not None else max(1, self.disk.next_boot_id() - 1)
        at = m.Moment(self.utc_ms, self.now_ms, boot_id, self.utc_trusted)
        number = self.disk.ask(m.Request(at=at, request_id=0, request=request, asked_by="P", subject=subject))
        self.judge.was_asked(number)
        self._hasten()

    def clear_trips(self, times: int = 1) -> None:
        for reason in self.judge.standing_reasons():
            for _ in range(times):
                self.ask(m.CLEAR_TRIP, reason)

    def step_clock(self, difference_ms: int, *, trusted: bool = True) -> None:
        self.utc_offset_ms += difference_ms
        self.utc_trusted = trusted
        self.judge.clock_was_wrong = True

    def thirst(self, wanted: bool) -> None:
        self.content_fraction = 0.20 if wanted else 0.30

    def change_factor(self, ml_per_step: float) -> None:
        """From the next start on the chamber file holds another factor of the pump."""
        self.settings = plans.settings_of(self.kind, ml_per_step)

    def is_sound(self) -> bool:
        """Whether no fault is at work, armed or on its way."""
        return (
            all(wire.is_sound(self.now_ms) and wire.is_empty() for wire in (self.to_board, self.to_host))
            and not self._later
            and self.port_is_there
            and self.board.is_on
            and self.board.cut_after_saves < 0
            and self.host is not None
            and self.host.dies_before < 0
            and self.rival is None
            and self.disk.refuses_after < 0
        )


def with_fields(saved_line: bytes, **values: int) -> bytes:
    """A board's memory with some numbers changed."""
    fields = list(messages.decode(saved_line) or ())
    for name, value in values.items():
        fields[1 + messages.FIELDS["saved"].index(name)] = value
    return messages.encode(*fields)[:-1]  # type: ignore[arg-type]


def saved_before(board_id: int, last_dose_id: int) -> bytes:
    """The memory of a board that was used before, for other records."""
    fresh = fresh_saved_line(board_id)
    if not last_dose_id:
        return fresh
    return with_fields(fresh, boots=3, last_dose_id=last_dose_id, last_journal_id=99, turned_total_steps=540_000)
