"""The words of the page: what ran, what was given, what went wrong and what a person did about it."""

from datetime import datetime
from typing import Any, NamedTuple

from controller.control import model as m
from controller.control.photoperiod import utc_ms
from controller.plan import Settings
from controller.records.happenings import observation_words, standing_observations
from controller.records.journal import Journal
from controller.records.timeline import Timeline

NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")


PHASE_AT_END = {
    m.PREPARING: "was still being prepared",
    m.WETTING: "was in its first wetting",
    m.SOAKING: "was soaking",
    m.DRAINING: "was waiting to be drained",
    m.OPENING: "was waiting for the positions to be opened",
    m.GROWING: "was still growing",
    m.ENDED: "was over",
}
TRIPS_TOLD = 4  # more than these are left to the table
ALARMS_SHOWN = 40  # more than these are left to events.csv


class PlaceRow(NamedTuple):
    """One sowing position on the page."""

    number: int
    species: str
    emerged: str
    last_words: str
    last_day: str


class TripRow(NamedTuple):
    """One trip on the page."""

    day: str
    at: str
    words: str
    noticed: str
    cleared: str


class AlarmRow(NamedTuple):
    """One alarm on the page."""

    day: str
    at: str
    words: str
    over: str


class Figure(NamedTuple):
    """One key figure."""

    name: str
    value: str
    note: str


def several(count: int, one: str, many: str) -> str:
    """ "three trips", "one trip", "no trips"."""
    word = NUMBERS[count] if count < len(NUMBERS) else str(count)
    return f"{word} {one if count == 1 else many}"


def _moment_of_text(text: str) -> datetime:
    return datetime.fromisoformat(text)


def _date_words(text: str) -> str:
    at = _moment_of_text(text)
    return f"{at.day} {at:%B %Y at %H:%M} UTC"


def _ms(text: str) -> int:
    return utc_ms(_moment_of_text(text))


def _day(timeline: Timeline, utc_ms: int) -> str:
    return "" if timeline.hydrated is None else f"day {(utc_ms - timeline.hydrated.utc_ms) / 86_400_000:.1f}"


def paragraphs(summary: dict[str, Any], settings: Settings, journal: Journal, timeline: Timeline) -> list[str]:
    """The first paragraphs: what ran, what was given, what went wrong, what a person did."""
    return [
        _what_ran(summary, settings),
        _what_was_given(summary, settings),
        _what_went_wrong(summary, timeline),
        _what_people_did(summary, settings, journal),
    ]


def _what_ran(summary: dict[str, Any], settings: Settings) -> str:
    site = settings.chamber.site
    hydrated = summary["hydrated_at_utc"]
    begun = (
        "No water has been given yet."
        if hydrated is None
        else f"The first water was given on {_date_words(hydrated)}; that moment is day 0."
    )
    simulated = (
        " This was a rehearsal: the controller was the real one, the chamber and its plants were simulated."
        if summary["simulated"]
        else ""
    )
    species: dict[str, int] = {}
    for position in settings.plan.positions:
        species[position.species] = species.get(position.species, 0) + 1
    sown = " and ".join(f"{several(count, 'position', 'positions')} of {name}" for name, count in species.items())
    return (
        f"The plan “{settings.plan.name}” ran in the chamber {site.name} ({site.place}) with {sown}. {begun} "
        f"The records cover {summary['recorded_days']:.1f} days with {summary['readings']:,} readings; at their "
        f"end the run {PHASE_AT_END.get(summary['phase'], 'was in the phase ' + summary['phase'])}.{simulated}"
    )


