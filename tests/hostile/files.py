"""Parsers of files: books, records, memories, manifests, tables, pictures and cells parted by commas."""

import hashlib
import io
import json
import random
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
from PIL import Image

from controller.acceptance.record import BenchRecord
from controller.alerts import telling
from controller.alerts.wishes import read_wishes
from controller.bench import hygrometer, records
from controller.bench.ageing import points_of
from controller.bench.lamp import Spot, calibrate_lamp
from controller.bench.masses import masses_from_csv_g, rows_from_csv
from controller.bench.moisture import Sample, calibrate_probe
from controller.bench.session_file import given_portions
from controller.chamber.physics import Physics
from controller.chamber.simulated_live import KEPT, recall_world
from controller.desk.lots import NAME, read_book
from controller.desk.pedigree import tree_lines
from controller.errors import ChamberError, JournalError, ParcelError, SettingsError
from controller.parcels.manifest import FILES, FORMAT, TABLES, read_manifest
from controller.parcels.receiving import Refusal, _judge_table
from controller.parcels.sealing import day_number, ranges_of
from controller.parcels.tokens import Tokens
from controller.settings import example_path
from controller.web.codes import Codes
from controller.web.pictures import SIDE_MAX, read_picture
from controller.web.site import FormFault
from tests import examples
from tests.hostile.bending import Parser, bent_bytes, bent_file, bent_value, figure, json_file, json_text
from tests.hostile.toml import bent_toml

Judge = Callable[[Any], bool]
DIGEST = "0" * 64
BOOK = [
    {"record": "lot", "lot": "SL-1", "species": "cress", "written_by": "LK", "at_utc": "2026-03-01T10:00:00Z"},
    {"record": "lot", "lot": "SL-2", "species": "cress", "written_by": "LK", "at_utc": "2026-03-02T10:00:00Z",
     "parents": ["SL-1"], "run_id": "r", "positions": [1, 2], "seeds": 40, "mass_g": 0.1, "note": ""},
    {"record": "viability_test", "lot": "SL-2", "sown": 20, "germinated": 18, "written_by": "LK",
     "at_utc": "2026-03-03T10:00:00Z"},
]  # fmt: skip
RECORD_ID = "pump-20260301T100000Z"
CALIBRATION = {
    "id": RECORD_ID, "kind": "pump", "at_utc": "2026-03-01T10:00:00+00:00", "by": "LK", "accepted": True,
    "refused_because": [], "tubing_lot": "SL-07", "simulated": False,
    "settings": {"ml_per_step": 0.005, "ml_per_step_standard_uncertainty": 0.00004, "steps_per_s": 200,
                 "calibrated_on": "2026-03-01"},
    "result": {"ml_per_step": 0.005, "ml_per_step_standard_uncertainty": 0.00004},
    "data": {"weighings": [{"dose_id": 1, "steps": 1000, "mass_g": 5.0}]},
}  # fmt: skip
PORTIONS = [
    {"what": "typed", "text": "5"},
    *({"what": "given", "portion": n, "dose_id": n, "steps": 900} for n in (1, 2)),
]
ATTEMPT = {"at_utc": "2026-03-01T10:00:00+00:00", "test": "look", "passed": True, "found": "well", "by": "LK"}
MEMORY = {"told": {"leak_wet": {"since_ms": 5, "told_ms": None, "words": "w"}}, "waiting": [["a", "b"]], "trials": 1}
TOKENS = {"skerry-light": [DIGEST], "northhaven": []}
MANIFEST = {
    "format": FORMAT, "run_id": "20260302T0800Z-skerry-light", "chamber": "skerry-light", "site": "Skerry Light",
    "plan": "Cress", "plan_sha256": DIGEST, "software_version": "0", "simulated": True, "day_utc": "2026-03-02",
    "first_utc": None, "last_utc": "2026-03-02T23:59:50Z", "clock": {"trusted": 5, "placed": 0, "unknown": 0},
    "before_sha256": None, "rows": {"readings": [1, 5], "events": [1, 0]}, "written_with": "pyarrow 20",
    "files": [{"name": name, "sha256": DIGEST, "size_bytes": 10, "rows": 5 if name in TABLES else None,
               "columns": [{"name": "a", "type": "b"}] if name in TABLES else None} for name in FILES],
}  # fmt: skip


