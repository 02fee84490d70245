"""Faults of sensors in great numbers, at random moments and in the middle of doses, on days of the growing phase.

Each trial is some hours of virtual time with the shipped law, journal, driver and board program. A fault strikes the
bytes on the bus or the counts at the converter; when it is over the medium is dry, so that water must come again.
What is held against it is counted apart: the physics' water and the readings as the journal has them, judged here by
rules written a second time.
"""

import math
import random
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import time
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

from controller import plan as p
from controller.chamber.sensor_bus import sht31_frame
from controller.chamber.simulated import SimulatedChamber
from controller.control import model as m
from controller.control.line import SETTLED
from controller.control.recovery import resume
from controller.deciding import Decider
from controller.plan import Settings
from controller.records.journal import Journal
from tests import examples
from tests.campaigns.rows import Row

TRIALS = 130  # of a kind, at full scale
SEED = 20260311
MINUTE_MS, HOUR_MS = 60_000, 3_600_000
SAMPLE_MS = 30_000
BEGIN_MS = 432_000_000  # five days after hydration
TRIAL_MS = 9 * HOUR_MS // 2
DOSE_ML, REST_H, CAPS_ML = 6.0, 0.5, (12.0, 18.0, 300.0)
DRY_FRACTION = 0.20  # below the plan's low threshold: water is wanted
WATCHDOG_MS, RESTART_MS = 20_000, 5_000  # hardware/install/wardian-run.service
LEASE_MS = 3_000
TELL_MS = 120_000  # the alarms' hold
RESUMES_WITHIN_MS = 90 * MINUTE_MS  # rest, effect check, five good samples, and some room
AIR, MOISTURE = "air", "moisture"
ALARMS = {
    AIR: {"air_temperature_untrusted": "air temperature", "relative_humidity_untrusted": "humidity"},
    MOISTURE: {"moisture_untrusted": "moisture"},
}


class Bytes(NamedTuple):
    """A fault of the air sensor: what the bus gives in place of ``frame``, or the error that it raises."""

    frame: Callable[[random.Random, bytes], bytes | OSError]


class Counts(NamedTuple):
    """A fault of the moisture probe: what the converter sees in place of the true count."""

    count: Callable[[random.Random, int], int]


class Kind(NamedTuple):
    name: str
    sensor: str
    make: Callable[[random.Random, "Trial"], Bytes | Counts | float | None]
    shows_after_ms: int | None = 0  # when the law must have noticed at the latest; None: it need not
    lasts_ms: tuple[int, int] = (20 * MINUTE_MS, 90 * MINUTE_MS)
    in_burst: bool = False  # comes and goes from sample to sample


def _checksum(chance: random.Random, frame: bytes) -> bytes:
    at = chance.choice((2, 5))
    return frame[:at] + bytes([frame[at] ^ chance.randrange(1, 256)]) + frame[at + 1 :]


def _constant(value: Any) -> Callable[[random.Random, Any], Any]:
    return lambda chance, true: value


def _far_air(chance: random.Random, trial: "Trial") -> Bytes:
    physics = trial.chamber.box.physics
    far_c = physics.air_temperature_c + chance.choice((-1, 1)) * chance.uniform(6.0, 15.0)
    far_pct = 95.0 if physics.relative_humidity_pct < 55.0 else 20.0

    def frame(chance: random.Random, true: bytes) -> bytes:
        return sht31_frame(far_c + chance.gauss(0.0, 0.02), far_pct + chance.gauss(0.0, 0.08))

    return Bytes(frame)


def _stuck_air(chance: random.Random, trial: "Trial") -> Bytes:
    physics = trial.chamber.box.physics
    return Bytes(_constant(sht31_frame(physics.air_temperature_c, physics.relative_humidity_pct)))


def _far_count(chance: random.Random, trial: "Trial") -> Counts:
    true = trial.true_count()
    level = true + (chance.uniform(900, 1_800) if true < 2_000 else -chance.uniform(900, 1_500))
    return Counts(lambda chance, true: round(level + chance.gauss(0.0, 4.0)))


def _errno(chance: random.Random, trial: "Trial") -> Bytes:
    error = chance.choice(
        (OSError(121, "Remote I/O error"), TimeoutError(110, "timed out"), OSError(5, "Input/output error"))
    )
    return Bytes(_constant(error))


