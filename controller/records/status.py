"""How a run stands, read from its journal alone: what a person asks first, in plain words."""

from dataclasses import dataclass

from controller.control import model as m
from controller.control.recovery import placed
from controller.control.words import PHASE_WORDS, trip_words, watering_words
from controller.plan import Settings
from controller.records.following import Followed
from controller.records.journal import Journal
from controller.records.outbox import Waiting, waiting_beside

SILENT_AFTER_S = 60.0


@dataclass(frozen=True)
class Status:
    """The state of a run at ``at_utc_ms``; ages in seconds, ``None`` where there is nothing yet."""

    run_id: str
    plan: str
    site: str
    phase: str
    phase_words: str
    at_utc_ms: int
    hours_since_hydration: float | None
    reading: m.ReadingRecord | None
    reading_age_s: float | None
    controller_silent: bool
    water_content_fraction: float | None
    water_content_calibrated: bool  # whether the count lies between those of the probe's calibration
    watering_reason: str
    water_answer: str
    last_dose: m.DoseClosed | None
    last_dose_first: m.DoseClosed | None  # what was written of it first, where that was corrected
    last_dose_age_s: float | None
    given_first_wetting_ml: float
    given_watering_ml: float
    dose_open: bool
    trips: tuple[tuple[str, str], ...]
    alarms: tuple[tuple[str, str], ...]
    steps_due: tuple[tuple[str, str], ...]
    requests_waiting: int
    sending: tuple[Waiting, ...] = ()

    @property
    def is_over(self) -> bool:
        """Whether the run has ended and nobody reads requests any more."""
        return self.phase == m.ENDED and self.controller_silent

    @property
    def alarms_of_people(self) -> tuple[tuple[str, str], ...]:
        """Standing alarms without those that only repeat a trip."""
        return tuple(alarm for alarm in self.alarms if not alarm[0].startswith("trip_"))


def status_of(journal: Journal, settings: Settings, at_utc_ms: int, followed: Followed | None = None) -> Status:
    """Read a run's journal; the controller need not be running. Who asks often hands in what they follow it with."""
    followed = followed or Followed(settings)
    followed.catch_up(journal)
    run = journal.run_row()
    reading = journal.last_reading()
    at = m.Moment(at_utc_ms, 0, 0, True) if reading is None else reading.at
    state = placed(followed.state, at, reading, settings)
    last_dose, words = followed.last_dose, followed.alarm_words
    content, calibrated = None, True
    if reading is not None and reading.moisture_counts is not None and reading.moisture_quality == m.GOOD:
        probe = settings.chamber_of(reading.at.boot_id).moisture_probe
        content = probe.water_content_fraction(reading.moisture_counts)
        low, high = probe.calibrated_counts
        calibrated = low <= reading.moisture_counts <= high
    reading_age_s = None if reading is None else (at_utc_ms - reading.at.utc_ms) / 1000.0
    silent_after_s = max(SILENT_AFTER_S, 3 * settings.plan.sample_every_s) + 60.0
    titles = {step.name: step.title for step in settings.hands_on_steps}
    return Status(
        run_id=str(run["run_id"]),
        plan=settings.plan.name,
        site=settings.chamber.site.name,
        phase=state.phase,
        phase_words=PHASE_WORDS[state.phase],
        at_utc_ms=at_utc_ms,
        hours_since_hydration=None if state.hydrated_utc_ms is None else state.run_ms / 3_600_000,
        reading=reading,
        reading_age_s=reading_age_s,
        controller_silent=reading_age_s is None or reading_age_s > silent_after_s,
        water_content_fraction=content,
        water_content_calibrated=calibrated,
        watering_reason=state.watering_answer,
        water_answer=watering_words(state.watering_answer),
        last_dose=last_dose,
        last_dose_first=followed.last_dose_first,
        last_dose_age_s=None if last_dose is None else (at_utc_ms - last_dose.at.utc_ms) / 1000.0,
        given_first_wetting_ml=state.first_wetting_given_ml,
        given_watering_ml=state.watering_given_ml,
        dose_open=state.open_dose is not None,
        trips=_by_reason(state.trips),
        alarms=tuple((name, words[name]) for name, alarm in state.alarms if alarm.raised),
        steps_due=tuple((name, titles[name]) for name in state.steps_due if name not in state.steps_done),
        requests_waiting=len(journal.open_requests()),
        sending=waiting_beside(journal.path),
    )


def _by_reason(trips: tuple[tuple[str, str], ...]) -> tuple[tuple[str, str], ...]:
    """(reason, words) once for each reason, whichever sides noticed it: one clearing clears them all."""
    sides: dict[str, list[str]] = {}
    for reason, side in trips:
        sides.setdefault(reason, []).append(f"the {side}")
    return tuple((reason, f"{trip_words(reason)} Noticed by {' and '.join(by)}.") for reason, by in sides.items())