def _what_was_given(summary: dict[str, Any], settings: Settings) -> str:
    words = (
        f"The pump gave {several(summary['doses_delivered'], 'dose', 'doses')}, altogether "
        f"{summary['water_delivered_ml']:.1f} ml of water with a standard uncertainty of "
        f"{summary['water_delivered_standard_uncertainty_ml']:.1f} ml; {summary['water_drained_ml']:.1f} ml were "
        f"drained and weighed, so {summary['water_held_ml']:.1f} ml stayed with medium and plants or went into the air."
    )
    if summary["doses_in_doubt"]:
        count = several(summary["doses_in_doubt"], "dose", "doses")
        words += f" Of {count} the count was lost; it stands in the account as an interval."
    if summary["doses_corrected"]:
        count = several(summary["doses_corrected"], "dose was", "doses were").capitalize()
        words += f" {count} corrected after they had been written down; events.csv says when and from what."
    if summary["water_agrees"] is not None:
        agrees = "agrees" if summary["water_agrees"] else "does not agree"
        words += (
            f" The simulated pump itself moved {summary['water_delivered_true_ml']:.1f} ml, which {agrees} with the "
            "records within two standard uncertainties."
        )
    if summary["photoperiod_h_mean"] is not None:
        words += (
            f" On {several(summary['whole_days'], 'whole day', 'whole days')} of growing the lamp was on for "
            f"{summary['photoperiod_h_mean']:.2f} h a day in the mean; the plan asks for "
            f"{settings.plan.photoperiod.light_h:g} h in every {settings.plan.photoperiod.cycle_h:g} h."
        )
    return words


def _what_went_wrong(summary: dict[str, Any], timeline: Timeline) -> str:
    trips, gaps = summary["trips"], summary["gaps"]
    alarms = [alarm for alarm in summary["alarms"] if not alarm["alarm"].startswith("trip_")]
    not_good = sum(summary["readings_not_good"].values())
    if not trips and not gaps and not alarms and not not_good:
        return "Nothing went wrong: no trip, no alarm, no gap in the readings, every reading good."
    parts = []
    if trips:
        parts.append(f"An interlock stopped the water {_times(len(trips))}.")
        if len(trips) <= TRIPS_TOLD:
            parts += [f"{_day(timeline, _ms(trip['at_utc'])).capitalize()}: {trip['words']}".strip() for trip in trips]
        else:
            parts.append("The table of trips says why.")
    if alarms:
        parts.append(f"There were {several(len(alarms), 'other alarm', 'other alarms')}.")
    if gaps:
        hours = sum(gap["gap_h"] for gap in gaps)
        parts.append(f"Readings are missing for {hours:.1f} h in {several(len(gaps), 'gap', 'gaps')}.")
    if not_good:
        worst = ", ".join(
            f"{count:,} of {channel.replace('_', ' ')}"
            for channel, count in summary["readings_not_good"].items()
            if count
        )
        parts.append(f"Readings that were not trusted and stand in no mean: {worst}.")
    if summary["readings_untrusted"]:
        parts.append(f"{summary['readings_untrusted']:,} readings have a time that nothing vouches for.")
    return " ".join(parts)


