"""The end of a life: every fault is over, people clear what they must, and water flows, or the plan says why not."""

from controller.control import model as m
from tests.water import plans
from tests.water.rows_judge import BrokenError
from tests.water.world import HOUR_MS, MINUTE_MS, SECOND_MS, World

ARRIVES_MS = 15 * MINUTE_MS  # what was delayed, and delayed again, is there
QUIET_MS = 40 * SECOND_MS
NOTICED_MS = 160 * SECOND_MS  # a board at rest is believed to be there for two and a half minutes without a word
CLEARED_WITHIN_ROUNDS = 6
FLOWS_WITHIN_MS = 45 * MINUTE_MS  # ten minutes for a dose in doubt, ten for a refusal held, rest, trust, and strides
DAY_FREE_WITHIN_MS = 27 * HOUR_MS  # until the board's own day has room again, and the longest hold
SLOT_KEPT_MS = 135 * MINUTE_MS  # a time that a day's budget holds back is kept for two hours, a refusal ten minutes
LONG_STRIDE_MS = 5 * MINUTE_MS


def look(world: World) -> None:
    """Wait half a minute on a whole line, with a sample every ten seconds as in a plan, and let the judge look."""
    calm_ms, world.calm_ms = world.calm_ms, 10 * SECOND_MS
    world.pass_ms(QUIET_MS)
    world.calm_ms = calm_ms
    if world.host is not None and world.to_board.is_empty():
        world.judge.is_quiet()


def ends_well(world: World) -> None:
    """Mend everything, clear every trip, and see water flow as far as the budgets have room."""
    world.mend()
    look(world)
    world.pass_until(world.now_ms + ARRIVES_MS, lambda: world.to_board.is_empty() and world.to_host.is_empty())
    world.calm_ms = 10 * SECOND_MS
    world.pass_ms(NOTICED_MS)
    world.calm_ms = MINUTE_MS
    _clear_all(world)
    if world.judge.ledger.phase != m.ENDED:
        _flows(world)
    look(world)


def _clear_all(world: World) -> None:
    for _ in range(CLEARED_WITHIN_ROUNDS):
        if not world.judge.ledger.trips:
            return
        for reason in world.judge.standing_reasons():
            world.ask(m.CLEAR_TRIP, reason)
            world.pass_ms(18 * SECOND_MS)
    if world.judge.ledger.trips:
        raise BrokenError(f"at {world.now_ms / 1000:.0f} s: nobody can clear {world.judge.ledger.trips}")


def _flows(world: World) -> None:
    judge = world.judge
    begun_steps = judge.true_steps(world.disk.number)

    def flowed() -> bool:
        return judge.true_steps(world.disk.number) > begun_steps and not judge.ledger.open_ids

    if world.kind == plans.PORTIONS:
        _portion_flows(world, flowed)
        return
    if plans.GATE.name not in judge.ledger.steps_done:
        world.ask(m.SIGN_STEP, plans.GATE.name)
    world.thirst(True)
    if world.kind != plans.FIXED and world.pass_until(world.now_ms + FLOWS_WITHIN_MS, flowed):
        return
    if _budget_is_used(world):
        return
    world.calm_ms = LONG_STRIDE_MS
    flows = world.pass_until(world.now_ms + DAY_FREE_WITHIN_MS, flowed)
    if not flows and not _budget_is_used(world):
        state = world.host.decider.state if world.host else None
        why = "nobody runs" if state is None else f"{state.phase}, {state.watering_answer!r}, {state.line.state}"
        raise BrokenError(f"at {world.now_ms / 1000:.0f} s: no water comes though all is mended ({why})")
    if flows and world.kind == plans.FIXED and judge.ledger.phase == m.GROWING and not judge.clock_was_wrong:
        _is_on_time(world)


def _portion_flows(world: World, flowed: object) -> None:
    assert callable(flowed)
    for _ in range(30):
        world.ask(m.GIVE_PORTION, "200")
        if world.pass_until(world.now_ms + MINUTE_MS, flowed):
            return
    world.calm_ms = LONG_STRIDE_MS
    world.pass_ms(DAY_FREE_WITHIN_MS)
    world.calm_ms = MINUTE_MS
    for _ in range(15):
        world.ask(m.GIVE_PORTION, "200")
        if world.pass_until(world.now_ms + MINUTE_MS, flowed):
            return
    raise BrokenError(f"at {world.now_ms / 1000:.0f} s: no portion is given though all is mended")


def _budget_is_used(world: World) -> bool:
    """Whether the total or the week has no room, by the rows: what is in doubt counts at its most."""
    ledger, law = world.judge.ledger, world.settings.plan.watering
    run_ms = world.host.decider.state.run_ms if world.host else 0
    total_ml = week_ml = 0.0
    for dose_id, (_, closed) in ledger.closed.items():
        if ledger.purpose(dose_id) not in (m.FIRST_WETTING, m.ELSEWHERE):
            total_ml += closed.volume_max_ml
            week_ml += closed.volume_max_ml if closed.run_ms > run_ms - 7 * 24 * HOUR_MS else 0.0
    return total_ml + law.dose_ml > law.total_cap_ml or week_ml + law.dose_ml > law.weekly_cap_ml


def _is_on_time(world: World) -> None:
    """The dose that flowed came at one of the plan's times, or while that was still to be kept."""
    last = world.judge.turns[-1]
    second = (last.first_ms + world.utc_offset_ms) // 1000 % 86_400
    late = [(second - (each.hour * 3_600 + each.minute * 60)) % 86_400 for each in plans.SLOT_TIMES]
    if min(late) * 1000 > SLOT_KEPT_MS:
        raise BrokenError(f"a dose at a fixed time came {min(late)} s after it")
