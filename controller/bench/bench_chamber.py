"""The chamber on the bench: the real one, or a simulated one in virtual time with a balance of its own."""

import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from controller.bench.records import applied, folder_of, judge_real
from controller.bench.session import BenchSession, settings_for
from controller.bench.tube import look_elsewhere
from controller.chamber.real import RealChamber
from controller.chamber.simulated import SimulatedChamber
from controller.control.model import DoseClosed
from controller.control.photoperiod import utc_ms
from controller.science.volumetry import z_factor_ml_per_g
from controller.whole_file import write_whole

SIMULATED_NOISE_ML = 0.02  # of one portion; a choice of this simulation (no source)
SIMULATED_BOARD = "simulated-board"


@dataclass
class Bench:
    """A session and, when it is simulated, what its balance would show."""

    session: BenchSession
    simulated: SimulatedChamber | None
    _pumped_ml: float = 0.0

    def shown_mass_g(self) -> float | None:
        """What the simulated balance shows for the last portion, at 20 C and 101.325 kPa; None on a real bench."""
        if self.simulated is None:
            return None
        physics = self.simulated.box.physics
        given_ml = physics.pumped_ml - self._pumped_ml
        return (given_ml + physics.chance.gauss(0.0, SIMULATED_NOISE_ML)) / z_factor_ml_per_g(20.0, 101.325)

    def give(self, steps: int) -> DoseClosed:
        """One portion into the vessel."""
        if self.simulated is not None:
            physics = self.simulated.box.physics
            self._pumped_ml = physics.pumped_ml
            physics.on_top_ml = 0.0  # the tube ends in the vessel, not on the bed
        return self.session.give(steps)

    def take_requests(self) -> list[str]:
        """Give what was asked for from elsewhere, each portion into the vessel."""
        if self.simulated is not None:
            self.simulated.box.physics.on_top_ml = 0.0
        return self.session.take_requests()

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

    session = BenchSession(settings, virtual, folder, by, second, simulated=True, elsewhere=before)
    return Bench(session, virtual)
