"""Calibrations as files beside the chamber file: only ever added, each with the SHA-256 of its data.

``<chamber stem>.calibrations/`` holds one JSON file for each calibration or check, named by its id, and one for each
time that a calibration was put into use. The newest use of a kind is what the chamber takes.
"""

import hashlib
import json
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, Literal, NamedTuple

from annotated_types import Gt, MinLen
from pydantic import AfterValidator, FiniteFloat, StringConstraints, TypeAdapter, ValidationError

from controller.errors import SettingsError
from controller.whole_file import write_new

USE = "use"
SIMULATED = "simulated"  # ends the id of what was measured on a simulated chamber
SECTIONS = {"pump": "pump", "moisture": "moisture_probe", "lamp": "lamp"}  # kind -> section of the chamber file
LIMITS = "limits"  # the section of the chamber file that a use may lower


# -- what a record must hold, so that everything that reads it finds it; more may stand there ----


def _aware(text: str) -> str:
    if datetime.fromisoformat(text).tzinfo is None:
        raise ValueError("without an offset")
    return text


Aware = Annotated[str, AfterValidator(_aware)]
Key = Annotated[str, StringConstraints(pattern="^[a-z0-9_]+$")]


@dataclass(kw_only=True)
class _Record:
    id: str
    kind: str
    at_utc: Aware
    by: str


@dataclass(kw_only=True)
class _Used:
    calibration_id: str
    calibration_sha256: str
    limits: dict[Literal["dose_max_ml", "daily_max_ml"], Annotated[FiniteFloat, Gt(0.0)]] | None = None


@dataclass(kw_only=True)
class _Use(_Record):
    of: Literal["pump", "moisture", "lamp"]
    data: _Used


@dataclass(kw_only=True)
class _Factor:
    ml_per_step: FiniteFloat
    ml_per_step_standard_uncertainty: FiniteFloat


@dataclass(kw_only=True)
class _Check(_Record):
    accepted: bool
    tubing_lot: str
    result: _Factor


@dataclass(kw_only=True)
class _Calibration(_Record):
    accepted: bool
    refused_because: list[str]
    settings: dict[Key, FiniteFloat | bool | str] | None = None


@dataclass(kw_only=True)
class _OfInstrument(_Calibration):
    words: Annotated[list[str], MinLen(1)]
    result: dict[str, Any]


@dataclass(kw_only=True)
class _OfPump(_Calibration):
    tubing_lot: str
    result: _Factor


_SHAPES: dict[str, TypeAdapter[Any]] = {
    kind: TypeAdapter(shape) for kind, shape in (("pump", _OfPump), ("check", _Check), (USE, _Use), ("", _OfInstrument))
}


def folder_of(chamber_path: str | Path) -> Path:
    """Where the calibrations of this chamber file are kept."""
    path = Path(chamber_path)
    return path.with_name(path.name.removesuffix(".toml").removesuffix(".chamber") + ".calibrations")


