"""A run as a Frictionless Data Package: its tables as CSV, each column with type, unit and meaning, ready to publish.

Beside the tables lie the plan, the chamber file, what MIAPPE v1.1 asks for and the records can answer, and the same
archive described once more as an RO-Crate.
"""

import hashlib
import json
from pathlib import Path
from typing import Any

from controller.control import model as m
from controller.control.photoperiod import moment_of
from controller.errors import ParcelError
from controller.parcels import crate
from controller.parcels.contents import unit_of
from controller.parcels.miappe import miappe_of
from controller.plan import Settings
from controller.records import columns
from controller.records.export import export
from controller.records.journal import Journal
from controller.records.timeline import Timeline

TABLES = {
    "climate": (columns.CLIMATE, "air, medium and light: every reading"),
    "daily": (columns.DAILY, "each UTC day: extremes, light, degree-days, water"),
    "water": (columns.WATER, "every dose and drain, with standard uncertainties"),
    "events": (columns.EVENTS, "everything else on one time line: observations, steps, trips, alarms"),
}
# standard names of the climate and forecast (CF) conventions, from their table, version 93
CF_STANDARD_NAMES = {
    "at_utc": "time",
    "air_temperature_c": "air_temperature",
    "relative_humidity_pct": "relative_humidity",
    "vapour_pressure_deficit_kpa": "water_vapor_saturation_deficit_in_air",
    "dew_point_c": "dew_point_temperature",
    "water_content_fraction": "volume_fraction_of_condensed_water_in_soil",
    "ppfd_umol_m2_s": "surface_downwelling_photosynthetic_photon_flux_in_air",
}
_MORE_UNITS = {"_kpa": "kPa", "_umol_m2_s": "umol m-2 s-1", "_mol_m2": "mol m-2", "_h": "h", "_days": "degC d"}
_INTEGERS = {"dose_id", "doses", "alarms", "trips", "readings", "utc_trusted", "observation", "corrects", "position",
             "emerged", "leaves", "growth_stage_bbch"}  # fmt: skip
_FILES = {
    "plan.toml": "the plan, as the run used it",
    "chamber.toml": "the chamber file: instruments and calibrations, as the run used it",
    "miappe.json": "the fields of MIAPPE v1.1 that the records can fill, and a list of those they cannot",
    "datapackage.json": "the same archive described as a Frictionless Data Package, column by column with units",
}
_MARK = b"\xef\xbb\xbf"


def archive(journal: Journal, settings: Settings, folder: Path, *, every_s: float | None = None) -> list[Path]:
    """Write the package into ``folder``; answers its files, the descriptor first."""
    run = journal.run_row()
    written = export(journal, settings, folder, every_s=every_s)
    try:
        for path in written[: len(TABLES)]:  # the mark helps spreadsheets; the package's own readers need none
            content = path.read_bytes()
            if content.startswith(_MARK):
                path.write_bytes(content[len(_MARK) :])
        texts = {"plan.toml": str(run["plan_text"]), "chamber.toml": str(run["chamber_text"])}
        for name, text in texts.items():
            (folder / name).write_bytes(text.encode())
        files = {f"{name}.csv": words for name, (_, words) in TABLES.items()}
        about = miappe_of(journal, settings, files)
        (folder / "miappe.json").write_text(_json(about), encoding="utf-8")
        resources = [_table_resource(folder, name) for name in TABLES]
        resources += [_file_resource(folder, name) for name in (*texts, "miappe.json")]
        package = {
            "profile": "data-package",
            "name": "".join(c if c.isalnum() else "-" for c in str(run["run_id"]).lower()),
            "title": f"{settings.plan.name}, {settings.chamber.site.name}",
            "description": "One run of a plan in a sealed growth chamber; all times are UTC."
            + (" Rehearsed on a simulated chamber." if run["simulated"] else ""),
            "run_id": run["run_id"],
            "simulated": bool(run["simulated"]),
            "plan_sha256": run["plan_sha256"],
            "software_version": run["software_version"],
            "resources": resources,
        }
        (folder / "datapackage.json").write_text(_json(package), encoding="utf-8")
        sheets = {path.name: f"what the columns of {path.stem}.csv mean" for path in written[len(TABLES) :]}
        described = {**files, **sheets, **_FILES}
        last_day = moment_of(_last_utc_ms(journal)).date().isoformat()
        (folder / crate.FILE).write_text(_json(crate.crate_of(package, folder, described, last_day)), encoding="utf-8")
    except OSError as error:
        raise ParcelError(f"{folder}: the archive cannot be written: {error}") from error
    named = ("datapackage.json", crate.FILE, *files, *texts, "miappe.json")
    return [folder / name for name in named] + written[len(TABLES) :]


def _last_utc_ms(journal: Journal) -> int:
    """When the last reading was taken; without any, when the program first began on this run, else 1970."""
    reading = journal.last_reading()
    if reading is not None:
        return Timeline(journal).place(reading.at).utc_ms
    boot = next(journal.records(m.BootRecord), None)
    return 0 if boot is None else boot.at.utc_ms


def _json(plain: dict[str, Any]) -> str:
    return json.dumps(plain, indent=2, ensure_ascii=False) + "\n"


def _file_resource(folder: Path, name: str) -> dict[str, Any]:
    content = (folder / name).read_bytes()
    digest = hashlib.sha256(content).hexdigest()
    title = name.split(".")[0]
    return {"name": title, "path": name, "bytes": len(content), "hash": f"sha256:{digest}", "profile": "data-resource"}


def _table_resource(folder: Path, name: str) -> dict[str, Any]:
    table, words = TABLES[name]
    path = folder / f"{name}.csv"
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    return {
        "name": name,
        "path": path.name,
        "profile": "tabular-data-resource",
        "description": words,
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "dialect": {"delimiter": ",", "lineTerminator": "\r\n"},
        "bytes": path.stat().st_size,
        "hash": f"sha256:{digest}",
        "schema": {"fields": [_field(name, column) for column in table], "missingValues": [""]},
    }


def _field(table: str, column: columns.Column) -> dict[str, Any]:
    if column.name == "at_utc":
        kind = "datetime"
    elif column.name == "day_utc":
        kind = "date"
    elif column.name in _INTEGERS:
        kind = "integer"
    else:
        kind = "string" if column.decimals is None else "number"
    found = {"name": column.name, "type": kind, "description": column.words}
    if kind == "datetime":
        found["format"] = "any"
    unit = next((unit for end, unit in _MORE_UNITS.items() if column.name.endswith(end)), unit_of(column.name))
    if unit and kind in ("number", "integer"):
        found["unit"] = unit
    if table == "climate" and column.name in CF_STANDARD_NAMES:
        found["cf_standard_name"] = CF_STANDARD_NAMES[column.name]
    return found
