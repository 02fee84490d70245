"""What a run can say of itself by MIAPPE v1.1, the minimum information about a plant phenotyping experiment.

The plan, the chamber file and the logbook fill what they can; the fields that they cannot fill are listed, the
required ones marked, so that whoever publishes the run knows what to add by hand. Field names are those of the
MIAPPE checklist v1.1 (2020).
"""

from typing import Any

from controller.control import model as m
from controller.control.photoperiod import moment_of
from controller.plan import Settings
from controller.records.journal import Journal
from controller.records.timeline import Timeline

VERSION = "1.1"
# each field of each section; "!" marks those that the checklist requires
FIELDS = {
    "Investigation": """
        Investigation unique ID | Investigation title! | Investigation description | Submission date |
        Public release date | License | MIAPPE version! | Associated publication
    """,
    "Study": """
        Study unique ID | Study title! | Study description | Start date of study! | End date of study |
        Contact institution! | Geographic location (country)! | Experimental site name! | Geographic
        location (latitude) | Geographic location (longitude) | Geographic location (altitude) | Description
        of the experimental design! | Type of experimental design | Observation unit level hierarchy |
        Observation unit description! | Description of growth facility! | Type of growth facility | Cultural
        practices | Map of experimental design
    """,
    "Person": """
        Person name! | Person email | Person ID | Person role! | Person affiliation!
    """,
    "Data File": """
        Data file link! | Data file description! | Data file version!
    """,
    "Biological Material": """
        Biological material ID! | Organism! | Genus | Species | Infraspecific name | Biological material
        latitude | Biological material longitude | Biological material altitude | Biological material
        coordinates uncertainty | Biological material preprocessing | Material source ID (Holding
        institute/stock centre, accession) | Material source DOI | Material source latitude | Material
        source longitude | Material source altitude | Material source coordinates uncertainty | Material
        source description
    """,
    "Environment": """
        Environment parameter! | Environment parameter value!
    """,
    "Experimental Factor": """
        Experimental Factor type! | Experimental Factor description | Experimental Factor values
    """,
    "Event": """
        Event type! | Event accession number | Event description | Event date!
    """,
    "Observation Unit": """
        Observation unit ID! | Observation unit type! | External ID | Spatial distribution | Observation
        Unit factor value
    """,
    "Sample": """
        Sample ID! | Plant structure development stage | Plant anatomical entity! | Sample description |
        Collection date! | External ID
    """,
    "Observed Variable": """
        Variable ID! | Variable name | Variable accession number | Trait! | Trait accession number | Method!
        | Method accession number | Method description | Reference associated to the method | Scale! | Scale
        accession number | Time scale
    """,
}

_PLANTS = {"cress": ("Lepidium", "sativum"), "radish": ("Raphanus", "sativus")}
_VARIABLES = (
    ("emergence", "seedling emergence", "seen by a person at the sowing position", "yes or no", "emerged"),
    ("height", "plant height", "measured by a person from the medium", "mm", "height_mm"),
    ("leaves", "leaf number", "counted by a person", "count", "leaves"),
    ("growth_stage", "growth stage", "judged by a person on the BBCH scale", "BBCH code", "growth_stage_bbch"),
)

Section = list[dict[str, str]]


