"""The water law, host and board against each other over a faulty world: an independent proof by many short lives.

The shipped decider and the shipped board program live through losses, copies, delays and cuts on the line, kills at
any action, power cuts at any save, disks that are full or lie, exchanged boards, replaced journals, a rival, leaks,
people in a hurry and clocks that jump (``tests/water``). A judge counts the motor's steps itself and holds:

1. The motor never turns more than ``firmware_bridge/limits`` allows: a dose, a run, a day; whatever the host does.
2. No row of a dose says less than was turned for it, and the rows of a journal together are never below the truth when
   the line has been whole for half a minute, nor when the next dose is intended. Excused are: rows that a disk lost
   and the board was not yet asked about, or could not be asked about since it was exchanged; a board whose own
   flash lost what it had acknowledged, since then nobody has counted.
3. The motor turns no longer than one lease (3 s and two ticks) after the last frame that gives one arrived; on a line
   that is whole it stands within 0.2 s of the moment from which the host has a trip, failing records or an ended run.
   From that moment on no lease is renewed and no dose is sent.
4. A dose is intended only when no trip stands, no dose is open, records can be written and the run has not ended, once
   for each id; and the caps (dose, rest, day, week, total, the chamber's day, the first wetting) hold for the steps
   truly turned in true time with what is in doubt counted at its most. Excused from the day, the week and the rest are
   lives in which the wall clock jumped: a clock with network time moves the run clock on, as the plan's times ask.
5. A dose is open for 16 minutes at most while the controller lives and writes: one minute for the command and the
   longest dose, ten for the account, five for a line that comes and goes meanwhile. A request is answered once, within
   20 s. No request clears a trip that was raised after it was made.
6. After every event the live memory is what the rows so far would be folded into (``tests/water/durable.py``).
7. When faults end and people have cleared what they must, water flows: within 45 minutes, at a fixed time within its
   day, and after a day where a budget of a day was used. A whole line is settled within half a minute.
8. No water flows on a strange board, after water for a strange journal, or on rows that lack water, before a person has
   looked; and each trip that stands is told by its alarm.
"""

from typing import Any

from hypothesis import HealthCheck, Phase, seed, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule, run_state_machine_as_test

from controller.control import model as m
from firmware_bridge import interlocks, limits, messages
from tests.campaigns.rows import Row
from tests.water import end, line, plans
from tests.water.faults import TO_BOARD, TO_HOST
from tests.water.rival import Rival
from tests.water.world import HOUR_MS, MINUTE_MS, SECOND_MS, World

directions = st.sampled_from([TO_BOARD, TO_HOST])
moments_ms = st.sampled_from([5, 60, 400, 900, 1_500, 2_500, 3_100, 5_000, 7_000])
lasts_ms = st.sampled_from([500, 2_000, 4_000, 12_000, 40_000, 5 * MINUTE_MS, 25 * MINUTE_MS])
delays_ms = st.sampled_from([100, 700, 2_000, 5_000, 20_000, 10 * MINUTE_MS])
away_ms = st.sampled_from([50, 1_000, 2_500, 4_000, 30_000, 20 * MINUTE_MS])
probes = st.sampled_from(["leak", "leak wire", "float", "reservoir", "own leak", "own float"])


