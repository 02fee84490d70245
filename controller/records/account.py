"""The water account of a run: every dose and every drain, with running totals and what is not known about them.

Standard uncertainties follow JCGM 100:2008 (GUM). One pump calibration stands behind all doses, so its part is fully
correlated and adds up linearly (5.2.2, note 1); what is not known about the count of single doses is independent, so
it adds up as the root of the squares (5.1.2).
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

from controller.control import model as m
from controller.plan import Settings
from controller.records.journal import Journal

# Tap water between 10 and 30 C has 0.9997 to 0.9957 g/ml (Tanaka et al. 2001, Metrologia 38:301-309); the drain's
# temperature is not recorded, so the middle stands, with that range as a rectangular distribution.
WATER_DENSITY_G_PER_ML = 0.9977
WATER_DENSITY_STANDARD_UNCERTAINTY_G_PER_ML = 0.0012
# Of one drained mass: a scale that reads grams, its tare, and drops that stay behind (a choice, no source).
DRAINED_STANDARD_UNCERTAINTY_G = 0.5


@dataclass(frozen=True, slots=True)
class Totals:
    """Sums up to one moment, in ml."""

    delivered_ml: float = 0.0
    calibration_ml: float = 0.0  # of the standard uncertainty, the part that all doses share
    interval_ml2: float = 0.0  # of its square, the part that each dose has for itself
    drained_ml: float = 0.0
    drained_density_ml: float = 0.0  # shared by all drains
    drained_weighing_ml2: float = 0.0

    @property
    def delivered_standard_uncertainty_ml(self) -> float:
        return float((self.calibration_ml**2 + self.interval_ml2) ** 0.5)

    @property
    def drained_standard_uncertainty_ml(self) -> float:
        return float((self.drained_density_ml**2 + self.drained_weighing_ml2) ** 0.5)

    @property
    def held_ml(self) -> float:
        """Delivered less drained: in the medium, in the plants, or gone into the air."""
        return self.delivered_ml - self.drained_ml

    @property
    def held_standard_uncertainty_ml(self) -> float:
        return float((self.delivered_standard_uncertainty_ml**2 + self.drained_standard_uncertainty_ml**2) ** 0.5)

    def with_dose(self, closed: m.DoseClosed, ml_per_step: float, ml_per_step_uncertainty: float) -> "Totals":
        middle_steps = (closed.steps_min + closed.steps_max) / 2
        half_ml = (closed.steps_max - closed.steps_min) / 2 * ml_per_step
        return Totals(
            self.delivered_ml + closed.volume_ml,
            self.calibration_ml + middle_steps * ml_per_step_uncertainty,
            self.interval_ml2 + half_ml**2 / 3,  # rectangular (JCGM 100:2008, 4.3.7)
            self.drained_ml,
            self.drained_density_ml,
            self.drained_weighing_ml2,
        )

    def with_drain(self, drained_g: float) -> "Totals":
        drained_ml = drained_g / WATER_DENSITY_G_PER_ML
        relative = WATER_DENSITY_STANDARD_UNCERTAINTY_G_PER_ML / WATER_DENSITY_G_PER_ML
        weighing_ml = DRAINED_STANDARD_UNCERTAINTY_G / WATER_DENSITY_G_PER_ML
        return Totals(
            self.delivered_ml,
            self.calibration_ml,
            self.interval_ml2,
            self.drained_ml + drained_ml,
            self.drained_density_ml + relative * drained_ml,
            self.drained_weighing_ml2 + weighing_ml**2,
        )


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the account: a dose (``intended``, and ``closed`` once it has ended) or a drain (``drained``)."""

    at: m.Moment
    totals: Totals
    calibration: tuple[float, float] = (0.0, 0.0)  # ml per step of the pump, and its standard uncertainty
    intended: m.DoseIntended | None = None
    closed: m.DoseClosed | None = None  # the outcome that holds
    drained: m.StepRecord | None = None
    first_closed: m.DoseClosed | None = None  # what was written first, where a later row corrects it
    ended_at: m.Moment | None = None  # when the dose was first closed; a correction may come days later

    @property
    def counts_at(self) -> m.Moment:
        """The moment to whose day the water belongs."""
        return self.ended_at or self.at

    @property
    def dose_id(self) -> int | None:
        dose = self.intended or self.closed
        return None if dose is None else dose.dose_id

    @property
    def certain(self) -> bool:
        """Whether the count of steps is known exactly."""
        return self.closed is not None and self.closed.steps_min == self.closed.steps_max

    @property
    def drained_ml(self) -> float | None:
        if self.drained is None or self.drained.drained_g is None:
            return None
        return self.drained.drained_g / WATER_DENSITY_G_PER_ML

    @property
    def drained_standard_uncertainty_ml(self) -> float | None:
        if self.drained is None or self.drained.drained_g is None:
            return None
        return Totals().with_drain(self.drained.drained_g).drained_standard_uncertainty_ml