def refused_in_a_sentence(read: Callable[[], object], *errors: type[Exception]) -> bool:
    """Whether it was read; a refusal must be one of these, and must say something."""
    try:
        read()
    except errors as error:
        assert str(error).strip()  # noqa: PT017
        return False
    return True


def _into(path: Path, read: Callable[[], object], *errors: type[Exception]) -> Judge:
    def judge(content: bytes) -> bool:
        path.write_bytes(content)
        return refused_in_a_sentence(read, *errors)

    return judge


def _book_judge(path: Path) -> Judge:
    def read() -> None:
        book = read_book(path)
        for lot in book.lots.values():
            assert NAME.fullmatch(lot.lot)
            assert all(type(position) is int for position in lot.positions)
            assert book.generation(lot.lot) >= 0
        assert all(type(test.sown) is int and 0 <= test.germinated <= test.sown for test in book.tests)
        assert len(tree_lines(book)) == len(book.lots)

    return _into(path, read, SettingsError)


def _calibration(chance: random.Random) -> bytes:
    record = bent_value(chance, CALIBRATION)
    if isinstance(record, dict) and chance.random() < 0.9:
        record["data_sha256"] = records.digest_of(record.get("data"))
    return bent_file(chance, json_text(record).encode()) if chance.random() < 0.3 else json_text(record).encode()


def _calibration_judge(folder: Path) -> Judge:
    """What a chamber file with this calibration beside it would take; each reader of the record is asked."""
    beside = folder / "a.calibrations"
    beside.mkdir()
    chamber_text = example_path("skerry-light.chamber.toml").read_text()
    use_id = "use-20260301T110000Z"

    def judge(content: bytes) -> bool:
        (beside / f"{use_id}.json").unlink(missing_ok=True)
        (beside / f"{RECORD_ID}.json").write_bytes(content)
        try:
            record = records.read(beside, RECORD_ID)
        except SettingsError as error:
            assert RECORD_ID in str(error)  # noqa: PT017
            return False
        data = {"calibration_id": RECORD_ID, "calibration_sha256": record["data_sha256"]}
        use = {"id": use_id, "kind": "use", "at_utc": record["at_utc"], "by": "LK", "of": "pump", "data": data}
        (beside / f"{use_id}.json").write_text(json_text({**use, "data_sha256": records.digest_of(data)}))
        text = records.applied(chamber_text, folder / "a.chamber.toml")
        text.encode()
        assert text.count("\n") >= chamber_text.count("\n")
        points_of(records.read_all(beside), simulated=False)
        if record["tubing_lot"] != "SL-07":
            assert not refused_in_a_sentence(lambda: records.judge_tube(beside, "SL-07"), SettingsError)
        return True

    return judge


def _attempts(chance: random.Random) -> bytes:
    """Lines that name each other's digests, as far as they are well."""
    content, before = b"", ""
    for _ in range(chance.randrange(4)):
        line = bent_value(chance, {**ATTEMPT, "line_before_sha256": before}) if chance.random() < 0.3 else ATTEMPT
        if isinstance(line, dict):
            line = {**line, "line_before_sha256": line.get("line_before_sha256", before)}
        written = json_text(line).encode() + b"\n"
        before = hashlib.sha256(written).hexdigest()
        content += written
    return bent_file(chance, content)


def _attempts_judge(folder: Path) -> Judge:
    chamber_path = folder / "b.chamber.toml"
    chamber_path.write_bytes(b"")
    record = BenchRecord(chamber_path)

    def read() -> None:
        for name, attempt in record.last().items():
            assert isinstance(name, str)
            assert isinstance(attempt["passed"], bool)

    return _into(record.path, read, SettingsError)


def _portions_judge(folder: Path) -> Judge:
    def read() -> None:
        assert all(type(n) is int and n > 0 for portion in given_portions(folder) for n in portion)

    return _into(folder / "bench.jsonl", read, SettingsError)


