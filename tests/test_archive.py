"""The archive of a run, judged by the format's own validator and by the MIAPPE checklist."""

import csv
import hashlib
import json
import shutil
from pathlib import Path

import frictionless
import pytest

from controller.control import model as m
from controller.parcels.archive import CF_STANDARD_NAMES, _field, archive
from controller.parcels.miappe import FIELDS
from controller.records import columns
from tests.journals import DAY_MS, HOUR_MS, SETTINGS, at
from tests.parcels import short_run

REFERENCE = Path(__file__).parent / "reference" / "miappe_fields.csv"  # MIAPPE checklist v1.1


@pytest.fixture(scope="module")
def archived(tmp_path_factory):
    folder = tmp_path_factory.mktemp("archive")
    journal = short_run(folder)
    journal.append(m.StepRecord(at(HOUR_MS), "drain", True, "LK", 31.5, 'a note, with "quotes"; ä\nand a line'))
    journal.append(m.ObservationRecord(at(DAY_MS), 2, "LK", emerged=True, leaves=2, growth_stage_bbch=9))
    journal.append(m.PhaseRecord(at(3 * DAY_MS + HOUR_MS), m.ENDED, 0))
    archive(journal, SETTINGS, folder / "out")
    return folder / "out"


def test_the_package_is_valid_by_the_formats_own_validator(archived):
    report = frictionless.validate(str(archived / "datapackage.json"))
    assert report.valid, report.flatten(["type", "note", "rowNumber", "fieldName"])[:5]
    assert report.stats["tasks"] >= 4


def test_the_validator_notices_a_spoilt_cell(archived):
    path = archived / "climate.csv"
    whole = path.read_bytes()
    path.write_bytes(whole.replace(b"20.000", b"twenty", 1))
    report = frictionless.validate(str(archived / "datapackage.json"))
    path.write_bytes(whole)
    assert not report.valid


def test_digests_and_columns_are_those_of_the_files(archived):
    package = json.loads((archived / "datapackage.json").read_text())
    for resource in package["resources"]:
        content = (archived / resource["path"]).read_bytes()
        assert resource["hash"] == "sha256:" + hashlib.sha256(content).hexdigest()
        if "schema" in resource:
            header = next(csv.reader(content.decode().splitlines()))
            assert [field["name"] for field in resource["schema"]["fields"]] == header


def test_numbers_with_a_dimension_have_their_unit_and_climate_its_standard_names(archived):
    package = json.loads((archived / "datapackage.json").read_text())
    climate = {field["name"]: field for field in package["resources"][0]["schema"]["fields"]}

    assert climate["air_temperature_c"]["unit"] == "degC"
    assert climate["vapour_pressure_deficit_kpa"]["unit"] == "kPa"
    assert climate["ppfd_umol_m2_s"]["unit"] == "umol m-2 s-1"
    assert climate["relative_humidity_pct"]["cf_standard_name"] == "relative_humidity"


def test_the_standard_names_are_in_the_table_of_the_convention_with_units_of_the_same_kind():
    # CF standard name table, version 93 (2026-03-17)
    with (REFERENCE.parent / "cf_standard_names.csv").open(newline="") as file:
        table = {row["standard_name"]: row["canonical_units"] for row in csv.DictReader(file)}
    kinds = {"degC": "K", "kPa": "Pa", "%": "1", "umol m-2 s-1": "mol m-2 s-1", "1": "1"}
    for column in columns.CLIMATE:
        if column.name in CF_STANDARD_NAMES:
            unit = _field("climate", column).get("unit")
            assert table[CF_STANDARD_NAMES[column.name]] == ("s" if unit is None else kinds[unit]), column.name
    assert set(table) == set(CF_STANDARD_NAMES.values())


def test_the_fields_are_those_of_the_checklist():
    with REFERENCE.open(newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["field"] != row["section"]]
    known = {section: " ".join(text.split()).split(" | ") for section, text in FIELDS.items()}

    assert [(s, f.rstrip("!")) for s, fields in known.items() for f in fields] == [
        (r["section"], r["field"]) for r in rows
    ]
    required = {(s, f.rstrip("!")) for s, fields in known.items() for f in fields if f.endswith("!")}
    assert required == {(r["section"], r["field"]) for r in rows if r["cardinality"].startswith("1")}


