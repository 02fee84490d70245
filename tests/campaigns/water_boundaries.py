"""The water law at every boundary: a short happening is lived again and again, and each time it is cut elsewhere.

What happens is written down in ``HAPPENINGS``, without any fault in it that the happening itself does not bring. Then,
once for each place, the controller is killed before its n-th action, the disk refuses its n-th record, the board loses
power at its n-th save, or one frame is lost, in either direction. Each life must end well (``tests/water/end.py``),
and the judge looks all the while.
"""

from collections.abc import Callable, Iterator
from typing import NamedTuple

from controller.control import model as m
from tests.campaigns.rows import Row
from tests.water import end, plans
from tests.water.faults import TO_BOARD, TO_HOST
from tests.water.line import LOSE, Trouble
from tests.water.rival import Rival
from tests.water.rows_judge import BrokenError
from tests.water.world import HOUR_MS, MINUTE_MS, SECOND_MS, World

PLACES_MAX = 400  # of one kind in one happening
FULL_MS = 2_500  # the disk has room again after so long


def to_a_dose(world: World, then_ms: int = 1_500) -> None:
    world.thirst(True)
    world.pass_until(world.now_ms + HOUR_MS, lambda: bool(world.judge.ledger.open_ids))
    world.pass_ms(then_ms)


def a_dose(world: World) -> None:
    to_a_dose(world, 15 * SECOND_MS)


def a_leak_in_a_dose_that_is_cleared(world: World) -> None:
    to_a_dose(world)
    world.wet("leak", 2_000)
    world.wet("own leak", 2_000)
    world.pass_ms(20 * SECOND_MS)
    world.clear_trips(times=2)
    world.pass_ms(20 * SECOND_MS)


def a_dose_that_is_told_late(world: World) -> None:
    to_a_dose(world)
    for direction in (TO_BOARD, TO_HOST):
        world.trouble(direction, LOSE, 15 * MINUTE_MS)
    world.pass_ms(17 * MINUTE_MS)


def a_refused_dose(world: World) -> None:
    """The board is tripped, and the host has not heard it yet when it asks."""
    world.trouble(TO_HOST, LOSE, 2_000)
    world.wet("float", 100)
    world.thirst(True)
    to_a_dose(world, 15 * SECOND_MS)


def a_board_that_restarts_in_a_dose(world: World) -> None:
    to_a_dose(world)
    world.cut_board(500)
    world.pass_ms(40 * SECOND_MS)


def an_older_copy(world: World) -> None:
    to_a_dose(world, 15 * SECOND_MS)
    world.kill(1_000, records_lost=9)
    world.pass_ms(30 * SECOND_MS)
    world.clear_trips()
    world.pass_ms(30 * SECOND_MS)


def another_board(world: World) -> None:
    to_a_dose(world)
    world.exchange_board("higher")
    world.pass_ms(4 * MINUTE_MS)
    world.clear_trips()
    world.pass_ms(30 * SECOND_MS)


def a_new_journal(world: World) -> None:
    to_a_dose(world)
    world.replace_journal(beside=False)
    world.pass_ms(30 * SECOND_MS)
    world.clear_trips()
    world.pass_ms(30 * SECOND_MS)
    world.ask(m.SIGN_STEP, plans.GATE.name)
    world.pass_ms(30 * SECOND_MS)


def a_rival(world: World) -> None:
    world.rival = Rival(world, 31_000, [300], 12_000, takes_accounts=True)
    world.rival.greet()
    world.pass_ms(30 * SECOND_MS)
    world.clear_trips()
    world.pass_ms(30 * SECOND_MS)


def an_end_in_a_dose(world: World) -> None:
    to_a_dose(world)
    world.ask(m.END_RUN)
    world.pass_ms(20 * SECOND_MS)


def a_first_wetting(world: World) -> None:
    world.ask(m.SIGN_STEP, plans.GATE.name)
    world.pass_ms(5 * MINUTE_MS)


def a_portion(world: World) -> None:
    world.ask(m.GIVE_PORTION, "500")
    world.pass_ms(20 * SECOND_MS)