def _impossible_air(chance: random.Random, trial: "Trial") -> Bytes:
    made = chance.choice((sht31_frame(-45.0, 0.0), sht31_frame(130.0, 100.0), sht31_frame(-30.0, 50.0)))
    return Bytes(_constant(made))


KINDS = (
    Kind("air: one wrong checksum", AIR, lambda c, t: Bytes(_checksum), None, (SAMPLE_MS, SAMPLE_MS)),
    Kind("air: wrong checksums in bursts", AIR, lambda c, t: Bytes(_checksum), None, in_burst=True),
    Kind("air: wrong checksums without end", AIR, lambda c, t: Bytes(_checksum)),
    Kind("air: every transfer fails", AIR, _errno),
    Kind("air: no answer within its time", AIR, lambda c, t: None),
    Kind("air: not a number", AIR, lambda c, t: math.nan),
    Kind("air: impossible values (0x0000, 0xFFFF, -30 C)", AIR, _impossible_air),
    Kind("air: stuck", AIR, _stuck_air, 15 * MINUTE_MS),
    Kind("air: jumps and stays", AIR, _far_air, None),
    Kind("air: random bytes", AIR, lambda c, t: Bytes(lambda chance, true: chance.randbytes(6))),
    Kind("moisture: reads 0", MOISTURE, lambda c, t: Counts(_constant(0))),
    Kind("moisture: reads full scale", MOISTURE, lambda c, t: Counts(_constant(4095))),
    Kind("moisture: reads noise", MOISTURE, lambda c, t: Counts(lambda chance, true: chance.randrange(4096)), None),
    Kind("moisture: counts that no converter gives", MOISTURE,
         lambda c, t: Counts(_constant(c.choice((-1, 4096, 65_535, 2**40))))),
    Kind("moisture: stuck", MOISTURE, lambda c, t: Counts(_constant(t.true_count())), 30 * MINUTE_MS),
    Kind("moisture: jumps and stays", MOISTURE, _far_count, None),
    Kind("moisture: a loose plug, on and off", MOISTURE, lambda c, t: Counts(_constant(c.choice((0, 4095)))), None,
         in_burst=True),
)  # fmt: skip
HANGS = "the loop hangs in a read; the watchdog ends it"


def settings_of(chance: random.Random, begin_hour: int) -> Settings:
    """Moisture-led or at fixed times, with water for two doses, for three, or for all that may be wanted."""
    fixed = chance.random() < 0.4
    return examples.watering(
        dose_ml=DOSE_ML,
        rest_h=REST_H,
        daily_cap_ml=chance.choice(CAPS_ML[1:] if fixed else CAPS_ML),
        total_cap_ml=900.0,
        moisture=None if fixed else examples.PLAN.watering.moisture,
        fixed=p.FixedTimes(times=sorted(time((begin_hour + h) % 24) for h in range(6)), clock="utc") if fixed else None,
        fallback=None if fixed or chance.random() < 0.5 else p.Fallback(dose_ml=4, every_h=1, untrusted_for_h=0.5),
    )


@dataclass
class Past:
    """A journal of five days, copied for each trial, so that the run is taken up as after any restart."""

    folder: Path

    def copied(self, settings: Settings, to: Path) -> Journal:
        made = self.folder / f"{hash(repr(settings.plan.watering))}.sqlite"
        if not made.exists():
            self._write(settings, made)
        shutil.copyfile(made, to)
        journal = Journal.open(to)
        journal.wait_for_disk(False)
        return journal

    def _write(self, settings: Settings, path: Path) -> None:
        journal = Journal.create(path, "trial", settings, "0", simulated=True)
        journal.wait_for_disk(False)
        journal.append(m.BootRecord(examples.moment(0), "0"))
        for step in settings.hands_on_steps:
            journal.append(m.StepRecord(examples.moment(1), step.name, False, ""))
            journal.append(m.StepRecord(examples.moment(2), step.name, True, "LK"))
        for after_ms, phase in enumerate((m.WETTING, m.SOAKING, m.DRAINING, m.OPENING, m.GROWING)):
            journal.append(m.PhaseRecord(examples.moment(10 + after_ms), phase, after_ms))
        at = examples.moment(BEGIN_MS - 1_000)
        journal.append(
            m.ReadingRecord(at, 20.0, 50.0, 1_800, 2_000, 2_000, 1_000, 0.0, m.GOOD, m.GOOD, m.GOOD, BEGIN_MS - 1_010)
        )
        journal.close()


