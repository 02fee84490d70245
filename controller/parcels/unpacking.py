"""An archive (a Frictionless Data Package) turned back into a journal, as far as its tables carry one.

Its files are read only after their digests were compared with those of the descriptor. What the tables do not carry
is not made up: raw counts of leak, float and reservoir stay empty, and every moment stands on UTC as it was placed.
"""

import csv
import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from controller.control import model as m
from controller.control.photoperiod import utc_ms
from controller.errors import ParcelError
from controller.plan import Settings
from controller.records.climate import PARTLY
from controller.records.journal import Journal
from controller.records.rebuilding import Cells, put_rows, rebuilt_journal
from controller.settings import settings_from_text

DESCRIPTOR = "datapackage.json"
NEEDED = ("climate.csv", "water.csv", "events.csv", "plan.toml", "chamber.toml")
SPAN_MAX_MS = 3_600_000  # means over more than an hour no longer tell the course of a day
_TRUSTED_BOOT, _OTHER_BOOT = 1, 2  # what has no network time must not be placed by what has
Row = dict[str, str]


class Unpacked(NamedTuple):
    """A run out of its archive. ``span_s`` is what each row of the climate is a mean over; None: single readings."""

    journal: Journal
    settings: Settings
    span_s: float | None


def unpack(folder: Path, into: Path) -> Unpacked:
    """The run of the archive in ``folder``, as a journal in ``into``; its reader closes it.

    ParcelError when a digest does not verify, a file is missing, a row cannot be read, or the climate is told in
    means over more than an hour.
    """
    package = _verified(folder)
    plan, chamber = folder / "plan.toml", folder / "chamber.toml"
    settings = settings_from_text(_text(plan), _text(chamber), str(plan), str(chamber))
    if settings.plan_sha256 != package.get("plan_sha256"):
        raise ParcelError(f"{plan}: this is not the plan whose digest {DESCRIPTOR} names.")
    run_id = str(package.get("run_id") or package.get("name"))
    simulated = bool(package.get("simulated", "simulated chamber" in str(package.get("description", ""))))
    journal = rebuilt_journal(into, run_id, settings, str(package.get("software_version", "")), simulated)
    try:
        events = [_Event(row, _ms(row["at_utc"])) for row in _rows(folder / "events.csv")]
        span_ms = _climate_span_ms(journal, folder / "climate.csv", events)
        _put_events(journal, events)
        _put_water(journal, settings, folder / "water.csv")
    except (KeyError, ValueError, OverflowError) as error:
        raise ParcelError(f"{folder}: a table of this archive cannot be read: {error}") from error
    return Unpacked(journal, settings, None if span_ms is None else span_ms / 1000.0)


def _verified(folder: Path) -> dict[str, Any]:
    path = folder / DESCRIPTOR
    try:
        package = json.loads(path.read_text(encoding="utf-8"))
        named = {str(each["path"]): str(each["hash"]) for each in package["resources"]}
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ParcelError(f"{path}: this is not the descriptor of an archive: {error}") from error
    for name in NEEDED:
        if name not in named:
            raise ParcelError(f"{path}: names no {name}, so this is not an archive of a run.")
    for name in NEEDED:  # only these are read
        try:
            with (folder / name).open("rb") as file:
                digest = f"sha256:{hashlib.file_digest(file, 'sha256').hexdigest()}"
        except OSError as error:
            raise ParcelError(f"{folder / name}: cannot be read: {error.strerror}.") from error
        if digest != named[name]:
            raise ParcelError(
                f"{folder / name}: its SHA-256 is {digest[7:19]}..., {DESCRIPTOR} says {named[name][7:19]}..., "
                "so nothing of this archive is used."
            )
    return dict(package)


def _text(path: Path) -> str:
    return path.read_bytes().decode("utf-8")  # line ends as they are: they are part of the plan's digest


def _rows(path: Path) -> Iterator[Row]:
    with path.open(encoding="utf-8-sig", newline="") as file:
        yield from csv.DictReader(file)


