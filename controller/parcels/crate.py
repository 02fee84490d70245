"""The archive of a run described as an RO-Crate 1.3: one file of linked data (JSON-LD) that general archives read.

What only a person can say (who publishes, under which licence) is named as not said yet, never made up.
"""

from pathlib import Path
from typing import Any

FILE = "ro-crate-metadata.json"
VERSION = "https://w3id.org/ro/crate/1.3"
MEDIA_TYPES = {".csv": "text/csv", ".json": "application/json", ".toml": "application/toml", ".txt": "text/plain"}

Entity = dict[str, Any]


def crate_of(package: dict[str, Any], folder: Path, files: dict[str, str], last_day: str) -> dict[str, Any]:
    """The whole document for a package (as ``datapackage.json`` has it) and its ``files``, each with what it is.

    ``last_day`` (YYYY-MM-DD) is the day of the last record: nothing was published before it.
    """
    digests = {each["path"]: each["hash"].removeprefix("sha256:") for each in package["resources"]}
    root: Entity = {
        "@id": "./",
        "@type": "Dataset",
        "name": package["title"],
        "description": f"{package['description']} Recorded by wardian {package['software_version']}.",
        "identifier": {"@id": "#run"},
        "datePublished": last_day,
        "license": {"@id": "#licence"},
        "hasPart": [{"@id": name} for name in files],
    }
    descriptor: Entity = {
        "@id": FILE,
        "@type": "CreativeWork",
        "conformsTo": {"@id": VERSION},
        "about": {"@id": "./"},
    }
    licence: Entity = {
        "@id": "#licence",
        "@type": "CreativeWork",
        "name": "No licence was chosen yet",
        "description": "Whoever publishes this run chooses a licence and names it here.",
    }
    run: Entity = {
        "@id": "#run",
        "@type": "PropertyValue",
        "name": "run in the records of its chamber",
        "value": package["name"],
    }
    parts = [_file(folder, name, words, digests.get(name)) for name, words in files.items()]
    return {"@context": f"{VERSION}/context", "@graph": [descriptor, root, *parts, licence, run]}


def _file(folder: Path, name: str, words: str, sha256: str | None) -> Entity:
    found: Entity = {
        "@id": name,
        "@type": "File",
        "name": name,
        "description": words,
        "encodingFormat": MEDIA_TYPES[Path(name).suffix],
        "contentSize": str((folder / name).stat().st_size),
    }
    if sha256 is not None:
        found["sha256"] = sha256
    return found