class Trial:
    """One chamber for some hours, with one fault."""

    def __init__(self, past: Past, folder: Path, kind: Kind | None, seed: str) -> None:
        self.chance = random.Random(seed)
        self.kind = kind
        begin_hour = self.chance.randrange(24)
        self.settings = settings_of(self.chance, begin_hour)
        self.found: list[str] = []
        begin_ms = BEGIN_MS + (begin_hour - 8) % 24 * HOUR_MS  # the run begins at 8 UTC
        self.chamber = SimulatedChamber(self.settings, self.chance.randrange(2**31), examples.START_UTC_MS)
        self.chamber.monotonic_ms = begin_ms
        self.end_ms = begin_ms + TRIAL_MS
        low, high = (0.20, 0.30) if self.chance.random() < 0.7 else (0.10, 0.32)
        physics = self.chamber.box.physics
        physics.in_medium_ml = self.chance.uniform(low, high) * physics.bed_ml
        self.fault: Bytes | Counts | float | None = None
        self.struck_ms: int | None = None
        self.over_ms: int | None = None
        self._waits_for_dose = self.chance.random() < 0.5  # strikes in the middle of one
        self._strikes_ms = begin_ms + self.chance.randrange(5 * MINUTE_MS, 75 * MINUTE_MS)
        self._lasts_ms = 0 if kind is None else self.chance.randint(*kind.lasts_ms)
        self.samples = 0
        self.turned: list[tuple[int, int]] = []  # (monotonic moment, steps)
        self._watch_chamber()
        self.journal = past.copied(self.settings, folder / "journal.sqlite")
        self.decider = self._new_life()

    def true_count(self) -> int:
        """What a whole probe would give now."""
        return examples.counts_for(self.chamber.box.physics.water_content_fraction)

    # -- the fault, at the bus and at the converter ----

    @property
    def is_faulty(self) -> bool:
        return self.struck_ms is not None and self.over_ms is None

    def _watch_chamber(self) -> None:
        box: Any = self.chamber.box
        readfrom_into, probe_counts, read, turn = (
            box.bus.readfrom_into, box.probe_counts, box.air_sensor.read, box.physics.turn
        )  # fmt: skip

        def from_bus(address: int, buffer: bytearray, *, start: int = 0, end: int | None = None) -> None:
            readfrom_into(address, buffer, start=start, end=end)
            if self._strikes_now(Bytes):
                assert isinstance(self.fault, Bytes)
                given = self.fault.frame(self.chance, bytes(buffer))
                if isinstance(given, OSError):
                    raise given
                buffer[:] = given

        def counts() -> tuple[int, int, int, int]:
            leak, overfill, reservoir, moisture = probe_counts()
            if self._strikes_now(Counts):
                assert isinstance(self.fault, Counts)
                moisture = self.fault.count(self.chance, moisture)
            return leak, overfill, reservoir, moisture

        def from_sensor() -> tuple[float, float] | None:
            if self.is_faulty and self.kind is not None and self.kind.sensor == AIR:
                if self.fault is None:
                    return None  # as the reader with a deadline answers
                if isinstance(self.fault, float):
                    return self.fault, self.fault
            found: tuple[float, float] | None = read()
            return found

        def turned(steps: int) -> None:
            if steps:
                self.turned.append((self.chamber.monotonic_ms, steps))
            turn(steps)

        box.bus.readfrom_into, box.probe_counts, box.air_sensor.read, box.physics.turn = (
            from_bus, counts, from_sensor, turned
        )  # fmt: skip

    def _strikes_now(self, what: type) -> bool:
        if not self.is_faulty or not isinstance(self.fault, what):
            return False
        return self.kind is None or not self.kind.in_burst or self.chance.random() < 0.4

    def _move_fault(self) -> None:
        now_ms = self.chamber.monotonic_ms
        if self.struck_ms is None:
            late = now_ms >= self._strikes_ms + HOUR_MS  # no dose came: then without one
            if now_ms >= self._strikes_ms and (not self._waits_for_dose or self.chamber.pump_is_turning or late):
                self.struck_ms = now_ms
                if self.kind is None:
                    self._hang()
                else:
                    self.fault = self.kind.make(self.chance, self)
        elif self.over_ms is None and now_ms >= self.struck_ms + self._lasts_ms:
            self.over_ms = now_ms
            physics = self.chamber.box.physics
            physics.in_medium_ml = min(physics.in_medium_ml, DRY_FRACTION * physics.bed_ml)

    # -- the controller ----

    def _new_life(self) -> Decider:
        boot_id = self.journal.next_boot_id()
        clock = self.chamber.now()
        at = m.Moment(clock.utc_ms, clock.monotonic_ms, boot_id, clock.utc_trusted)
        state = resume(at, self.journal.history(), self.journal.last_reading(), self.settings, self.journal.number)
        self.chamber.open_line_anew()
        decider = Decider(self.chamber, self.journal, self.settings, state, boot_id)
        decider.handle(m.Started(decider.moment(), "0"))
        decider.hear()
        return decider

    def _hang(self) -> None:
        """The loop stands still in a read: no tick, no lease, no notice. Then the service manager begins it anew."""
        turning = self.chamber.pump_is_turning
        hung_ms = self.chamber.monotonic_ms
        self.chamber.advance_to(hung_ms + WATCHDOG_MS + RESTART_MS)
        if self.turned and self.turned[-1][0] > hung_ms + LEASE_MS:
            self.found.append(f"the pump turned {self.turned[-1][0] - hung_ms} ms after the loop hung")
        self.decider = self._new_life()
        self._hung_in_dose = turning

    def run(self) -> None:
        sample_ms = self.chamber.monotonic_ms
        ticked_ms = 0
        while self.chamber.monotonic_ms < self.end_ms:
            state = self.decider.state
            talks = state.open_dose is not None or state.line.state != SETTLED or state.asked_clear is not None
            target_ms = min(sample_ms, self.chamber.monotonic_ms + (1_000 if talks else MINUTE_MS))
            self.chamber.advance_to(target_ms)
            self._move_fault()
            now_ms = self.chamber.monotonic_ms
            if now_ms >= sample_ms:
                sample_ms = now_ms + SAMPLE_MS
                self.samples += 1
                self.decider.sample()
                self._judge_lamp()
            if talks or now_ms - ticked_ms >= MINUTE_MS:
                ticked_ms = now_ms
                self.decider.tick()
            else:
                self.decider.hear()
            if self.over_ms is not None and now_ms >= self.over_ms + 5 * MINUTE_MS:
                self._clear_trips()

    def _clear_trips(self) -> None:
        """A person comes once the fault is over."""
        for reason in dict.fromkeys(reason for reason, _ in self.decider.state.trips):
            at = self.decider.moment()
            request = m.Request(at=at, request_id=0, request=m.CLEAR_TRIP, asked_by="LK", subject=reason)
            number = self.journal.ask(request)
            self.decider.handle(m.RequestMade(at, replace(request, request_id=number)))
            self.decider.hear()

    def _judge_lamp(self) -> None:
        """Full light in the middle of the light hours, none in the night; heat that was believed puts it out."""
        if (m.AIR_TOO_HOT, m.ON_HOST) in self.decider.state.trips:
            return
        hour = (self.chamber.monotonic_ms + examples.START_UTC_MS) % m.MS_PER_DAY / HOUR_MS
        lit = self.chamber.box.physics.lamp_duty_fraction
        if (6.3 < hour < 21.7 and abs(lit - 0.6) > 1e-6) or ((hour < 5.9 or hour > 22.1) and lit > 0.0):
            self.found.append(f"the lamp is at {lit:g} at {hour:.1f} h")

    # -- judging ----

    def judge(self) -> list[str]:
        journal = self.journal
        journal.flush()
        readings = [r for r in journal.records(m.ReadingRecord) if r.at.monotonic_ms >= self.end_ms - TRIAL_MS]
        intents, closed = list(journal.records(m.DoseIntended)), list(journal.records(m.DoseClosed))
        alarms = list(journal.records(m.AlarmRecord))
        if len(readings) != self.samples:
            self.found.append(f"{self.samples} samples, {len(readings)} records")
        if self.kind is not None:  # a new life begins its channels anew
            self.found += qualities_wrong(readings)
        self._judge_water(intents, closed)
        self._judge_reasons(readings, intents)
        self._judge_telling(alarms)
        self._judge_resumed(readings, intents)
        return self.found

    def _judge_water(self, intents: list[m.DoseIntended], closed: list[m.DoseClosed]) -> None:
        pump, law = self.settings.chamber.pump, self.settings.plan.watering
        steps = sum(each for _, each in self.turned)
        open_steps = 0 if self.decider.state.open_dose is None else self.decider.state.open_dose.dose_steps
        low, high = sum(c.steps_min for c in closed), sum(c.steps_max for c in closed) + open_steps
        if not low <= steps <= high:
            self.found.append(f"{steps} steps turned, {low} to {high} recorded")
        physics = self.chamber.box.physics
        if abs(physics.pumped_ml - steps * physics.true_ml_per_step) > 1e-6:
            self.found.append("the physics counted other water than the motor turned")
        if steps * pump.ml_per_step > law.daily_cap_ml + 1e-6:
            self.found.append(f"{steps * pump.ml_per_step:.2f} ml of {law.daily_cap_ml:g} ml a day")
        for before, after in pairwise(intents):
            if after.at.monotonic_ms - before.at.monotonic_ms < REST_H * HOUR_MS:
                self.found.append("a dose within the rest of another")
        if any(i.volume_ml > DOSE_ML + 1e-9 for i in intents) or len({i.dose_id for i in intents}) != len(intents):
            self.found.append("a dose that is larger than the plan's, or an id twice")
        if law.fixed is not None and len(intents) > TRIAL_MS / HOUR_MS + 1:
            self.found.append(f"{len(intents)} doses at {TRIAL_MS / HOUR_MS:g} fixed times")

    def _judge_reasons(self, readings: list[m.ReadingRecord], intents: list[m.DoseIntended]) -> None:
        """No dose by moisture unless the five readings before it are good and their middle one is dry."""
        law = self.settings.plan.watering
        for intent in intents:
            if law.fixed is not None:
                if intent.purpose != m.FIXED_TIME:
                    self.found.append(f"a dose for {intent.purpose} in a plan of fixed times")
                continue
            before = [r for r in readings if r.at.monotonic_ms <= intent.at.monotonic_ms][-5:]
            good = [r.moisture_counts for r in before if r.moisture_quality == m.GOOD and r.moisture_counts is not None]
            if intent.purpose == m.MOISTURE_LED:
                assert law.moisture is not None
                middle = sorted(good)[2] if len(good) == 5 else -1
                if middle < examples.counts_for(law.moisture.high_fraction):
                    self.found.append(f"a dose by moisture on {[r.moisture_counts for r in before]}")
                if self.is_noise and self.struck_ms is not None and self._in_fault(intent.at.monotonic_ms - 100_000):
                    self.found.append(f"a dose by moisture on noise: {good}")
            elif intent.purpose != m.FALLBACK or law.fallback is None:
                self.found.append(f"a dose for {intent.purpose}")

    @property
    def is_noise(self) -> bool:
        return self.kind is not None and self.kind.name.endswith("noise")

    def _in_fault(self, at_ms: int) -> bool:
        return self.struck_ms is not None and self.struck_ms <= at_ms <= (self.over_ms or self.end_ms)

    def _judge_telling(self, alarms: list[m.AlarmRecord]) -> None:
        """The alarm names the sensor in its time, and ends when the fault has ended."""
        if self.kind is None or self.struck_ms is None:
            return
        over_ms = self.over_ms or self.end_ms
        if self.kind.shows_after_ms is not None:
            until_ms = self.struck_ms + self.kind.shows_after_ms + TELL_MS + 3 * SAMPLE_MS
            if over_ms > until_ms:
                for name, word in ALARMS[self.kind.sensor].items():
                    told = [a for a in alarms if a.alarm == name and a.raised and a.at.monotonic_ms >= self.struck_ms]
                    if not told or told[0].at.monotonic_ms > until_ms:
                        self.found.append(f"{name} was not told in its time")
                    elif word not in told[0].words or "cannot be trusted" not in told[0].words:
                        self.found.append(f"{name} is told as {told[0].words!r}")
        if self.over_ms is not None and self.end_ms - self.over_ms > 10 * MINUTE_MS:
            standing = {a.alarm for a in alarms if a.raised} - {a.alarm for a in alarms if not a.raised}
            if any(name.endswith("_untrusted") for name in standing):
                self.found.append(f"still told after the fault: {sorted(standing)}")

    def _judge_resumed(self, readings: list[m.ReadingRecord], intents: list[m.DoseIntended]) -> None:
        """The medium is dry after the fault: water comes, unless the day's is used up."""
        if self.over_ms is None or self.end_ms - self.over_ms < RESUMES_WITHIN_MS:
            return
        given_ml = sum(i.volume_ml for i in intents)
        if given_ml + DOSE_ML > self.settings.plan.watering.daily_cap_ml + 1e-6:
            return
        wanted = {m.MOISTURE_LED, m.FIXED_TIME}
        if not any(i.at.monotonic_ms > self.over_ms and i.purpose in wanted for i in intents):
            answers = [a.reason for a in self.journal.records(m.WateringAnswer)]
            self.found.append(f"no water after the fault: {answers[-3:]}, trips {self.decider.state.trips}")

    def close(self) -> None:
        self.journal.close()
        self.chamber.close()