def _memory_judge(path: Path) -> Judge:
    def read() -> None:
        memory = telling._read(path)
        assert all(isinstance(told.words, str) and type(told.since_ms) is int for told in memory.told.values())
        assert all(len(waiting) == 2 for waiting in memory.waiting)

    return _into(path, read, JournalError)


def _world_judge(path: Path) -> Judge:
    physics = Physics(examples.SETTINGS, 1)

    def read() -> None:
        assert recall_world(path, physics) == int(recall_world(path, physics))
        assert all(abs(getattr(physics, name)) < float("inf") for name in KEPT)

    return _into(path, read, ChamberError)


def _manifest(chance: random.Random) -> bytes:
    bent = bent_value(chance, MANIFEST)
    way = chance.random()
    text = json.dumps(bent, ensure_ascii=False, sort_keys=way < 0.95, separators=(",", ":")) + "\n"
    content = text.encode(errors="surrogatepass")
    return bent_file(chance, content) if way > 0.7 else content


def _manifest_judge(content: bytes) -> bool:
    def read() -> None:
        manifest = read_manifest(content, "manifest.json")
        assert manifest.to_bytes() == content
        assert ".." not in manifest.place.parts
        assert not manifest.place.is_absolute()
        assert day_number(manifest) > -(10**6)
        assert all(first >= 1 for first, _ in ranges_of(manifest).values())
        assert manifest.rows_by_file.keys() <= set(FILES)

    return refused_in_a_sentence(read, ParcelError)


def _table() -> bytes:
    out = io.BytesIO()
    pq.write_table(pa.table({"a": [1, 2, 3], "b": ["x", "y", None]}), out)
    return out.getvalue()


def _table_judge(path: Path) -> Judge:
    def judge(content: bytes) -> bool:
        path.write_bytes(content)
        return refused_in_a_sentence(lambda: _judge_table(path, 3), Refusal)

    return judge


def _cells(chance: random.Random, names: tuple[str, ...], row: Callable[[], list[str]]) -> bytes:
    lines = [",".join(names)] + [",".join(row()) for _ in range(chance.randrange(12))]
    if chance.random() < 0.4:
        at = chance.randrange(len(lines))
        lines[at] = chance.choice((lines[at] + ",", '"' + lines[at], "", figure(chance), lines[0], ";".join(names)))
    return bent_file(chance, "\n".join(lines).encode(errors="replace"))


def _readings(chance: random.Random) -> tuple[str, bytes]:
    """A CSV file for one of the procedures with readings, mostly of figures that could be."""

    def cell(low: float, high: float) -> str:
        return figure(chance) if chance.random() < 0.05 else f"{chance.uniform(low, high):.3f}"

    kind = chance.choice(("masses", "moisture", "humidity", "temperature", "lamp"))
    if kind == "masses":
        return kind, _cells(chance, ("mass_g",), lambda: [cell(1, 30)])
    if kind == "moisture":
        names: tuple[str, ...] = ("counts", "water_content_fraction")
        return kind, _cells(chance, names, lambda: [cell(1200, 3000), cell(0.0, 0.5)])
    if kind == "humidity":
        names = ("elapsed_min", "relative_humidity_pct")
        return kind, _cells(chance, names, lambda: [cell(0, 60), cell(74, 76)])
    if kind == "temperature":
        return kind, _cells(chance, ("sensor_c", "reference_c"), lambda: [cell(20, 21), cell(20, 21)])
    names = ("position", "duty_fraction", "ppfd_umol_m2_s")
    return kind, _cells(
        chance,
        names,
        lambda: [str(chance.randrange(1, 9)), chance.choice("01") + ".5"[: chance.choice((0, 2))], cell(0, 300)],
    )