HAPPENINGS: tuple[tuple[str, Callable[[World], None]], ...] = (
    (plans.MOISTURE, a_dose),
    (plans.FIXED, a_dose),
    (plans.MOISTURE, a_leak_in_a_dose_that_is_cleared),
    (plans.MOISTURE, a_dose_that_is_told_late),
    (plans.MOISTURE, a_refused_dose),
    (plans.MOISTURE, a_board_that_restarts_in_a_dose),
    (plans.MOISTURE, an_older_copy),
    (plans.MOISTURE, another_board),
    (plans.MOISTURE, a_new_journal),
    (plans.MOISTURE, a_rival),
    (plans.MOISTURE, an_end_in_a_dose),
    (plans.WETTING, a_first_wetting),
    (plans.PORTIONS, a_portion),
)


class Cut(NamedTuple):
    """How a life is cut at its n-th place."""

    name: str
    arm: Callable[[World, int], None]


def _full_at(world: World, place: int) -> None:
    disk = world.disk
    disk.refuses_after = place

    def look() -> None:
        if disk.is_full:
            world.later(FULL_MS, disk.free)
        elif disk.refuses_after >= 0:
            world.later(100, look)

    world.later(100, look)


def _lose_one(direction: str) -> Callable[[World, int], None]:
    def arm(world: World, place: int) -> None:
        world.wire(direction).troubles.append(Trouble(LOSE, 10**12, 1.0, 0, OneOf(place)))  # type: ignore[arg-type]

    return arm


class OneOf:
    """Chance that strikes once, at the n-th time it is asked."""

    def __init__(self, place: int) -> None:
        self._left = place

    def random(self) -> float:
        self._left -= 1
        return 0.0 if self._left == -1 else 1.0


CUTS = (
    Cut("the controller is killed at an action", lambda world, place: world.kill_at_action(place)),
    Cut("the disk refuses a record", _full_at),
    Cut("the board loses power at a save that is kept", lambda w, place: w.cut_board_at_save(place, kept=True)),
    Cut("the board loses power at a save that is lost", lambda w, place: w.cut_board_at_save(place, kept=False)),
    Cut("a frame to the board is lost", _lose_one(TO_BOARD)),
    Cut("a frame to the host is lost", _lose_one(TO_HOST)),
)


def cut_life(kind: str, happening: Callable[[World], None], cut: Cut, place: int) -> str:
    """One life, cut at one place; what was broken, or nothing."""
    world = World(kind)
    world.pass_ms(10 * SECOND_MS)
    try:
        cut.arm(world, place)
        happening(world)
        end.ends_well(world)
    except BrokenError as error:
        return f"{kind}, {happening.__name__}, {place}: {error}"
    finally:
        world.close()
    return ""


def places(kind: str, happening: Callable[[World], None], cut: Cut) -> int:
    """How many places a happening has, by living it once without a cut."""
    world = World(kind)
    world.pass_ms(10 * SECOND_MS)
    counted = Counted(world)
    happening(world)
    return min(PLACES_MAX, counted.of(cut))


class Counted:
    """Counts the actions, records, saves and frames of a life."""

    def __init__(self, world: World) -> None:
        self._world = world
        self._frames = {TO_BOARD: 0, TO_HOST: 0}
        for direction in self._frames:
            self._watch(direction)
        self._rows = len(world.disk.written)

    def _watch(self, direction: str) -> None:
        wire = self._world.wire(direction)
        send = wire.send

        def counted(now_ms: int, frame: bytes) -> None:
            self._frames[direction] += 1
            send(now_ms, frame)

        wire.send = counted  # type: ignore[method-assign]

    def of(self, cut: Cut) -> int:
        rows = max(20, len(self._world.disk.written) - self._rows + 10)
        if cut.name.startswith("a frame to the board"):
            return self._frames[TO_BOARD]
        if cut.name.startswith("a frame to the host"):
            return self._frames[TO_HOST]
        if cut.name.startswith("the board"):
            return 8
        return rows if cut.name.startswith("the disk") else 2 * (rows + self._frames[TO_BOARD])


def all_lives(every: int = 1) -> Iterator[tuple[Cut, str]]:
    for cut in CUTS:
        for kind, happening in HAPPENINGS:
            for place in range(0, places(kind, happening, cut), every):
                yield cut, cut_life(kind, happening, cut, place)


def campaign(scale: float = 1.0) -> list[Row]:
    tried: dict[str, int] = {cut.name: 0 for cut in CUTS}
    broken: dict[str, list[str]] = {cut.name: [] for cut in CUTS}
    for cut, words in all_lives(max(1, round(1 / scale))):
        tried[cut.name] += 1
        if words:
            broken[cut.name].append(words)
    return [
        Row(f"water: {name}", tried[name], tried[name] - len(broken[name]), (broken[name] or ["no promise broken"])[0])
        for name in tried
    ]
