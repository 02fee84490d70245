"""Courtesy: in months without faults the board refuses nothing that the host asks. Every answer is counted."""

import tempfile
from collections import Counter
from dataclasses import replace
from datetime import time
from pathlib import Path

from controller import plan as p
from controller.control import model as m
from controller.deciding import Decider
from controller.plan import FixedTimes, Settings
from controller.rehearse import START_UTC, Rehearsal
from firmware_bridge import interlocks
from tests import examples
from tests.campaigns.rows import Row

MONTH_DAYS = 30
SEEDS = 20


def _month(**changes: object) -> Settings:
    return examples.settings(length_days=MONTH_DAYS, sample_every_s=60.0, **changes)


LIGHT = _month()
FIXED = _month(
    medium=p.Medium(bed_area_cm2=900, bed_depth_cm=1.5, texture="sandy loam"),  # dries enough for four times a day
    watering=replace(
        examples.PLAN.watering,
        moisture=None,
        fallback=None,
        fixed=FixedTimes(times=[time(7), time(11), time(15), time(19)]),
    ),
)
# A wide, shallow bed that is always thirsty: five doses of the board's largest size, as near to each other as the
# plan allows, until the chamber's daily limit, which is the board's own.
AT_CAPS = _month(
    medium=p.Medium(bed_area_cm2=5000, bed_depth_cm=1.0, texture="sandy loam"),
    first_wetting=replace(examples.PLAN.first_wetting, total_ml=240.0, aliquot_ml=60.0, push_rate_max_ml_per_min=60.0),
    watering=replace(
        examples.PLAN.watering,
        dose_ml=60.0,
        rest_h=0.6,
        daily_cap_ml=300.0,
        total_cap_ml=12_000.0,
        moisture=p.MoistureLed(low_fraction=0.24, high_fraction=0.28),
    ),
)
PLANS = {"Skerry Light": LIGHT, "fixed times": FIXED, "moisture-led at its caps": AT_CAPS}


class Counting(Decider):
    """The shipped runner; every answer of the board is counted on its way in."""

    def handle(self, event):
        if isinstance(event, m.BoardReported) and event.message[0] in ("judged", "cleared"):
            self.answers[event.message[0], event.message[-1]] += 1
        super().handle(event)


def answers_of(settings: Settings, seed: int, days: float) -> tuple[Counter[tuple[str, str]], set[str]]:
    """(how often the board gave which answer, the host's reasons for not watering) in a rehearsal without faults."""
    with tempfile.TemporaryDirectory() as folder:
        rehearsal = Rehearsal(settings, Path(folder), seed, [], START_UTC)
        physics = rehearsal.chamber.box.physics
        if settings is AT_CAPS:  # a keeper who keeps the reservoir full
            turn = physics.turn

            def turn_from_a_full_reservoir(steps: int) -> None:
                physics.reservoir_ml = settings.chamber.limits.reservoir_ml
                turn(steps)

            physics.turn = turn_from_a_full_reservoir
        decider = rehearsal.decider
        rehearsal.decider = Counting(rehearsal.chamber, rehearsal.journal, settings, decider.state, 1)
        rehearsal.decider.answers = Counter()
        reasons: set[str] = set()
        remembered = rehearsal.journal.append

        def note(*records):
            reasons.update(record.reason for record in records if isinstance(record, m.WateringAnswer))
            remembered(*records)

        rehearsal.journal.append = note
        rehearsal.run(days)
        return rehearsal.decider.answers, reasons


def campaign(scale: float = 1.0) -> list[Row]:
    rows = []
    seeds = max(1, round(SEEDS * scale))
    days = MONTH_DAYS + 0.5 if scale >= 0.1 else max(3.0, MONTH_DAYS * 10 * scale)
    for name, settings in PLANS.items():
        answers: Counter[tuple[str, str]] = Counter()
        for seed in range(1, seeds + 1):
            found, _ = answers_of(settings, seed, days)
            answers += found
        asked = sum(answers.values())
        refused = Counter({each: count for each, count in answers.items() if each[1] != interlocks.ACCEPTED})
        worst = f"{seeds} runs of {days:g} d; no refusal" if not refused else f"refused: {dict(refused)}"
        rows.append(Row(f"courtesy, {name}", asked, asked - sum(refused.values()), worst))
    return rows
