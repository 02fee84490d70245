"""The records as fields of the plant phenotyping metadata standard MIAPPE v1.1, for whoever deposits the data.

Source of the fields and their numbers: Papoutsoglou et al. (2020), New Phytologist 227:260-273, checklist v1.1. Fields
that every submission must have are always there; what the records do not hold stays blank.
"""

from datetime import timedelta
from typing import NamedTuple

from controller.control.photoperiod import moment_of
from controller.twins.gathering import Twin
from controller.twins.sheet import rows_of

BLANK = ""
VERSION = "1.1"


class Field(NamedTuple):
    """One field. ``study`` is the twin it speaks of, empty for the whole investigation."""

    line: str
    section: str
    field: str
    study: str
    value: str


def fields_of(twins: list[Twin]) -> list[Field]:
    """The investigation, then one study for each twin."""
    plan = twins[0].settings.plan
    found = [
        Field("DM-3", "Investigation", "Investigation title", "", plan.name),
        Field("DM-8", "Investigation", "MIAPPE version", "", VERSION),
        Field("DM-32", "Person", "Person email", "", BLANK),
        Field("DM-31", "Person", "Person name", "", BLANK),
        Field("DM-34", "Person", "Person role", "", BLANK),
        Field("DM-35", "Person", "Person affiliation", "", BLANK),
        Field("DM-61", "Experimental Factor", "Experimental Factor type", "", "growth chamber (place)"),
        Field("DM-63", "Experimental Factor", "Experimental Factor values", "", "; ".join(twin.name for twin in twins)),
    ]
    for twin in twins:
        found += _study(twin)
    return found


def _study(twin: Twin) -> list[Field]:
    site, plan = twin.settings.chamber.site, twin.settings.plan
    start = moment_of(twin.hydrated_utc_ms)
    end = start + timedelta(hours=twin.length_h)
    species = list(dict.fromkeys(position.species for position in plan.positions))

    def field(line: str, section: str, name: str, value: str) -> Field:
        return Field(line, section, name, twin.name, value)

    found = [
        field("DM-11", "Study", "Study unique ID", str(twin.run["run_id"])),
        field("DM-12", "Study", "Study title", f"{plan.name}, {site.name}"),
        field("DM-14", "Study", "Start date of study", f"{start:%Y-%m-%dT%H:%M:%SZ}"),
        field("DM-15", "Study", "End date of study", f"{end:%Y-%m-%dT%H:%M:%SZ}"),
        field("DM-16", "Study", "Contact institution", BLANK),
        field("DM-17", "Study", "Geographic location (country)", BLANK),
        field("DM-18", "Study", "Experimental site name", f"{site.name}, {site.place}"),
        field(
            "DM-22",
            "Study",
            "Description of the experimental design",
            f"{len(plan.positions)} sowing positions in one chamber, the same plan in every chamber "
            f"(plan SHA-256 {twin.run['plan_sha256']})",
        ),
        field("DM-25", "Study", "Observation unit description", "one sowing position, numbered as on the lid"),
        field("DM-26", "Study", "Description of growth facility", "sealed desktop growth chamber"),
        field("DM-37", "Data File", "Data file link", "daily.csv; looks.csv; water.csv"),
        field("DM-38", "Data File", "Data file description", "daily climate, looks at positions, water account"),
        field("DM-39", "Data File", "Data file version", str(twin.run["software_version"])),
        *(field("DM-41", "Biological Material", "Biological material ID", BLANK) for _ in species),
        *(field("DM-42", "Biological Material", "Organism", name) for name in species),
        field("DM-65", "Event", "Event type", "first water"),
        field("DM-68", "Event", "Event date", f"{start:%Y-%m-%dT%H:%M:%SZ}"),
        field("DM-71", "Observation Unit", "Observation unit type", "plant"),
    ]
    for position in plan.positions:
        found.append(field("DM-70", "Observation Unit", "Observation unit ID", f"{twin.name} {position.number}"))
    for row in rows_of([twin]):
        if row.group in ("Light", "Temperature", "Humidity", "Air", "Water", "Medium"):
            unit = f" ({row.unit})" if row.unit else ""
            found.append(field("DM-58", "Environment", "Environment parameter", f"{row.quantity}{unit}"))
            found.append(field("DM-59", "Environment", "Environment parameter value", row.values[0]))
    for trait, method, scale in (
        ("emergence", "looked at on the plan's days", "0 or 1"),
        ("height", "ruler, from the medium", "mm"),
        ("number of true leaves", "counted", "leaves"),
        ("growth stage", "by eye", "BBCH code"),
    ):
        found.append(field("DM-83", "Observed Variable", "Variable ID", trait.replace(" ", "_")))
        found.append(field("DM-86", "Observed Variable", "Trait", trait))
        found.append(field("DM-88", "Observed Variable", "Method", method))
        found.append(field("DM-92", "Observed Variable", "Scale", scale))
    return found
