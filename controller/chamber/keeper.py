"""The person of a rehearsal: does hands-on steps, looks at the seeds, mends what broke and clears trips."""

from collections.abc import Callable

from controller.chamber.faults import Strike
from controller.chamber.simulated import SimulatedChamber
from controller.control import model as m
from controller.control.model.moments import MS_PER_DAY, MS_PER_H
from controller.plan import Settings
from firmware_bridge import interlocks

INITIALS = "LK"
STEP_TAKES_MS = 4 * 60_000
VISIT_HOUR_UTC = 15
WATER_G_PER_ML = 0.998

Ask = Callable[..., None]


class Keeper:
    """Comes when a step is due and once a day; asks for everything by the same requests as a real person."""

    def __init__(self, chamber: SimulatedChamber, settings: Settings, strike: Strike, ask: Ask) -> None:
        self._chamber = chamber
        self._settings = settings
        self._strike = strike
        self._ask = ask
        self._due_since_ms: dict[str, int] = {}
        self._last_visit_day = -1
        self._to_clear: list[str] = []
        self.mended: list[str] = []

    def look(self, state: m.State) -> None:
        """One look a minute of the rehearsal."""
        if self._to_clear:
            for reason in self._to_clear:
                self._ask(request=m.CLEAR_TRIP, subject=reason, note="; ".join(self.mended[-3:]))
            self._to_clear = []
        self._sign_steps(state)
        self._visit(state)

    def _sign_steps(self, state: m.State) -> None:
        done = set(state.steps_done)
        for step in self._settings.hands_on_steps:
            if step.name in done or step.name not in state.steps_due:
                continue
            since_ms = self._due_since_ms.setdefault(step.name, state.now.monotonic_ms)
            if state.now.monotonic_ms - since_ms < STEP_TAKES_MS:
                continue
            drained_g = None
            if step.asks_drained_mass:
                drained_g = round(self._chamber.box.physics.drain_tray_ml() * WATER_G_PER_ML, 1)
            if step.name.startswith("observe-day-"):
                self._observe()
            self._ask(request=m.SIGN_STEP, subject=step.name, drained_g=drained_g)

    def _observe(self) -> None:
        for position in self._settings.plan.positions:
            emerged, height_mm, leaves = self._chamber.box.physics.plant_at(position.number)
            stage = None if not emerged else (9 if leaves == 0 and height_mm < 10 else 10 + leaves)
            self._ask(
                request=m.OBSERVE,
                position=position.number,
                emerged=emerged,
                height_mm=round(height_mm) if emerged else None,
                leaves=leaves if emerged else None,
                growth_stage_bbch=stage,
            )

    def _visit(self, state: m.State) -> None:
        true_utc_ms = self._chamber.true_utc_ms
        day, into_ms = divmod(true_utc_ms, MS_PER_DAY)
        if day == self._last_visit_day or into_ms < VISIT_HOUR_UTC * MS_PER_H:
            return
        self._last_visit_day = day
        self._to_clear = list(dict.fromkeys(reason for reason, _ in state.trips))
        told = {name for name, alarm in state.alarms if alarm.raised}.union(self._to_clear)
        if self._to_clear:  # whoever comes to clear a trip looks at all the probes
            told.add(interlocks.probe_fault(*self._chamber.box.probe_counts()[:3]) or "")
        self.mended += self._strike.mend(frozenset(told))
