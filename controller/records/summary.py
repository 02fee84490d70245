"""The summary of a run: the figures that a person or a program asks for first, ready for JSON."""

from collections.abc import Sequence
from typing import Any, Protocol

from controller.control import model as m
from controller.control.model.moments import MS_PER_DAY, MS_PER_H
from controller.control.photoperiod import moment_of
from controller.control.words import trip_words
from controller.plan import Settings
from controller.records.account import Totals, entries_of, planned_ml
from controller.records.happenings import standing_observations
from controller.records.journal import Journal
from controller.records.survey import Survey, survey_of
from controller.records.timeline import Timeline

WHOLE_DAY_GAP_H = 1 / 60  # a day with more than a minute of gap is not a whole one
AGREES_WITHIN = 2.0  # standard uncertainties: about 95 % (JCGM 100:2008, 6.2)


class Truth(Protocol):
    """What a simulated chamber knows of itself, and what was mended in it."""

    @property
    def pumped_ml(self) -> float: ...

    @property
    def mended(self) -> Sequence[str]: ...


def summarise(
    journal: Journal,
    settings: Settings,
    *,
    truth: Truth | None = None,
    simulated_ms: int | None = None,
    wall_s: float | None = None,
) -> dict[str, Any]:
    """Figures of a run; values that a run does not have are None. Moments are ISO 8601 in UTC.

    ``truth``, ``simulated_ms`` and ``wall_s`` come from a rehearsal.
    """
    timeline = Timeline(journal)
    survey = survey_of(journal, settings, timeline)
    run = journal.run_row()
    growing = _growing_ms(journal, timeline, survey)
    whole = [
        day
        for day in survey.days
        if growing is not None
        and growing[0] <= day.day * MS_PER_DAY
        and (day.day + 1) * MS_PER_DAY <= growing[1]
        and day.gap_h <= WHOLE_DAY_GAP_H
    ]
    placed, unplaced = timeline.doubted_readings
    return {
        "plan": settings.plan.name,
        "plan_sha256": settings.plan_sha256,
        "run_id": run["run_id"],
        "simulated": bool(run["simulated"]),
        "software_version": run["software_version"],
        "site": settings.chamber.site.name,
        "hydrated_at_utc": None if timeline.hydrated is None else utc_text(timeline.hydrated.utc_ms),
        "phase": _last_phase(journal),
        "simulated_days": None if simulated_ms is None else round(simulated_ms / MS_PER_DAY, 3),
        "recorded_from_utc": None if survey.extent_ms is None else utc_text(survey.extent_ms[0]),
        "recorded_to_utc": None if survey.extent_ms is None else utc_text(survey.extent_ms[1]),
        "recorded_days": _recorded_days(survey),
        "wall_s": None if wall_s is None else round(wall_s, 2),
        "readings": survey.readings + survey.unplaced + survey.out_of_order,
        **_water(journal, settings, truth),
        "trips": _trips(journal, timeline),
        "alarms": _alarms(journal, timeline),
        "photoperiod_h_mean": _mean([day.light_h for day in whole], 3),
        "daily_light_integral_mol_m2_mean": _mean([day.daily_light_integral_mol_m2 for day in whole], 3),
        "whole_days": len(whole),
        "degree_days": _sum([day.degree_days for day in survey.days], 2),
        "degree_day_base_c": settings.plan.climate.degree_day_base_c,
        "emergence": _emergence(journal, settings, timeline),
        "gaps": [
            {
                "from_utc": utc_text(start),
                "to_utc": utc_text(end),
                "gap_h": round((end - start) / MS_PER_H, 3),
            }
            for start, end in survey.gaps_ms
        ],
        "readings_not_good": survey.not_good,
        "readings_placed": placed,
        "readings_untrusted": unplaced,
        "readings_out_of_order": survey.out_of_order,
        "mended": [] if truth is None else list(truth.mended),
    }


def utc_text(utc_ms: int) -> str:
    """ISO 8601 with Z, to the millisecond where there is a part of a second."""
    timespec = "milliseconds" if utc_ms % 1000 else "seconds"
    return moment_of(utc_ms).replace(tzinfo=None).isoformat(timespec=timespec) + "Z"