def digest_of(data: Any) -> str:
    """SHA-256 of the data as JSON with sorted keys and no spaces."""
    return hashlib.sha256(json.dumps(data, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def keep(folder: Path, kind: str, at_utc: datetime, content: dict[str, Any]) -> str:
    """Write one record under a new id and answer the id. ``content["data"]`` is what the digest covers."""
    body = {**content, "data_sha256": digest_of(content["data"])}
    base = f"{kind}-{at_utc.astimezone(UTC):%Y%m%dT%H%M%SZ}" + (f"-{SIMULATED}" if content.get("simulated") else "")
    for number in range(1, 100):
        record_id = base if number == 1 else f"{base}-{number}"
        text = json.dumps({"id": record_id, "kind": kind, **body}, indent=2, ensure_ascii=False) + "\n"
        try:
            folder.mkdir(parents=True, exist_ok=True)
            write_new(folder / f"{record_id}.json", text.encode())
        except FileExistsError:
            continue
        except OSError as error:
            raise SettingsError((f"{folder}: the record cannot be written ({error.strerror}).",)) from error
        return record_id
    raise SettingsError((f"{folder}: a hundred records of one second; look at the clock.",))


def read(folder: Path, record_id: str) -> dict[str, Any]:
    """One record; SettingsError when it is not there or its data were changed."""
    path = folder / f"{record_id}.json"
    if not re.fullmatch(r"[a-z]+-\d{8}T\d{6}Z(-simulated)?(-\d+)?", record_id) or not path.is_file():
        known = ", ".join(each["id"] for each in read_all(folder)) if folder.is_dir() else ""
        raise SettingsError((f"{record_id}: there is no such calibration in {folder}; there are {known or 'none'}.",))
    try:
        text = path.read_text(encoding="utf-8")
        record: dict[str, Any] = json.loads(text)
        known_digest = record["data_sha256"]
        same = known_digest == digest_of(record["data"])
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise SettingsError((f"{path}: this is not a calibration record that can be read ({error}).",)) from error
    if not same:
        raise SettingsError((f"{path}: its data no longer match their SHA-256; it was changed after it was written.",))
    lacking = _lacking(record_id, record, text)
    if lacking:
        raise SettingsError((f"{path}: this is not a calibration record as it is written ({lacking}).",))
    return record


def _lacking(record_id: str, record: dict[str, Any], text: str) -> str:
    """What this record does not hold, or holds otherwise than one of its kind; an empty string when all is well."""
    kind = record_id.partition("-")[0]
    try:
        _SHAPES.get(kind, _SHAPES[""]).validate_json(text, strict=True)
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False, include_input=False)[0]
        return f"{'.'.join(str(part) for part in first['loc']) or 'the whole'}: {first['msg']}"
    if (record["id"], record["kind"]) != (record_id, kind):
        return "it names itself otherwise than its file does"
    return "it has no settings" if kind in SECTIONS and not record.get("settings") else ""


def read_all(folder: Path, kind: str | None = None) -> list[dict[str, Any]]:
    """All records, oldest first, or those of one kind."""
    if not folder.is_dir():
        return []
    found = [read(folder, path.stem) for path in folder.glob("*-*Z*.json")]
    return sorted((r for r in found if kind in (None, r["kind"])), key=lambda r: (r["at_utc"], r["id"]))


class Use(NamedTuple):
    """What the chamber takes: a calibration, and the limits in ml that are lowered with it."""

    record: dict[str, Any]
    limits_ml: dict[str, float]


def usable(folder: Path, record_id: str) -> dict[str, Any]:
    """A calibration that may be put into use; SettingsError when it was refused or is none."""
    record = read(folder, record_id)
    if record["kind"] not in SECTIONS:
        raise SettingsError((f"{record_id}: a record of this kind ({record['kind']}) is not put into use.",))
    if not record["accepted"]:
        why = " ".join(record["refused_because"])
        raise SettingsError((f"{record_id}: this calibration is refused for use. {why}",))
    return record


def keep_use(folder: Path, use: Use, by: str, at_utc: datetime) -> str:
    """Write down, in one file, that the chamber takes a calibration from now on; ``bench/taking`` judges it before."""
    data = {"calibration_id": use.record["id"], "calibration_sha256": use.record["data_sha256"]}
    data |= {"limits": use.limits_ml} if use.limits_ml else {}
    content = {"at_utc": at_utc.isoformat(), "by": by, "of": use.record["kind"], "data": data}
    return keep(folder, USE, at_utc, content)


def uses(folder: Path) -> dict[str, Use]:
    """kind -> the calibration that the chamber takes now, and what goes with it."""
    found: dict[str, Use] = {}
    for use in read_all(folder, USE):
        record = read(folder, use["data"]["calibration_id"])
        if record["data_sha256"] != use["data"]["calibration_sha256"]:
            raise SettingsError((f"{use['id']}: names a calibration whose data are not those that were put into use.",))
        found[use["of"]] = Use(record, use["data"].get("limits") or {})
    return found


def in_use(folder: Path) -> dict[str, dict[str, Any]]:
    """kind -> the calibration that the chamber takes now."""
    return {kind: use.record for kind, use in uses(folder).items()}


def applied(chamber_text: str, chamber_path: str | Path, change: Use | None = None) -> str:
    """The text of a chamber file with the calibrations that are in use written into its sections.

    With ``change`` it is the text as it would be if that were in use too. A limit is only ever lowered.
    """
    taken = uses(folder_of(chamber_path))
    if change is not None:
        taken[change.record["kind"]] = change
    for kind, use in taken.items():
        values = {**use.record["settings"], "calibration_id": use.record["id"]}
        for key, value in values.items():
            chamber_text = _with_value(chamber_text, SECTIONS[kind], key, value)
        for key, most_ml in use.limits_ml.items():
            chamber_text = _with_value(chamber_text, LIMITS, key, most_ml, only_lower=True)
    return chamber_text


def judge_real(calibration_ids: tuple[str, ...]) -> None:
    """SettingsError when a real chamber would take a calibration of a simulated one."""
    invented = [each for each in calibration_ids if SIMULATED in each.split("-")]
    if invented:
        words = "was measured on a simulated chamber and is not used on a real one; calibrate, then use that."
        raise SettingsError(tuple(f"{each}: this calibration {words}" for each in invented))


def judge_tube(folder: Path, tubing_lot: str) -> None:
    """SettingsError when the pump calibration in use was made with another tube than the chamber file names."""
    record = in_use(folder).get("pump")
    if record is not None:
        judge_lot(record, tubing_lot)


def judge_lot(record: dict[str, Any], tubing_lot: str) -> None:
    """SettingsError when a calibration was made with another tube than this one; only a pump's has one."""
    if record["kind"] == "pump" and record["tubing_lot"] != tubing_lot:
        words = f"was made with tubing lot {record['tubing_lot']!r}, but pump.tubing_lot is {tubing_lot!r}"
        raise SettingsError((f"{record['id']}: this calibration {words}; calibrate the new tube, then use that.",))


def _with_value(text: str, section: str, key: str, value: Any, *, only_lower: bool = False) -> str:
    """The TOML text with one key of one section set; everything else, comments too, stays as it is."""
    is_date = isinstance(value, str) and re.fullmatch(r"\d{4}-\d{2}-\d{2}", value) and key.endswith("_on")
    written = value if is_date else json.dumps(value, ensure_ascii=False)
    head = re.search(rf"^\s*\[\s*{section}\s*\][^\n]*\n?", text, re.MULTILINE)
    if head is None:
        return text  # the judge of the file will say that the section is missing
    after = re.search(r"^\s*\[", text[head.end() :], re.MULTILINE)
    end = head.end() + after.start() if after else len(text)
    body = text[head.end() : end]
    line = re.compile(rf'^(\s*{key}\s*=\s*)("(?:[^"\\]|\\.)*"|[^#\n]*?)(\s*(?:#[^\n]*)?)$', re.MULTILINE)
    there = line.search(body)
    if only_lower and (there is None or _is_at_most(there[2], value)):
        return text
    if there is not None:
        body = line.sub(lambda found: f"{found[1]}{written}{found[3]}", body, count=1)
    else:
        body = f"{key} = {written}\n{body}"
    start = text[: head.end()]
    return (start if start.endswith("\n") else start + "\n") + body + text[end:]


def _is_at_most(written: str, most_ml: float) -> bool:
    """Whether a number as a file has it is at most ``most_ml``; what is no number is left to the judge of the file."""
    try:
        return float(written) <= most_ml
    except ValueError:
        return True