def _readings_judge(path: Path) -> Judge:
    def procedure(kind: str) -> object:
        if kind == "masses":
            return masses_from_csv_g(path)
        if kind == "moisture":
            rows = rows_from_csv(path, ("counts", "water_content_fraction"))
            samples = [
                Sample(counts=round(r["counts"]), water_content_fraction=r["water_content_fraction"]) for r in rows
            ]
            return calibrate_probe(samples)
        if kind == "humidity":
            rows = rows_from_csv(path, ("elapsed_min", "relative_humidity_pct"))
            columns = [[row[name] for row in rows] for name in ("elapsed_min", "relative_humidity_pct")]
            return hygrometer.check_humidity("NaCl", 20.0, *columns, 2.0)
        if kind == "temperature":
            rows = rows_from_csv(path, ("sensor_c", "reference_c"))
            columns = [[row[name] for row in rows] for name in ("sensor_c", "reference_c")]
            return hygrometer.check_temperature(*columns, 0.1, 0.3)
        rows = rows_from_csv(path, ("position", "duty_fraction", "ppfd_umol_m2_s"))
        spots = [
            Spot(position=round(r["position"]), duty_fraction=r["duty_fraction"], ppfd_umol_m2_s=r["ppfd_umol_m2_s"])
            for r in rows
        ]
        return calibrate_lamp(spots, 16.0, 0.6)

    def judge(given: tuple[str, bytes]) -> bool:
        kind, content = given
        path.write_bytes(content)

        def read() -> None:
            found = procedure(kind)
            if isinstance(found, dict) and found["accepted"]:
                assert "NaN" not in json_text([found.get("settings"), found["result"]]).replace('"r_squared": NaN', "")

        return refused_in_a_sentence(read, SettingsError)

    return judge


def _pictures() -> list[bytes]:
    made = []
    for kind in ("JPEG", "PNG", "WEBP"):
        out = io.BytesIO()
        exif = Image.Exif()
        exif[0x0112] = 6  # orientation: turned by a quarter (Exif 2.3)
        Image.new("RGB", (12, 9), (90, 140, 60)).save(out, kind, exif=exif)
        made.append(out.getvalue())
    return made


def _picture_judge(content: bytes) -> bool:
    def read() -> None:
        picture = read_picture(content)
        assert picture.mode == "RGB"
        assert max(picture.size) <= SIDE_MAX

    with warnings.catch_warnings(action="ignore"):  # the library tells of damage that it reads round
        return refused_in_a_sentence(read, FormFault)


def parsers(folder: Path) -> list[Parser]:
    """``folder`` takes the files, one after the other."""
    wishes = example_path("skerry-light.alerts.toml").read_text()
    world = {**dict.fromkeys(KEPT, 1.5), "pulses": 12}
    table, pictures = _table(), _pictures()
    codes, tokens = Codes(folder / "codes.json"), folder / "tokens.json"
    return [
        Parser("book of seed lots", lambda c: json_file(c, BOOK), _book_judge(folder / "lots.jsonl")),
        Parser("file of alerts", lambda c: bent_toml(c, wishes),
               _into(folder / "alerts.toml", lambda: read_wishes(folder / "alerts.toml"), SettingsError)),
        Parser("calibration record", _calibration, _calibration_judge(folder)),
        Parser("portions of a session", lambda c: json_file(c, PORTIONS), _portions_judge(folder)),
        Parser("record of acceptance tests", _attempts, _attempts_judge(folder)),
        Parser("codes of the page", lambda c: json_file(c, {"operator": "$argon2id$x"}),
               _into(codes.path, codes.roles_set, SettingsError)),
        Parser("memory of the alerts", lambda c: json_file(c, MEMORY), _memory_judge(folder / "memory.json")),
        Parser("simulated world", lambda c: json_file(c, world), _world_judge(folder / "world.json")),
        Parser("tokens of a collector", lambda c: json_file(c, TOKENS),
               _into(tokens, lambda: Tokens(tokens).chamber_of("x"), SettingsError)),
        Parser("manifest of a parcel", _manifest, _manifest_judge),
        Parser("table of a parcel", lambda c: table if c.random() < 0.05 else bent_bytes(c, table),
               _table_judge(folder / "readings.parquet")),
        Parser("cells parted by commas, and their procedures", _readings, _readings_judge(folder / "cells.csv")),
        Parser("picture", lambda c: bent_bytes(c, c.choice(pictures)), _picture_judge),
    ]  # fmt: skip