def _ms(text: str) -> int:
    return utc_ms(datetime.fromisoformat(text))


def _value(text: str) -> float | None:
    return float(text) if text else None


def _count(text: str) -> int | None:
    return int(text) if text else None


def _head(row: int, at_ms: int, trusted: bool) -> tuple[Cells, ...]:
    """Number and moment of a row: the monotonic clock, which an archive does not carry, stands as UTC does."""
    return row, at_ms, at_ms, _TRUSTED_BOOT if trusted else _OTHER_BOOT, int(trusted)


# -- readings ----


def _climate_span_ms(journal: Journal, path: Path, events: list["_Event"]) -> int | None:
    """Put the readings in; answers the span in ms that each is a mean over, None for single readings."""
    kept: list[list[Cells]] = []
    moments: list[int] = []
    several = False
    for row in _rows(path):
        if not row["readings"]:
            continue  # an interval without a reading
        at_ms = _ms(row["at_utc"])
        several = several or int(row["readings"]) > 1
        moments.append(at_ms)
        hours, counts = _value(row["hours_since_hydration"]), _value(row["moisture_counts"])
        kept.append(
            [
                *_head(len(kept) + 1, at_ms, row["utc_trusted"] == "1"),
                _value(row["air_temperature_c"]),
                _value(row["relative_humidity_pct"]),
                None if counts is None else round(counts),
                *(None, None, None),
                float(row["lamp_duty_fraction"]),
                *(_quality(row[f"{channel}_quality"]) for channel in ("air", "humidity", "moisture")),
                None if hours is None else round(hours * 3_600_000),
            ]
        )
    span_ms = int(np.median(np.diff(moments))) if several and len(moments) > 1 else None
    if span_ms is not None:
        if span_ms > SPAN_MAX_MS:
            raise ParcelError(
                f"{path}: its rows are means over {span_ms / 3_600_000:g} h; to be compared they must be of an hour "
                "or less (wardian archive without --every keeps each reading)."
            )
        _lamp_at_starts(kept, moments, span_ms, events)
        if kept:  # the last mean speaks up to its end
            end_ms = moments[-1] + span_ms - 1
            kept.append([len(kept) + 1, end_ms, end_ms, *kept[-1][3:]])
    put_rows(journal, "readings", [tuple(row) for row in kept])
    return span_ms


def _quality(text: str) -> str:
    return m.GOOD if text == PARTLY else text


_DUTY = 11  # the place of the lamp's duty in a row of readings


def _lamp_at_starts(rows: list[list[Cells]], moments: list[int], span_ms: int, events: list["_Event"]) -> None:
    """Where the lamp was switched inside an interval, its mean duty belongs to the lit part of it only."""
    turns = [each for each in events if each.kind == "lamp"]
    at = np.array(moments, dtype=np.int64)
    for turn, following in zip(turns, [*turns[1:], None], strict=True):
        i = int(np.searchsorted(at, turn.at_ms, side="right")) - 1
        into_ms = turn.at_ms - moments[i] if i >= 0 else span_ms
        again = following is not None and following.at_ms < moments[i] + span_ms
        if not 0 < into_ms < span_ms or again:
            continue
        on, duty = turn.name == "lamp_on", float(str(rows[i][_DUTY]))
        level = min(1.0, duty * span_ms / (span_ms - into_ms if on else into_ms))
        turn.duty_fraction = level
        rows[i][_DUTY] = 0.0 if on else level


# -- what happened ----


@dataclass
class _Event:
    """A row of the events; ``duty_fraction`` is the lamp's after a switch, where means tell it."""

    row: Row
    at_ms: int
    duty_fraction: float | None = None

    @property
    def kind(self) -> str:
        return self.row["kind"]

    @property
    def name(self) -> str:
        return self.row["name"]