def entries_of(journal: Journal, settings: Settings) -> Iterator[Entry]:
    """The account in the order in which it was written. A dose stands at the moment of its intent.

    A dose that was corrected stands where it was first closed, with the outcome that holds.
    """
    rows: list[tuple[int, m.DoseIntended | m.DoseClosed | m.StepRecord]] = [
        *journal.numbered(m.DoseIntended),
        *journal.numbered(m.DoseClosed),
        *journal.numbered(m.StepRecord, "done = 1 AND drained_g IS NOT NULL"),
    ]
    rows.sort(key=lambda row: row[0])
    outcomes = journal.outcomes()
    ended: set[int] = set()
    intents: dict[int, m.DoseIntended] = {}
    totals = Totals()
    for _, record in rows:
        if isinstance(record, m.DoseIntended):
            intents[record.dose_id] = record
            if record.dose_id not in outcomes:
                yield Entry(record.at, totals, intended=record)
        elif isinstance(record, m.DoseClosed):
            if record.dose_id in ended:
                continue
            ended.add(record.dose_id)
            intended, closed = intents.get(record.dose_id), outcomes[record.dose_id]
            calibration = _calibration_of(closed, intended, settings)
            totals = totals.with_dose(closed, *calibration)
            yield Entry(
                intended.at if intended else record.at,
                totals,
                calibration,
                intended=intended,
                closed=closed,
                first_closed=record if corrects(closed, record) else None,
                ended_at=record.at,
            )
        else:
            assert record.drained_g is not None
            totals = totals.with_drain(record.drained_g)
            yield Entry(record.at, totals, drained=record)


def _calibration_of(closed: m.DoseClosed, intended: m.DoseIntended | None, settings: Settings) -> tuple[float, float]:
    """ml per step of a dose and its standard uncertainty: those it was intended with.

    Water that no intent stands for has the factor of its own row, and the doubt of the pump that its boot knew.
    """
    if intended is not None:
        return intended.ml_per_step, intended.ml_per_step_standard_uncertainty
    pump = settings.chamber_of(closed.at.boot_id).pump
    own_ml_per_step = closed.volume_max_ml / closed.steps_max if closed.steps_max else pump.ml_per_step
    return own_ml_per_step, pump.ml_per_step_standard_uncertainty


def corrects(later: m.DoseClosed, earlier: m.DoseClosed) -> bool:
    """Whether a later row of the same dose says anything else than the earlier one."""
    return replace(later, at=earlier.at, run_ms=earlier.run_ms) != earlier


def span_ml(closed: m.DoseClosed) -> tuple[float, float]:
    """The least and the most that a dose gave, by the factor of its row; the same where its count is known."""
    least_share = closed.steps_min / closed.steps_max if closed.steps_max else 0.0
    return closed.volume_max_ml * least_share, closed.volume_max_ml


def span_words(closed: m.DoseClosed) -> str:
    """How much a dose gave: "3 ml", or "0 to 6 ml" where its count was lost."""
    low_ml, high_ml = (f"{round(each, 3):g}" for each in span_ml(closed))
    return f"{high_ml} ml" if low_ml == high_ml else f"{low_ml} to {high_ml} ml"


def planned_ml(journal: Journal, settings: Settings) -> float:
    """What the plan asked for up to now: the whole first wetting, and every watering that was intended since."""
    intents = journal.records(m.DoseIntended, "purpose != ?", (m.FIRST_WETTING,))
    return settings.plan.first_wetting.total_ml + sum(intent.volume_ml for intent in intents)
