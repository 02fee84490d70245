"""The chamber on the bench: the real one, or a simulated one in virtual time with a balance of its own."""

import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from controller.bench.records import applied, folder_of, judge_real
from controller.bench.session import BenchSession, settings_for
from controller.bench.session_file import ENDED, OPENED, READY
from controller.bench.tube import look_elsewhere
from controller.chamber.physics import Physics
from controller.chamber.real import RealChamber
from controller.chamber.simulated import SimulatedChamber
from controller.control.model import DoseClosed
from controller.control.photoperiod import utc_ms
from controller.errors import WardianError
from controller.science.volumetry import z_factor_ml_per_g
from controller.whole_file import write_whole

SIMULATED_NOISE_ML = 0.02  # of one portion; a choice of this simulation (no source)
SIMULATED_BOARD = "simulated-board"


class SimulatedVessel:
    """A vessel under a simulated pump, on a balance at 20 C and 101.325 kPa."""

    def __init__(self, physics: Physics) -> None:
        self._physics = physics
        self._pumped_ml = 0.0

    def empty(self) -> None:
        self._pumped_ml = self._physics.pumped_ml
        self._physics.on_top_ml = 0.0  # the tube ends in the vessel, not on the bed

    def shown_mass_g(self) -> float:
        given_ml = self._physics.pumped_ml - self._pumped_ml
        return (given_ml + self._physics.chance.gauss(0.0, SIMULATED_NOISE_ML)) / z_factor_ml_per_g(20.0, 101.325)


@dataclass
class Bench:
    """A session and, when it is simulated, what its balance would show."""

    session: BenchSession
    vessel: SimulatedVessel | None

    def shown_mass_g(self) -> float | None:
        """What the simulated balance shows for the last portion; None on a real bench."""
        return None if self.vessel is None else self.vessel.shown_mass_g()

    def give(self, steps: int) -> DoseClosed:
        """One portion into the vessel."""
        return self.session.give(steps)

    def take_requests(self) -> list[str]:
        """Give what was asked for from elsewhere, each portion into the vessel."""
        return self.session.take_requests()

    def serve(self, idle_min: float, say: Callable[[str], None]) -> str:
        """Give what is asked for until somebody asks for the end, or for nothing in ``idle_min`` minutes.

        Answers in words why it ended. A session that cannot begin raises ChamberError with the reason.
        """
        session, how, words = self.session, "fault", "It broke off."
        session.note(OPENED, pid=os.getpid())
        try:
            session.get_ready()
            session.note(READY)
            say("Ready.")
            how, words = "asked", "Somebody asked for its end."
            while not session.is_over:
                for sentence in self.take_requests():
                    say(sentence)
                if not session.is_over and session.idle_s >= idle_min * 60.0:
                    how, words = "idle", f"Nothing was asked for in {idle_min:g} min."
                    session.end(words)
        except WardianError as error:
            how, words = "fault", str(error)
            raise
        except KeyboardInterrupt:
            how, words = "stopped", "It was told to stop."
        finally:
            session.note(ENDED, how=how, words=words)
        return words

    def close(self) -> None:
        self.session.close()


def open_bench(chamber_path: Path, by: str, *, simulated: bool, runs: Path, in_real_time: bool = False) -> Bench:
    """Open the chamber for a calibration; nothing moves yet. ``runs`` is the folder in which its runs lie.

    A simulated chamber lives as fast as it can, unless told to live in real time.
    """
    settings = settings_for(applied(chamber_path.read_text(encoding="utf-8-sig"), chamber_path), chamber_path.name)
    sessions = folder_of(chamber_path)
    now_utc = datetime.now(UTC)
    folder = sessions / f"session-{now_utc:%Y%m%dT%H%M%S%f}Z"
    before = look_elsewhere(sessions, [runs], settings.chamber, simulated=simulated)
    if not simulated:
        judge_real(settings.chamber.calibration_ids)
        chamber = RealChamber(settings.chamber)
        session = BenchSession(
            settings, chamber, folder, by, lambda: time.sleep(1.0), simulated=False, elsewhere=before
        )
        return Bench(session, None)
    sessions.mkdir(parents=True, exist_ok=True)
    memory = sessions / SIMULATED_BOARD
    saved = memory.read_bytes() if memory.exists() else None
    virtual = SimulatedChamber(settings, 1, utc_ms(now_utc), saved, lambda line: write_whole(memory, line))
    virtual.box.physics.chance.seed(len(list(sessions.glob("session-*"))))  # the same pump, another day's noise

    def second() -> None:
        if in_real_time:
            time.sleep(1.0)
        virtual.advance_to(virtual.monotonic_ms + 1_000)

    vessel = SimulatedVessel(virtual.box.physics)
    session = BenchSession(settings, virtual, folder, by, second, simulated=True, elsewhere=before, vessel=vessel)
    return Bench(session, vessel)