def miappe_of(journal: Journal, settings: Settings, files: dict[str, str]) -> dict[str, Any]:
    """Sections with their filled fields, and the fields that nothing here can fill.

    ``files`` holds the names of the archive's data files, each with what it is.
    """
    run, plan, chamber = journal.run_row(), settings.plan, settings.chamber
    timeline = Timeline(journal)
    start = None if timeline.hydrated is None else _text(timeline.hydrated.utc_ms)
    ended = next(journal.records(m.PhaseRecord, "phase = ?", (m.ENDED,)), None)
    medium = plan.medium.texture or "medium of measured retention"
    study = {
        "Study unique ID": str(run["run_id"]),
        "Study title": f"{plan.name}, {chamber.site.name}",
        "Study description": f"One run of the plan with SHA-256 {run['plan_sha256']}"
        + (", rehearsed on a simulated chamber." if run["simulated"] else "."),
        "Start date of study": start,
        "End date of study": None if ended is None else _text(timeline.place(ended.at).utc_ms),
        "Experimental site name": f"{chamber.site.name}, {chamber.site.place}",
        "Description of the experimental design": f"{len(plan.positions)} sowing positions in one bed, one chamber; "
        "runs of the same plan in other chambers are its replicates.",
        "Observation unit level hierarchy": "chamber>position",
        "Observation unit description": "a sowing position of the bed",
        "Description of growth facility": "sealed desktop growth chamber with metered water and a dimmed lamp",
        "Cultural practices": f"first wetting {plan.first_wetting.total_ml:g} ml in portions of "
        f"{plan.first_wetting.aliquot_ml:g} ml; later doses of {plan.watering.dose_ml:g} ml",
    }
    return _judged(
        {
            "Investigation": [{"Investigation title": plan.name, "MIAPPE version": VERSION,
                               "Investigation unique ID": str(run["plan_sha256"])}],
            "Study": [{key: value for key, value in study.items() if value}],
            "Data File": [
                {"Data file link": name, "Data file description": words, "Data file version": run["software_version"]}
                for name, words in files.items()
            ],
            "Biological Material": [_material(species) for species in sorted({p.species for p in plan.positions})],
            "Environment": _environment(settings, medium),
            "Event": _events(journal, settings, timeline),
            "Observation Unit": [
                {"Observation unit ID": f"{run['run_id']}/{position.number}", "Observation unit type": "position",
                 "Spatial distribution": f"position:{position.number}"}
                for position in plan.positions
            ],
            "Observed Variable": [
                {"Variable ID": name, "Variable name": column, "Trait": trait, "Method": method, "Scale": scale}
                for name, trait, method, scale, column in _VARIABLES
            ],
        }
    )  # fmt: skip


def _text(utc_ms: int) -> str:
    return f"{moment_of(utc_ms):%Y-%m-%dT%H:%M:%SZ}"


def _material(species: str) -> dict[str, str]:
    found = {"Biological material ID": species}
    if species.lower() in _PLANTS:
        found["Genus"], found["Species"] = _PLANTS[species.lower()]
    return found


def _environment(settings: Settings, medium: str) -> Section:
    plan, climate, light = settings.plan, settings.plan.climate, settings.plan.photoperiod
    ppfd = settings.lamp_duty_fraction * settings.chamber.lamp.ppfd_at_full_duty_umol_m2_s
    watering = plan.watering.moisture
    named = {
        "air temperature": f"{climate.air_temperature_low_c:g} to {climate.air_temperature_high_c:g} C (planned)",
        "air humidity": f"{climate.relative_humidity_low_pct:g} to {climate.relative_humidity_high_pct:g} % (planned)",
        "daily photon flux": f"{ppfd * light.light_h * 3600 / 1e6:.2f} mol m-2 in each light period (planned)",
        "photosynthetic photon flux density": f"{ppfd:g} umol m-2 s-1 at the canopy (planned, by the lamp check)",
        "length of light period": f"{light.light_h:g} h of each {light.cycle_h:g} h",
        "rooting medium composition": medium,
        "container volume": f"{plan.medium.bed_volume_ml:g} ml",
        "container height": f"{plan.medium.bed_depth_cm:g} cm",
        "number of plants per container": f"{len(plan.positions)} sowing positions",
        "volume and frequency of water added": "see water.csv: every dose, with its standard uncertainty",
    }
    if watering is not None:
        named["medium water content"] = f"kept at {watering.low_fraction:g} to {watering.high_fraction:g} by volume"
    return [{"Environment parameter": key, "Environment parameter value": value} for key, value in named.items()]


def _events(journal: Journal, settings: Settings, timeline: Timeline) -> Section:
    titles = {step.name: step.title for step in settings.hands_on_steps}
    found = [
        {"Event type": "hands-on step", "Event description": titles.get(step.step, step.step),
         "Event date": _text(timeline.place(step.at).utc_ms)}
        for step in journal.records(m.StepRecord, "done = 1")
    ]  # fmt: skip
    if timeline.hydrated is not None:
        found.append({"Event type": "hydration", "Event description": "the first water, time zero of the run",
                      "Event date": _text(timeline.hydrated.utc_ms)})  # fmt: skip
    return sorted(found, key=lambda event: event["Event date"])


def _judged(sections: dict[str, Any]) -> dict[str, Any]:
    missing = []
    for section, text in FIELDS.items():
        for word in " ".join(text.split()).split(" | "):
            field, required = word.rstrip("!"), word.endswith("!")
            entries = sections.get(section, [])
            if not entries or any(not entry.get(field) for entry in entries):
                missing.append({"section": section, "field": field, "required": required and bool(entries)})
    return {"miappe_version": VERSION, "sections": sections, "not_filled": missing}