def _water(journal: Journal, settings: Settings, truth: Truth | None) -> dict[str, Any]:
    totals = Totals()
    doses = in_doubt = corrected = 0
    for entry in entries_of(journal, settings):
        totals = entry.totals
        if entry.closed is not None:
            doses += entry.closed.steps_max > 0
            in_doubt += entry.closed.steps_max > entry.closed.steps_min
            corrected += entry.first_closed is not None
    uncertainty_ml = totals.delivered_standard_uncertainty_ml
    true_ml = None if truth is None else truth.pumped_ml
    agrees = None if true_ml is None else abs(totals.delivered_ml - true_ml) <= AGREES_WITHIN * uncertainty_ml
    return {
        "doses_delivered": doses,
        "doses_in_doubt": in_doubt,
        "doses_corrected": corrected,
        "water_planned_ml": round(planned_ml(journal, settings), 3),
        "water_delivered_ml": round(totals.delivered_ml, 3),
        "water_delivered_standard_uncertainty_ml": round(uncertainty_ml, 3),
        "water_delivered_true_ml": None if true_ml is None else round(true_ml, 3),
        "water_agrees": agrees,
        "water_drained_ml": round(totals.drained_ml, 3),
        "water_drained_standard_uncertainty_ml": round(totals.drained_standard_uncertainty_ml, 3),
        "water_held_ml": round(totals.held_ml, 3),
        "water_held_standard_uncertainty_ml": round(totals.held_standard_uncertainty_ml, 3),
    }


def _trips(journal: Journal, timeline: Timeline) -> list[dict[str, Any]]:
    clears = list(journal.numbered(m.TripCleared))
    found = []
    for row, trip in journal.numbered(m.TripRecord):
        cleared = next((c for number, c in clears if number > row and c.trip_reason == trip.trip_reason), None)
        found.append(
            {
                "reason": trip.trip_reason,
                "at_utc": utc_text(timeline.place(trip.at).utc_ms),
                "motor_off_delay_ms": trip.motor_off_delay_ms,
                "side": trip.side,
                "cleared_at_utc": None if cleared is None else utc_text(timeline.place(cleared.at).utc_ms),
                "cleared_by": None if cleared is None else cleared.cleared_by,
                "words": trip_words(trip.trip_reason),
            }
        )
    return found


def _alarms(journal: Journal, timeline: Timeline) -> list[dict[str, Any]]:
    overs = list(journal.numbered(m.AlarmRecord, "raised = 0"))
    found = []
    for row, alarm in journal.numbered(m.AlarmRecord, "raised = 1"):
        over = next((o for number, o in overs if number > row and o.alarm == alarm.alarm), None)
        found.append(
            {
                "alarm": alarm.alarm,
                "at_utc": utc_text(timeline.place(alarm.at).utc_ms),
                "over_at_utc": None if over is None else utc_text(timeline.place(over.at).utc_ms),
                "words": alarm.words,
            }
        )
    return found


def _last_phase(journal: Journal) -> str:
    phase = m.PREPARING
    for record in journal.records(m.PhaseRecord):
        phase = record.phase
    return phase


def _growing_ms(journal: Journal, timeline: Timeline, survey: Survey) -> tuple[int, int] | None:
    """From the beginning of the growing phase to its end, or to the last reading."""
    begun = next(journal.records(m.PhaseRecord, "phase = ?", (m.GROWING,)), None)
    ended = next(journal.records(m.PhaseRecord, "phase = ?", (m.ENDED,)), None)
    if begun is None or survey.extent_ms is None:
        return None
    end_ms = survey.extent_ms[1] if ended is None else timeline.place(ended.at).utc_ms
    return timeline.place(begun.at).utc_ms, end_ms


def _recorded_days(survey: Survey) -> float:
    if survey.extent_ms is None:
        return 0.0
    return round((survey.extent_ms[1] - survey.extent_ms[0]) / MS_PER_DAY, 3)


def _emergence(journal: Journal, settings: Settings, timeline: Timeline) -> dict[str, float | None]:
    """Position -> days from hydration to the first look that found it emerged; corrected looks do not count."""
    found: dict[str, float | None] = {str(position.number): None for position in settings.plan.positions}
    for _, seen in standing_observations(journal):
        hours = timeline.hours_since_hydration(seen.at)
        if seen.emerged and hours is not None:
            day, before = round(hours / 24.0, 1), found.get(str(seen.position))
            found[str(seen.position)] = day if before is None else min(before, day)
    return found


def _mean(values: list[float | None], digits: int) -> float | None:
    known = [value for value in values if value is not None]
    return round(sum(known) / len(known), digits) if known else None


def _sum(values: list[float | None], digits: int) -> float | None:
    known = [value for value in values if value is not None]
    return round(sum(known), digits) if known else None