def test_every_field_is_filled_or_listed_as_not_filled(archived):
    about = json.loads((archived / "miappe.json").read_text())
    listed = {(each["section"], each["field"]) for each in about["not_filled"]}
    for section, text in FIELDS.items():
        entries = about["sections"].get(section, [])
        for field in (word.rstrip("!") for word in " ".join(text.split()).split(" | ")):
            filled = bool(entries) and all(entry.get(field) for entry in entries)
            assert filled != ((section, field) in listed), (section, field)


def test_the_study_says_what_grew_where_and_when(archived):
    sections = json.loads((archived / "miappe.json").read_text())["sections"]

    assert sections["Study"][0]["Start date of study"] == "2026-03-02T00:00:00Z"
    assert sections["Study"][0]["End date of study"] == "2026-03-05T01:00:00Z"
    assert [(each["Genus"], each["Species"]) for each in sections["Biological Material"]] == [
        ("Lepidium", "sativum"), ("Raphanus", "sativus"),
    ]  # fmt: skip
    assert {
        "Event type": "hands-on step",
        "Event description": "Drain and weigh",
        "Event date": "2026-03-02T01:00:00Z",
    } in (sections["Event"])
    light = {e["Environment parameter"]: e["Environment parameter value"] for e in sections["Environment"]}
    assert light["daily photon flux"].startswith("10.37 mol")  # 180 umol m-2 s-1 for 16 h: 180 x 57 600 / 1e6


# -- the same archive as an RO-Crate ----


@pytest.fixture
def judge(monkeypatch):
    """The format's validator, with the context of its vocabulary from the reference library and not from the line."""
    services = pytest.importorskip("rocrate_validator.services", reason="roc-validator is not installed")
    rocrate = pytest.importorskip("rocrate", reason="rocrate, whose package has the vocabulary, is not installed")
    import requests
    from rocrate_validator.utils.http import HttpRequester

    content = (Path(rocrate.__file__).parent / "data" / "ro-crate.jsonld").read_bytes()

    def from_the_library(requester, address, **how):
        assert address == json.loads(content)["@id"]
        found = requests.Response()
        found.status_code, found._content, found.url = 200, content, address
        found.headers["Content-Type"] = "application/ld+json"
        return found

    monkeypatch.setattr(HttpRequester, "get", from_the_library, raising=False)

    def judged(folder, severity="RECOMMENDED"):
        found = services.validate({
            "rocrate_uri": str(folder), "profile_identifier": "ro-crate-1.3", "requirement_severity": severity,
            "offline": True, "skip_availability_check": True, "disable_remote_crate_download": True,
        })  # fmt: skip
        return [f"{issue.check.identifier}: {issue.message}" for issue in found.get_issues()]

    return judged


@pytest.mark.filterwarnings("ignore")
def test_the_crate_is_valid_by_the_formats_own_validator(archived, judge):
    """What is recommended and left out is what only a person can say."""
    left_out = judge(archived)
    assert [word for words in left_out for word in ("publisher", "License") if word in words] == [
        "publisher",
        "License",
    ]
    assert len(left_out) == 2, left_out


@pytest.mark.filterwarnings("ignore")
def test_the_validator_notices_what_is_missing(archived, judge, tmp_path):
    shutil.copytree(archived, tmp_path / "spoilt")
    path = tmp_path / "spoilt" / "ro-crate-metadata.json"
    crate = json.loads(path.read_text())
    del crate["@graph"][1]["datePublished"]
    path.write_text(json.dumps(crate))

    assert any("datePublished" in words for words in judge(tmp_path / "spoilt", "REQUIRED"))


@pytest.mark.filterwarnings("ignore")
def test_the_reference_library_reads_the_crate_with_every_file_of_the_folder(archived):
    library = pytest.importorskip("rocrate.rocrate", reason="rocrate, the reference library, is not installed")
    crate = library.ROCrate(str(archived))

    parts = {part.id: part for part in crate.root_dataset["hasPart"]}
    assert set(parts) == {path.name for path in archived.iterdir()} - {"ro-crate-metadata.json"}
    for name in ("climate.csv", "plan.toml"):
        content = (archived / name).read_bytes()
        assert parts[name]["sha256"] == hashlib.sha256(content).hexdigest()
        assert parts[name]["contentSize"] == str(len(content))
    assert crate.root_dataset["datePublished"] == "2026-03-05"