def _times(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{several(count, 'time', 'times')}")


def _what_people_did(summary: dict[str, Any], settings: Settings, journal: Journal) -> str:
    signed = {step.step for step in journal.records(m.StepRecord, "done = 1")}
    due = {step.step for step in journal.records(m.StepRecord)}
    looks = len(standing_observations(journal))
    if not due:
        steps = "No hands-on step fell due; people"
    elif due <= signed:
        steps = f"People signed {several(len(due), 'hands-on step', 'hands-on steps')}, all that fell due, and"
    else:
        steps = f"People signed {len(signed & due)} of {several(len(due), 'hands-on step', 'hands-on steps')}, and"
    parts = [f"{steps} wrote down {several(looks, 'look', 'looks')} at single positions."]
    cleared = [trip for trip in summary["trips"] if trip["cleared_by"]]
    if cleared:
        who = ", ".join(sorted({trip["cleared_by"] for trip in cleared}))
        parts.append(f"{several(len(cleared), 'trip was', 'trips were').capitalize()} cleared by {who}.")
    standing = len(summary["trips"]) - len(cleared)
    if standing:
        parts.append(f"{several(standing, 'trip', 'trips').capitalize()} still stood at the end.")
    if summary["mended"]:
        parts.append(f"What was mended: {'; '.join(summary['mended'])}.")
    late = [step.title for step in settings.hands_on_steps if step.name in due - signed]
    if late:
        parts.append(f"Not signed: {'; '.join(late)}.")
    return " ".join(parts)


def key_figures(summary: dict[str, Any], settings: Settings) -> list[Figure]:
    """The figures at the head of the page."""
    emerged = [day for day in summary["emergence"].values() if day is not None]

    def given(value: float | None, form: str) -> str:
        return "\u2013" if value is None else format(value, form)

    first = "" if not emerged else f"first on day {min(emerged):.1f}, last on day {max(emerged):.1f}"
    return [
        Figure(
            "Water delivered",
            f"{summary['water_delivered_ml']:.1f} ml",
            f"± {summary['water_delivered_standard_uncertainty_ml']:.1f} ml; "
            f"asked for {summary['water_planned_ml']:.1f} ml",
        ),
        Figure(
            "Held",
            f"{summary['water_held_ml']:.1f} ml",
            f"± {summary['water_held_standard_uncertainty_ml']:.1f} ml; drained {summary['water_drained_ml']:.1f} ml",
        ),
        Figure("Light a day", f"{given(summary['photoperiod_h_mean'], '.2f')} h", "mean of whole growing days"),
        Figure(
            "Daily light integral",
            f"{given(summary['daily_light_integral_mol_m2_mean'], '.2f')} mol/m²",
            "mean of whole growing days",
        ),
        Figure(
            "Degree-days",
            f"{given(summary['degree_days'], '.1f')} °C d",
            f"above {settings.plan.climate.degree_day_base_c:g} °C, gaps not counted",
        ),
        Figure("Emerged", f"{len(emerged)} of {len(summary['emergence'])}", first or "by the looks written down"),
    ]


def place_rows(summary: dict[str, Any], settings: Settings, journal: Journal, timeline: Timeline) -> list[PlaceRow]:
    """One row a position, with the last look at it."""
    last: dict[int, m.ObservationRecord] = {seen.position: seen for _, seen in standing_observations(journal)}
    rows = []
    for position in settings.plan.positions:
        seen = last.get(position.number)
        day = summary["emergence"].get(str(position.number))
        words, when = "not looked at yet", ""
        if seen is not None:
            words = observation_words(seen).partition(": ")[2] + (f" “{seen.note}”" if seen.note else "")
            when = _day(timeline, timeline.place(seen.at).utc_ms)
        rows.append(
            PlaceRow(position.number, position.species, "not yet" if day is None else f"day {day:.1f}", words, when)
        )
    return rows


def trip_rows(summary: dict[str, Any], timeline: Timeline) -> list[TripRow]:
    """One row a trip."""
    rows = []
    for trip in summary["trips"]:
        noticed = f"by the {trip['side']}"
        if trip["side"] == m.ON_BOARD:
            noticed += f"; motor off after {trip['motor_off_delay_ms']}\u00a0ms"
        cleared = "still stands"
        if trip["cleared_at_utc"]:
            cleared = f"by {trip['cleared_by']}, after {_span_words(trip['at_utc'], trip['cleared_at_utc'])}"
        day, at = _when(timeline, trip["at_utc"])
        rows.append(TripRow(day, at, trip["words"], noticed, cleared))
    return rows


def alarm_rows(summary: dict[str, Any], timeline: Timeline) -> list[AlarmRow]:
    """One row an alarm that no trip raised, the first ones of many."""
    rows = []
    for alarm in summary["alarms"]:
        if not alarm["alarm"].startswith("trip_"):
            over = "still stands"
            if alarm["over_at_utc"]:
                over = f"after {_span_words(alarm['at_utc'], alarm['over_at_utc'])}"
            rows.append(AlarmRow(*_when(timeline, alarm["at_utc"]), alarm["words"], over))
    return rows[:ALARMS_SHOWN]


def _when(timeline: Timeline, text: str) -> tuple[str, str]:
    """(day of the run, date and time) of a moment."""
    at = _moment_of_text(text)
    return _day(timeline, _ms(text)), f"{at.day} {at:%b %H:%M} UTC"


def _span_words(start: str, end: str) -> str:
    hours = (_ms(end) - _ms(start)) / 3_600_000
    return f"{hours:.1f}\u00a0h" if hours >= 1 else f"{hours * 60:.0f}\u00a0min"