def qualities_wrong(readings: list[m.ReadingRecord]) -> list[str]:
    """Where a quality in the journal is not what the rules say of the values beside it."""
    found = []
    for name, values, told, rules in (
        ("air", [r.air_temperature_c for r in readings], [r.air_quality for r in readings], (-20, 70, 4.0, 900)),
        ("humidity", [r.relative_humidity_pct for r in readings], [r.humidity_quality for r in readings],
         (0, 100, 25.0, 900)),
        ("moisture", [r.moisture_counts for r in readings], [r.moisture_quality for r in readings],
         (50, 4000, 700, 1800)),
    ):  # fmt: skip
        moments_s = [r.at.monotonic_ms / 1000 for r in readings]
        barred = [False] * len(readings)
        if name == "humidity":  # one measurement with the temperature
            barred = [t is not None and not -20 <= t <= 70 for t in (r.air_temperature_c for r in readings)]
        right = expected_qualities(values, moments_s, barred, *rules)
        wrong = [place for place, (a, b) in enumerate(zip(right, told, strict=True)) if a != b]
        if wrong:
            place = wrong[0]
            found.append(f"{name} {values[max(0, place - 5) : place + 1]} is told as {told[place]}, not {right[place]}")
    return found


def expected_qualities(
    values: list[Any], moments_s: list[float], barred: list[bool], low: float, high: float, jump: float, stuck_s: float
) -> list[str]:
    """The rules of believing, over a whole series: absent, out of range, a jump of fewer than five that stay, stuck."""
    found: list[str] = []
    since, level = 0, None
    for place, value in enumerate(values):
        if place and values[place - 1] != value:
            since = place
        if found and found[-1] == m.GOOD:
            level = values[place - 1]
        if value is None:
            found.append(m.MISSING)
            continue
        jumped = level is not None and abs(value - level) > jump
        if not low <= value <= high:
            found.append(m.SUSPECT)
        elif jumped:
            run = 1
            while run < 5 and place >= run and found[place - run] == m.SUSPECT:
                here, there = values[place - run], values[place - run + 1]
                if not low <= here <= high or abs(here - level) <= jump or abs(here - there) > jump:
                    break
                run += 1
            found.append(m.GOOD if run == 5 and not barred[place] else m.SUSPECT)
        else:
            stuck = moments_s[place] - moments_s[since] >= stuck_s
            found.append(m.SUSPECT if stuck or barred[place] else m.GOOD)
    return found


def tried(kind: Kind | None, trials: int) -> Row:
    """So many trials of one kind."""
    name = HANGS if kind is None else kind.name
    failed: list[str] = []
    doses = in_dose = 0
    with tempfile.TemporaryDirectory() as folder:
        past = Past(Path(folder))
        for number in range(trials):
            seed = f"{SEED} {name} {number}"
            trial = Trial(past, Path(folder), kind, seed)
            try:
                trial.run()
                found = trial.judge()
            finally:
                trial.close()
            failed += [f"seed '{seed}': {found[0]}"] if found else []
            doses += len(trial.turned) > 0
            struck = trial.struck_ms or 0
            in_dose += any(0 <= at_ms - struck <= 2_000 for at_ms, _ in trial.turned)
    worst = failed[0] if failed else f"{in_dose} struck in the middle of a dose; water moved in {doses}"
    return Row(name, trials, trials - len(failed), worst)


def campaign(scale: float = 1.0) -> list[Row]:
    trials = max(1, round(TRIALS * scale))
    return [tried(kind, trials) for kind in (*KINDS, None)]
