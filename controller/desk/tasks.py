"""What a person has to do and when, as a list and as a calendar file (iCalendar, RFC 5545)."""

from datetime import UTC, datetime, time, timedelta
from typing import NamedTuple

from controller.plan import HandsOnStep, Settings

LINE_BYTES = 75  # RFC 5545, 3.1: longer lines are folded
STEP_MIN = 5
MOMENT = "%Y%m%dT%H%M%SZ"


class Task(NamedTuple):
    """One thing to do. ``at_utc`` is None for steps that come before the first water."""

    name: str
    title: str
    how: str
    at_utc: datetime


def tasks_of(settings: Settings, first_water_utc: datetime) -> list[Task]:
    """All steps in the order in which they fall due, if the first water is given at this moment."""
    tasks = [
        Task(step.name, step.title, step.how, _due(step, settings, first_water_utc)) for step in settings.hands_on_steps
    ]
    end_utc = first_water_utc + timedelta(days=settings.plan.length_days)
    tasks.append(Task("end", "End of the run: harvest, weigh and clean", "", end_utc))
    return sorted(tasks, key=lambda task: task.at_utc)


def _due(step: HandsOnStep, settings: Settings, first_water_utc: datetime) -> datetime:
    wetting = settings.plan.first_wetting
    portions = -(-wetting.total_ml // wetting.aliquot_ml)
    wetted_s = wetting.total_ml / wetting.push_rate_max_ml_per_min * 60.0 + portions * wetting.pause_s + wetting.soak_s
    if step.due == "before_wetting":
        return first_water_utc - timedelta(minutes=30)
    if step.due == "after_soak":
        return first_water_utc + timedelta(seconds=round(wetted_s))
    if step.due == "after_drain":
        return first_water_utc + timedelta(seconds=round(wetted_s), minutes=10)
    day = first_water_utc.date() + timedelta(days=step.day or 0)
    return datetime.combine(day, step.at_utc or time(0), tzinfo=UTC)


def calendar_text(settings: Settings, first_water_utc: datetime) -> str:
    """The tasks as a calendar that any calendar program takes in."""
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//wardian//plan desk//EN", "CALSCALE:GREGORIAN"]
    place = f"{settings.chamber.site.name}, {settings.chamber.site.place}"
    for task in tasks_of(settings, first_water_utc):
        lines += [
            "BEGIN:VEVENT",
            f"UID:{settings.plan_sha256[:12]}-{first_water_utc.strftime(MOMENT)}-{task.name}@wardian.invalid",
            f"DTSTAMP:{first_water_utc.strftime(MOMENT)}",
            f"DTSTART:{task.at_utc.strftime(MOMENT)}",
            f"DURATION:PT{STEP_MIN}M",
            f"SUMMARY:{_escaped(task.title)}",
            f"LOCATION:{_escaped(place)}",
            *([f"DESCRIPTION:{_escaped(task.how)}"] if task.how else []),
            "END:VEVENT",
        ]
    lines.append("END:VCALENDAR")
    return "".join(f"{_folded(line)}\r\n" for line in lines)


def _escaped(text: str) -> str:
    for old, new in (("\\", "\\\\"), (";", "\\;"), (",", "\\,"), ("\r", ""), ("\n", "\\n")):
        text = text.replace(old, new)
    return text


def _folded(line: str) -> str:
    """Cut after at most 75 bytes, never inside a letter; a continuation begins with a space."""
    parts: list[str] = []
    part = ""
    for letter in line:
        if len((part + letter).encode()) > LINE_BYTES - (1 if parts else 0):
            parts.append(part)
            part = ""
        part += letter
    return "\r\n ".join([*parts, part])
