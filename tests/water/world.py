"""The world around one chamber: time, a line, a disk, boards, people and a rival; ``faults`` has what goes wrong."""

import heapq
from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache

from controller.control import model as m
from firmware_bridge.board import fresh_saved_line
from tests import examples
from tests.water import plans
from tests.water.board_side import DRY_COUNTS, WATER_COUNTS, PumpBoard
from tests.water.disk import Disk, FileDisk
from tests.water.faults import Faults, with_fields
from tests.water.host_side import Host, KilledError
from tests.water.judge import Judge
from tests.water.line import Wire
from tests.water.rival import Rival

SECOND_MS, MINUTE_MS, HOUR_MS = 1_000, 60_000, 3_600_000
CALM_MS = MINUTE_MS  # how often the loop looks while nothing is in hand
UNSETTLED_MS = 5_000  # and while nobody answers
IN_HAND_MS = 100  # how often what the board says leaves while it turns
BEFORE_TICK_MS = 10
FIRST_JOURNAL = 700_001


class World(Faults):
    """``now_ms`` is the true time, which nobody inside knows but the judge."""

    def __init__(self, kind: str = plans.MOISTURE, *, real_file: bool = False, is_first: bool = False) -> None:
        self.kind = kind
        self.settings = plans.settings_of(kind)
        self.now_ms = 0
        self.utc_offset_ms = examples.START_UTC_MS
        self.utc_trusted = True
        self.flicker = 0
        self.content_fraction = 0.30
        self.local_leak_wet = self.local_float_up = False
        self.port_is_there = True
        self.calm_ms = CALM_MS
        self.to_board, self.to_host = Wire(), Wire()
        self.rival: Rival | None = None
        self.disk: Disk = FileDisk(self.settings, 1) if real_file else Disk(FIRST_JOURNAL)
        self.judge = Judge(self)
        self.host: Host | None = None
        self.beside: list[Disk] = []
        self.shelf: list[PumpBoard] = []
        self._boards_made = 0
        self._journals_made = 1
        self._later: list[tuple[int, int, Callable[[], None]]] = []
        self._order = 0
        self._next_tick_ms = 0
        self._unsettled_since_ms = 0
        self.after_kill: tuple[int, int] = (2_000, 0)  # how long nobody runs, how many records are gone
        self.board_off_ms = 2_000
        begun = None if is_first or kind in (plans.WETTING, plans.PORTIONS) else _begun(kind)
        if begun is None:
            self.board = self._made_board(fresh_saved_line(1001))
            if kind == plans.PORTIONS:
                self.disk.append(0, m.PhaseRecord(examples.moment(0, boot_id=0), m.CALIBRATING, 0))
        else:
            self._go_on_with(begun)
        self.board.power_on(self.now_ms)
        self.start_host()

    def _go_on_with(self, begun: "World") -> None:
        """Begin where another world has come to: the first wetting is over, and nothing went wrong in it."""
        self.now_ms = begun.now_ms
        number = self.disk.number
        saved = with_fields(begun.board.flash[-1], last_journal_id=number)
        self.board = self._made_board(saved)
        rows = [
            (ms, replace(row, journal_id=row.journal_id and number) if isinstance(row, m.BoardRecord) else row)
            for ms, row in begun.disk.written
        ]
        self.disk.begin_with(rows)
        self.judge.take_over(begun.judge, self.disk.number)

    def _made_board(self, saved_line: bytes | None) -> PumpBoard:
        self._boards_made += 1
        return PumpBoard(saved_line, 500_000_000 + self._boards_made, self.judge.turned)

    # -- time ----

    @property
    def utc_ms(self) -> int:
        return self.now_ms + self.utc_offset_ms

    def later(self, in_ms: int, what: Callable[[], None]) -> None:
        self._order += 1
        heapq.heappush(self._later, (self.now_ms + in_ms, self._order, what))

    def pass_ms(self, ms: int) -> None:
        self.pass_until(self.now_ms + ms, lambda: False)

    def pass_until(self, until_ms: int, is_enough: Callable[[], bool]) -> bool:
        while self.now_ms < until_ms and not is_enough():
            self._advance(min(until_ms, max(self.now_ms, self._next_ms())))
        return is_enough()

    def _next_ms(self) -> int:
        moments = []
        if self.host is not None:  # the board is looked at just before, so that its report is fresh at the tick
            before_ms = self._next_tick_ms - BEFORE_TICK_MS
            moments.append(before_ms if before_ms > self.now_ms else self._next_tick_ms)
        moments += [at_ms for at_ms in (self.to_board.next_ms(), self.to_host.next_ms()) if at_ms is not None]
        if self._later:
            moments.append(self._later[0][0])
        if self.board.dose_in_hand:
            moments.append(self.now_ms + IN_HAND_MS)
        elif self.board.owes:
            moments.append(self.now_ms + 500)
        else:
            moments.append(self.now_ms + self.calm_ms)
        return min(moments)

    def _advance(self, to_ms: int) -> None:
        self.now_ms = to_ms
        self.board.pass_to(to_ms)
        self._hear_board()
        data = self.to_board.take(to_ms)
        if data:
            self.board.receive(data)
            self._hear_board()
        data = self.to_host.take(to_ms)
        if data:
            self.with_host(lambda host: host.arrived(data))
        while self._later and self._later[0][0] <= to_ms:
            heapq.heappop(self._later)[2]()
        if self.host is not None and to_ms >= self._next_tick_ms:
            self.tick()
        self._hasten()

    def tick(self) -> None:
        self.flicker = (self.now_ms // SECOND_MS) % 7
        self.board.moisture_counts = examples.counts_for(self.content_fraction) + self.flicker
        host = self.host
        if host is None:
            return
        is_young = self.now_ms - host.began_ms < 8_000
        with_sample = self.now_ms % 10_000 < SECOND_MS or is_young or not self._is_attentive()
        self._next_tick_ms = self.now_ms + self._stride_ms()
        self.with_host(lambda host: host.tick(with_sample=with_sample))

    def _hasten(self) -> None:
        if self.host is not None:
            self._next_tick_ms = min(self._next_tick_ms, self.now_ms + self._stride_ms())

    def _is_attentive(self) -> bool:
        return self.board.dose_in_hand or (self.host is not None and self.host.is_attentive)

    def _stride_ms(self) -> int:
        assert self.host is not None
        if self._is_attentive() or self.now_ms - self.host.began_ms < 8_000:
            return SECOND_MS
        if self.host.decider.state.line.state == "settled":
            self._unsettled_since_ms = self.now_ms
            return self.calm_ms
        return SECOND_MS if self.now_ms - self._unsettled_since_ms < 20_000 else UNSETTLED_MS

    # -- the controller ----

    def with_host(self, what: Callable[[Host], None]) -> None:
        """Do something with the controller, which may die of it."""
        if self.host is None:
            return
        try:
            what(self.host)
        except KilledError:
            self._host_is_gone()

    def start_host(self) -> None:
        if self.host is not None:
            return
        known = tuple(dose for disk in self.beside for dose in _doses(disk))
        host = Host(self, self.settings, known, self._given_beside())
        self.judge.host_begins(host)
        self.host = host
        self._next_tick_ms = self.now_ms + SECOND_MS
        self._unsettled_since_ms = self.now_ms
        self.with_host(Host.start)

    def _given_beside(self) -> tuple[m.Given, ...]:
        """Water of the journals that lie beside, as a start looks it up: all of it as young as it can be."""
        closed = [r for disk in self.beside for _, r in disk.written if isinstance(r, m.DoseClosed) and r.steps_max]
        return tuple(m.Given(0, each.volume_max_ml, m.ELSEWHERE, 0) for each in closed)

    def kill(self, away_ms: int = 2_000, records_lost: int = 0) -> None:
        """The process is gone at once; another begins later, on what the disk has kept."""
        self.after_kill = (away_ms, records_lost)
        if self.host is not None:
            self._host_is_gone()

    def kill_at_action(self, actions: int, away_ms: int = 2_000, records_lost: int = 0) -> None:
        """The process dies at a boundary between a record, a frame and the next, so many of them from now."""
        self.after_kill = (away_ms, records_lost)
        if self.host is not None:
            self.host.dies_before = actions

    def _host_is_gone(self) -> None:
        self.host = None
        self.judge.host_is_gone()
        self.disk.killed()
        away_ms, records_lost = self.after_kill
        if records_lost:
            self.disk.forget(records_lost)
            self.judge.records_are_lost()
        if self.kind == plans.PORTIONS:  # a session at the bench is never gone on with
            self.replace_journal(beside=True)
        self.later(max(1, away_ms), self.start_host)

    def leave(self, away_ms: int = 5_000) -> None:
        """The program is asked to end, waits three seconds for the account, and begins again later."""
        leaving = self.host
        self.with_host(Host.leave)

        def end() -> None:
            if self.host is not None and self.host is leaving:
                self.kill(away_ms)

        self.later(3_000, end)

    def replace_journal(self, *, beside: bool) -> None:
        """The next life writes a new journal; the old one lies beside it or is gone."""
        if self.host is not None:
            self.host = None
            self.judge.host_is_gone()
            self.disk.killed()
            self.later(3_000, self.start_host)
        if beside:
            self.beside.append(self.disk)
        self._journals_made += 1
        self.disk = Disk(700_000 + self._journals_made)
        if self.kind == plans.PORTIONS:
            self.disk.append(self.now_ms, m.PhaseRecord(examples.moment(0, boot_id=0), m.CALIBRATING, 0))
        self.judge.journal_is_replaced()

    # -- the board ----

    def _hear_board(self) -> None:
        data = self.board.take()
        if data:
            for frame in data.splitlines(keepends=True):
                self.to_host.send(self.now_ms, frame)
                if self.rival is not None:
                    self.rival.hears(frame)
        if not self.board.is_on and not any(what == self.power_board for _, _, what in self._later):
            self.later(self.board_off_ms, self.power_board)

    def power_board(self) -> None:
        if not self.board.is_on:
            self.board.power_on(self.now_ms)

    # -- the end of all faults ----

    def mend(self) -> None:
        """Every fault is over at once. Trips stand, and what is under way arrives."""
        pending, self._later = self._later, []
        for _, _, what in sorted(pending):
            what()
        self.to_board.heal(self.now_ms)
        self.to_host.heal(self.now_ms)
        self.rival = None
        self.disk.free()
        self.board.cut_after_saves = -1
        self.port_is_there = True
        self.local_leak_wet = self.local_float_up = False
        self.board.pass_to(self.now_ms)
        self.board.leak_counts = self.board.float_counts = DRY_COUNTS
        self.board.reservoir_counts = WATER_COUNTS
        self.power_board()
        self.utc_offset_ms, self.utc_trusted = examples.START_UTC_MS, True
        if self.host is not None:
            self.host.dies_before = -1
            if self.host.is_leaving:
                self.kill()
        pending, self._later = self._later, []
        for _, _, what in sorted(pending):
            what()
        self.start_host()

    def close(self) -> None:
        self.disk.close()


def _doses(disk: Disk) -> list[m.KnownDose]:
    """The doses of a journal, each at the least it can have been."""
    least = {record.dose_id: 0 for _, record in disk.written if isinstance(record, m.DoseIntended)}
    least |= {record.dose_id: record.steps_min for _, record in disk.written if isinstance(record, m.DoseClosed)}
    return [m.KnownDose(disk.number, dose_id, steps_min) for dose_id, steps_min in least.items()]


@lru_cache
def _begun(kind: str) -> World:
    """A world of this kind whose first wetting is over."""
    world = World(kind, is_first=True)
    world.pass_ms(20 * SECOND_MS)
    world.ask(m.SIGN_STEP, plans.GATE.name)
    world.pass_until(30 * MINUTE_MS, lambda: world.judge.ledger.phase == m.GROWING)
    world.pass_ms(20 * SECOND_MS)
    world.kill()
    return world