class WaterLife(RuleBasedStateMachine):
    """One life of a chamber. Each rule is something that happens; then some time passes."""

    def __init__(self) -> None:
        super().__init__()
        self.world: World | None = None

    @initialize(kind=st.sampled_from([plans.MOISTURE, plans.MOISTURE, *plans.KINDS]), real_file=st.integers(0, 19))
    def begin(self, kind: str, real_file: int) -> None:
        self.world = World(kind, real_file=real_file == 19)
        self.world.pass_ms(10 * SECOND_MS)
        if kind == plans.WETTING:
            self.world.ask(m.SIGN_STEP, plans.GATE.name)

    # -- time ----

    @rule(ms=st.sampled_from([100, SECOND_MS, 10 * SECOND_MS, MINUTE_MS, 10 * MINUTE_MS, HOUR_MS]))
    def pass_time(self, ms: int) -> None:
        self.world.pass_ms(ms)

    @rule(then_ms=moments_ms)
    def pass_to_a_dose(self, then_ms: int) -> None:
        world = self.world
        if world.kind == plans.PORTIONS:
            world.ask(m.GIVE_PORTION, "500")
        world.thirst(True)
        world.pass_until(world.now_ms + 40 * MINUTE_MS, lambda: bool(world.judge.ledger.open_ids))
        world.pass_ms(then_ms)

    @rule(wanted=st.booleans())
    def thirst(self, wanted: bool) -> None:
        self.world.thirst(wanted)

    @rule()
    def look(self) -> None:
        """Half a minute without a new fault; where none is at work the judge looks."""
        world = self.world
        if world.is_sound():
            end.look(world)

    # -- the line ----

    @rule(
        direction=directions, kind=st.sampled_from(line.KINDS), lasts=lasts_ms,
        share=st.sampled_from([1.0, 1.0, 0.5, 0.2]), delay=delays_ms, then_ms=moments_ms,
    )  # fmt: skip
    def the_line_is_bad(self, direction: str, kind: str, lasts: int, share: float, delay: int, then_ms: int) -> None:
        self.world.trouble(direction, kind, lasts, share, delay)
        self.world.pass_ms(then_ms)

    @rule(lasts=lasts_ms)
    def the_board_is_mute(self, lasts: int) -> None:
        self.world.trouble(TO_BOARD, line.LOSE, lasts)
        self.world.trouble(TO_HOST, line.LOSE, lasts)

    @rule(lasts=lasts_ms, then_ms=moments_ms)
    def the_port_is_gone(self, lasts: int, then_ms: int) -> None:
        if self.world.port_is_there:
            self.world.unplug(lasts)
        self.world.pass_ms(then_ms)

    @rule(direction=directions, ago=st.integers(0, 59), delay=st.sampled_from([0, 50, 1_000, 20_000]))
    def an_old_frame_comes_again(self, direction: str, ago: int, delay: int) -> None:
        self.world.insert_recorded(direction, ago, delay)
        self.world.pass_ms(100)

    @rule(
        boots=st.integers(2, 9), kind=st.sampled_from(["report", "done", "board", "judged"]), number=st.integers(1, 20)
    )
    def another_boards_frame_comes(self, boots: int, kind: str, number: int) -> None:
        session = (40 + boots) * messages.SESSIONS_PER_BOOT + 1
        values: dict[str, tuple[Any, ...]] = {
            "report": (interlocks.RESTING, None, 0, 0, 3, 0, 0, 2000, 2000, 1000, 2000, 5),
            "done": (number, 0, 0, interlocks.COMPLETE),
            "judged": (number, interlocks.STEPS_OUT_OF_BOUNDS),
            "board": (limits.PROTOCOL, messages.LIMITS_CHECKSUM, 31, number, 4_000, number, 31, 500),
        }
        self.world.insert(TO_HOST, kind, session, 900, 0, *values[kind])
        self.world.pass_ms(50)

    @rule(
        kind=st.sampled_from(["hello", "dose", "renew", "stop", "clear", "seen"]), dose_id=st.integers(1, 12),
        session=st.integers(0, 2),
    )  # fmt: skip
    def another_controllers_frame_comes(self, kind: str, dose_id: int, session: int) -> None:
        if kind == "hello":
            self.world.insert(TO_BOARD, kind, limits.PROTOCOL, messages.LIMITS_CHECKSUM, 31, dose_id)
        else:
            values = {
                "dose": (dose_id, 400, 100), "renew": (dose_id, 3_000), "stop": (dose_id,), "seen": (dose_id,),
                "clear": (1, interlocks.LEAK_WET),
            }  # fmt: skip
            self.world.insert(TO_BOARD, kind, session, 900, *values[kind])
        self.world.pass_ms(50)

    @rule(lasts=lasts_ms)
    def another_device_babbles(self, lasts: int) -> None:
        self.world.babble(min(lasts, 40_000))

    @rule(
        doses=st.lists(st.sampled_from([300, 1_000, 12_000]), max_size=2), takes_accounts=st.booleans(),
        lasts=st.sampled_from([100, 10_000, 40_000]), then_ms=moments_ms,
    )  # fmt: skip
    def a_second_controller_speaks(self, doses: list[int], takes_accounts: bool, lasts: int, then_ms: int) -> None:
        world = self.world
        world.rival = Rival(world, 31_000, doses, lasts, takes_accounts=takes_accounts)
        world.rival.greet()
        world.pass_ms(then_ms)

    # -- the controller and its disk ----

    @rule(away=away_ms, lost=st.sampled_from([0, 0, 0, 1, 2, 3, 5, 12, 40]))
    def the_controller_is_killed(self, away: int, lost: int) -> None:
        self.world.kill(away, lost)
        self.world.pass_ms(away + SECOND_MS)

    @rule(actions=st.integers(0, 12), away=away_ms, lost=st.sampled_from([0, 0, 0, 1, 2]))
    def the_controller_dies_at_an_action(self, actions: int, away: int, lost: int) -> None:
        self.world.kill_at_action(actions, away, lost)

    @rule()
    def the_controller_is_asked_to_end(self) -> None:
        self.world.leave()
        self.world.pass_ms(10 * SECOND_MS)

    @rule(after=st.integers(0, 6), lasts=lasts_ms, then_ms=moments_ms)
    def the_disk_is_full(self, after: int, lasts: int, then_ms: int) -> None:
        disk = self.world.disk
        disk.refuses_after = after
        self.world.later(lasts, disk.free)
        self.world.pass_ms(then_ms)

    @rule(beside=st.booleans())
    def the_journal_is_a_new_one(self, beside: bool) -> None:
        if self.world.kind != plans.PORTIONS:
            self.world.replace_journal(beside=beside)
        self.world.pass_ms(6 * SECOND_MS)

    @rule(ml_per_step=st.sampled_from([0.004, 0.005, 0.006]))
    def the_factor_is_another(self, ml_per_step: float) -> None:
        self.world.change_factor(ml_per_step)

    # -- the board ----

    @rule(off_ms=st.sampled_from([10, 1_500, 20_000, 6 * MINUTE_MS]), saves_lost=st.sampled_from([0, 0, 0, 0, 1, 2]))
    def the_board_loses_power(self, off_ms: int, saves_lost: int) -> None:
        self.world.cut_board(off_ms, saves_lost)
        self.world.pass_ms(off_ms + 50)

    @rule(saves=st.integers(0, 3), kept=st.booleans())
    def the_board_loses_power_at_a_save(self, saves: int, kept: bool) -> None:
        self.world.cut_board_at_save(saves, kept=kept)

    @rule(how=st.sampled_from(["fresh", "higher", "shelf", "anew", "lost"]))
    def the_board_is_another(self, how: str) -> None:
        self.world.exchange_board(how)
        self.world.pass_ms(SECOND_MS)

    @rule(where=probes, lasts=st.sampled_from([20, 600, 3_000, 20_000, 20 * MINUTE_MS]), then_ms=moments_ms)
    def a_probe_is_wet(self, where: str, lasts: int, then_ms: int) -> None:
        self.world.wet(where, lasts)
        self.world.pass_ms(then_ms)

    # -- people and clocks ----

    @rule(times=st.integers(1, 2), then_ms=st.sampled_from([100, 1_100, 5_000, 20_000]))
    def somebody_clears(self, times: int, then_ms: int) -> None:
        self.world.clear_trips(times)
        self.world.pass_ms(then_ms)

    @rule(reason=st.sampled_from([*interlocks.TRIP_REASONS[:4], m.BOARD_EXCHANGED, "nonsense"]))
    def somebody_clears_what_may_not_be_there(self, reason: str) -> None:
        self.world.ask(m.CLEAR_TRIP, reason)
        self.world.pass_ms(1_500)

    @rule(really=st.integers(0, 5))
    def somebody_ends_the_run(self, really: int) -> None:
        if really == 5:
            self.world.ask(m.END_RUN)
        self.world.pass_ms(5 * SECOND_MS)

    @rule(hours=st.sampled_from([-960, -30, -1, 1, 30, 960]), back_ms=lasts_ms, trusted=st.booleans())
    def the_clock_jumps(self, hours: int, back_ms: int, trusted: bool) -> None:
        world = self.world
        world.step_clock(hours * HOUR_MS, trusted=trusted)
        world.later(back_ms, lambda: world.step_clock(-hours * HOUR_MS))
        world.pass_ms(2 * SECOND_MS)

    # -- the end ----

    def teardown(self) -> None:
        if self.world is not None:
            try:
                if not self._is_broken():
                    end.ends_well(self.world)
            finally:
                self.world.close()

    def _is_broken(self) -> bool:
        return self.world is not None and self.world.judge.is_broken


def quietly(examples: int, steps: int, *, derandomize: bool = False) -> settings:
    return settings(
        max_examples=examples,
        stateful_step_count=steps,
        deadline=None,
        database=None,
        derandomize=derandomize,
        phases=[Phase.generate, Phase.shrink],
        suppress_health_check=list(HealthCheck),
        report_multiple_bugs=False,
    )


def lives(examples: int, steps: int = 14, number: int = 1) -> None:
    """So many lives, the same for the same number. A broken promise is reduced to a short list of happenings."""
    machine = type("WaterLife", (WaterLife,), {})
    run_state_machine_as_test(seed(number)(machine), settings=quietly(examples, steps))


def campaign(scale: float = 1.0) -> list[Row]:
    examples = max(1, round(2_000 * scale))
    rows = []
    for steps in (8, 16, 30):
        lives(examples, steps, steps)
        rows.append(Row(f"water: lives of up to {steps} happenings", examples, examples, "no promise broken"))
    return rows
