"""Controller and board as processes of their own on a pseudo-terminal, one of them killed again and again.

A wetting in many small portions runs on a hurried clock. At random moments the controller is killed, or the board;
then it is started anew, a person clears what tripped, and the wetting goes on. The pulses that reached the motor's
driver are counted by the stand, apart from all that controller and board believe.
"""

import random
import signal
import tempfile
import time
from pathlib import Path

from controller.control import model as m
from tests.campaigns.rows import Row
from tests.stand.live import Session, shortened_plan
from tests.stand.running import RunningStand, wait_until

STEPS_PLANNED = 40_000  # 200 ml at 0.005 ml a step
KILLS_A_SESSION = 25
SPEEDS = (2, 10, 10, 10)  # at 2 a controller is back within its lease, at 10 long after it


def clear_what_tripped(live: Session) -> None:
    cleared = {each.trip_reason for each in live.records(m.TripCleared)}
    for reason in {each.trip_reason for each in live.records(m.TripRecord)}:
        if reason not in cleared or reason == "lease_lost":
            live.wish(request=m.CLEAR_TRIP, subject=reason)


def disagreements(live: Session) -> list[str]:
    """What does not agree once everything rests: records, plan, and the pulses at the motor."""
    closed = live.records(m.DoseClosed)
    ids = [each.dose_id for each in live.records(m.DoseIntended)]
    low, high, pulses = *live.steps_closed(), live.stand.pulses()
    found = []
    if len(ids) != len(set(ids)):
        found.append("an id was intended twice")
    if len({each.dose_id for each in closed}) != len(closed):
        found.append("a dose was closed twice")
    if not low <= pulses <= high:
        found.append(f"{pulses} pulses, recorded {low} to {high}")
    if high > STEPS_PLANNED or pulses > STEPS_PLANNED:
        found.append(f"{pulses} pulses and {high} counted of {STEPS_PLANNED} planned")
    return found


def session(kills: int, chamber_s_per_s: int, chance: random.Random) -> tuple[int, int, int, list[str]]:
    """(controllers killed, boards killed, doses begun, disagreements) of one session."""
    controllers = boards = 0
    with tempfile.TemporaryDirectory() as folder, RunningStand(Path(folder) / "stand", chamber_s_per_s) as stand:
        # 200 ml in portions of 2 ml, with short waits
        plan = shortened_plan(
            Path(folder), total_ml=(210, 200), aliquot_ml=(50, 2), pause_s=(60, 1), sample_every_s=(10, 1)
        )
        live = Session(Path(folder) / "run", plan, stand)
        live.start()
        live.get_ready()
        for _ in range(kills):
            time.sleep(chance.uniform(0.02, 0.02 + 6.0 / chamber_s_per_s))
            clear_what_tripped(live)
            if chance.random() < 0.5:
                live.end(signal.SIGKILL)
                controllers += 1
                time.sleep(chance.choice((0.0, 0.0, 3.5)) / chamber_s_per_s)
                live.start()
            else:
                stand.kill_board()
                boards += 1
        deadline_s = time.monotonic() + 60
        while time.monotonic() < deadline_s and len(live.records(m.DoseClosed)) < len(live.records(m.DoseIntended)):
            time.sleep(0.5)
        live.end(signal.SIGTERM)
        wait_until(lambda: len(live.records(m.DoseClosed)) == len(live.records(m.DoseIntended)), "every dose closed", 5)
        return controllers, boards, len(live.records(m.DoseIntended)), disagreements(live)


def campaign(scale: float = 1.0) -> list[Row]:
    """At full scale 325 kills in 13 sessions, about ten minutes."""
    chance = random.Random(2026)
    controllers = boards = doses = lost = 0
    found: list[str] = []
    for number in range(max(1, round(13 * scale))):
        kills = KILLS_A_SESSION if scale >= 0.1 else 6
        killed_controllers, killed_boards, begun, wrong = session(kills, SPEEDS[number % len(SPEEDS)], chance)
        controllers += killed_controllers
        boards += killed_boards
        doses += begun
        lost += (killed_controllers + killed_boards) if wrong else 0
        found += wrong
    tried = controllers + boards
    words = f"{controllers} controllers and {boards} boards, {doses} doses; every pulse is in the account"
    worst = "; ".join(found[:2]) or words
    return [Row("SIGKILL at random moments, on a pseudo-terminal", tried, tried - lost, worst)]