def _put_events(journal: Journal, events: list[_Event]) -> None:
    tables: dict[str, list[tuple[Cells, ...]]] = {}
    for number, each in enumerate(events, 1):
        told = _told(journal, each, number)
        if told is not None:
            table, place, fields = told
            tables.setdefault(table, []).append((*_head(place, each.at_ms, each.row["utc_trusted"] == "1"), *fields))
    for table, rows in tables.items():
        put_rows(journal, table, rows)


def _told(journal: Journal, each: _Event, number: int) -> tuple[str, int, tuple[Cells, ...]] | None:
    """(table, number of the row, its fields); None for what the tables of a comparison do not need."""
    row, by, note = each.row, each.row["by"], each.row["note"]
    if each.kind == "boot":
        return "boots", number, (row["words"].rpartition("software ")[2].rstrip("."),)
    if each.kind == "phase":
        return "phases", number, (each.name, each.at_ms)
    if each.kind == "trip":
        return "trips", number, (each.name, m.ON_BOARD if "by the board" in row["words"] else m.ON_HOST, 0)
    if each.kind == "trip_cleared":
        return "trip_clears", number, (each.name, by)
    if each.kind == "lamp":
        duty = 0.0 if each.name == "lamp_off" else each.duty_fraction or _next_duty_fraction(journal, each.at_ms)
        return "lamp", number, (duty,)
    if each.kind == "step_signed":
        return "steps", number, (each.name, 1, by, _value(row["drained_g"]), note)
    if each.name == m.CHAMBER_CHANGED:
        return "events", number, (each.name, row["words"])
    if each.kind == "observation":
        seen = (_count(row["emerged"]), _value(row["height_mm"]), _count(row["leaves"]))
        more = (_count(row["growth_stage_bbch"]), note, row["picture"], _count(row["corrects"]))
        return "observations", int(row["observation"]), (int(row["position"]), by, *seen, *more)
    return None


def _next_duty_fraction(journal: Journal, at_ms: int) -> float:
    """What the lamp was driven with at the first reading after a switch; an archive tells only that it was lit."""
    sql = "SELECT lamp_duty_fraction FROM readings WHERE at_utc_ms >= ? AND lamp_duty_fraction > 0 ORDER BY row_id"
    found = journal.connection.execute(sql + " LIMIT 1", (at_ms,)).fetchone()
    return 0.0 if found is None else float(found[0])


# -- water ----


def _put_water(journal: Journal, settings: Settings, path: Path) -> None:
    """Doses by their volumes: steps by the pump's calibration, and of each dose the calibration it was counted with."""
    pump = settings.chamber.pump
    intents, outcomes = [], []
    for number, row in enumerate(_rows(path), 1):
        if row["entry"] != "dose":
            continue  # drains stand among the steps that were signed
        at_ms, trusted = _ms(row["at_utc"]), row["utc_trusted"] == "1"
        dose_id, per_step = int(row["dose_id"]), pump.ml_per_step
        per_step_u = pump.ml_per_step_standard_uncertainty
        if row["delivered_ml"]:
            middle_ml, low_ml, high_ml = (float(row[f"delivered_{each}ml"]) for each in ("", "min_", "max_"))
            u_ml = float(row["delivered_standard_uncertainty_ml"])
            low, high = round(low_ml / per_step), round(high_ml / per_step)
            if high:
                per_step = high_ml / high
                own_ml2 = ((high - low) / 2 * per_step) ** 2 / 3
                middle = (high + low) / 2
                per_step_u = max(0.0, u_ml**2 - own_ml2) ** 0.5 / middle
            outcomes.append(
                (*_head(2 * number, at_ms, trusted), dose_id, low, high, row["end_reason"], middle_ml, u_ml, high_ml, 0)
            )
        if row["purpose"] != "unknown":
            volume_ml = float(row["intended_ml"])
            asked = round(volume_ml / per_step)
            asked_for = (dose_id, row["purpose"], volume_ml, asked, pump.steps_per_s, per_step, per_step_u, 0, None)
            intents.append((*_head(2 * number - 1, at_ms, trusted), *asked_for))
    put_rows(journal, "dose_intents", intents)
    put_rows(journal, "dose_outcomes", outcomes)
