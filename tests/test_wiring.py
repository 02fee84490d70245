"""Drawing, table, chamber files and the board's program name the same pins; the drawings are what the code draws."""

import ast
import re
import shutil
from pathlib import Path

import pytest

from controller.settings import read_chamber
from firmware_bridge import limits
from hardware.drawings import draw

ROOT = Path(__file__).parent.parent
DRAWINGS = ROOT / "hardware" / "drawings"
WIRING = (ROOT / "hardware" / "WIRING.md").read_text()
COLUMNS = {"skerry-light": 0, "northhaven": 1}
CONVERTER_INPUTS = {26, 27, 28, 29}  # RP2040 data sheet, section 4.9 (from memory)


def drawn(root, sheet, prefix):
    """name -> pin, from the letters of a sheet."""
    svg = (root / "hardware/drawings" / f"{sheet}.svg").read_text()
    letters = re.sub(r"<[^>]+>", "\n", svg).replace("\xa0", " ")
    return {name: int(pin) for pin, name in re.findall(rf"^\s*{prefix}(\d+) (\w+)\s*$", letters, re.MULTILINE)}


def board_table(root):
    page = (root / "hardware/WIRING.md").read_text()
    return {name: int(pin) for pin, name in re.findall(r"^\| GP(\d+) \| (\w+) \|", page, re.MULTILINE)}


def computer_table(root, column):
    page = (root / "hardware/WIRING.md").read_text()
    rows = re.findall(r"^\| (\w+) \| (\w+) \| (\w+) \|", page.split("## Sheet 3")[1], re.MULTILINE)
    return {name: int(pins[column], 0) for name, *pins in rows if pins[column][0].isdigit()}


def board_program(root):
    """Constants of main.py, which imports ``machine`` and so cannot be imported here."""
    found = {}
    for node in ast.parse((root / "firmware_bridge/main.py").read_text()).body:
        if isinstance(node, ast.Assign):
            targets = node.targets[0].elts if isinstance(node.targets[0], ast.Tuple) else node.targets
            values = node.value.elts if isinstance(node.value, ast.Tuple) else [node.value]
            for target, value in zip(targets, values, strict=True):
                if target.id.endswith("_PIN") and isinstance(value, ast.Constant) and value.value is not None:
                    found[target.id.removesuffix("_PIN").lower()] = value.value
    return found


def chamber_file(root, name):
    chamber = read_chamber(root / "config" / f"{name}.chamber.toml")
    buses = {1: {"i2c_data": 2, "i2c_clock": 3}}  # bus 1 of the common 40-pin header
    bus = buses.get(chamber.air_sensor.i2c_bus, {})
    return vars(chamber.pins) | bus | {"i2c_address": chamber.air_sensor.i2c_address}


def disagreements(root):
    """Which of the places that name a pin say something else than the others."""
    found = []
    if not board_program(root) == board_table(root) == drawn(root, "board", "GP"):
        found.append("board")
    found += [name for name in COLUMNS if chamber_file(root, name) != computer_table(root, COLUMNS[name])]
    shown = {name: pin for name, pin in chamber_file(root, "skerry-light").items() if name != "i2c_address"}
    if drawn(root, "computer", "GPIO") != shown:
        found.append("computer")
    return found


def test_drawing_table_chamber_files_and_board_program_name_the_same_pins():
    assert len(board_program(ROOT)) == 8
    assert len(drawn(ROOT, "computer", "GPIO")) == 7
    assert {path.name.split(".")[0] for path in (ROOT / "config").glob("*.chamber.toml")} == set(COLUMNS)
    assert disagreements(ROOT) == []
    assert "address 0x44" in (DRAWINGS / "computer.svg").read_text().replace("\xa0", " ")


FREE_PIN = "17"  # named nowhere


def one_pin_changed():
    """(file, pattern whose end is the number, name) for every number of a pin in every place."""
    for name, pin in board_program(ROOT).items():
        yield "firmware_bridge/main.py", rf"(?m)^([A-Z_, ]*\b{name.upper()}_PIN\b[^#\n]*?\b){pin}\b", name
        yield "hardware/WIRING.md", rf"(\| GP)\d+(?= \| {name} \|)", name
        yield "hardware/drawings/board.svg", rf"(GP)\d+(?=[ \xa0]{name}<)", name
    for name in drawn(ROOT, "computer", "GPIO"):
        yield "hardware/drawings/computer.svg", rf"(GPIO)\d+(?=[ \xa0]{name}<)", name
        yield "hardware/WIRING.md", rf"(\| {name} \| )\d+", name
        yield "hardware/WIRING.md", rf"(\| {name} \| \d+ \| )\d+", name
    for chamber in COLUMNS:
        for name in vars(read_chamber(ROOT / "config" / f"{chamber}.chamber.toml").pins):
            yield f"config/{chamber}.chamber.toml", rf"(?m)^({name} *= *)\d+", name


@pytest.fixture(scope="module")
def places(tmp_path_factory):
    copied = tmp_path_factory.mktemp("places")
    for folder in ("config", "hardware/drawings", "firmware_bridge"):
        shutil.copytree(ROOT / folder, copied / folder, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "hardware/WIRING.md", copied / "hardware")
    return copied


@pytest.mark.parametrize(("file", "pattern", "name"), list(one_pin_changed()), ids=lambda value: value.split("/")[-1])
def test_one_pin_changed_in_one_place_alone_is_noticed(places, file, pattern, name):
    text = (ROOT / file).read_text()
    changed, count = re.subn(pattern, rf"\g<1>{FREE_PIN}", text)
    assert count == 1, f"{name} is named once in {file}"
    (places / file).write_text(changed)
    try:
        assert disagreements(places)
    finally:
        (places / file).write_text(text)


def test_analogue_probes_are_on_inputs_of_the_converter():
    table = board_table(ROOT)

    assert {table[name] for name in ("leak", "float", "reservoir", "moisture")} == CONVERTER_INPUTS


@pytest.mark.parametrize("sheet", sorted(draw.SHEETS))
def test_a_sheet_is_what_the_code_draws(sheet, tmp_path):
    draw.draw(tmp_path)

    assert (tmp_path / f"{sheet}.svg").read_bytes() == (DRAWINGS / f"{sheet}.svg").read_bytes()


def counts(up_kohm, down_kohm):
    """What a divider from 3.3 V reads, by Ohm's law."""
    return limits.COUNT_MAX * down_kohm // (up_kohm + down_kohm)


def row(name):
    return next(line for line in WIRING.splitlines() if re.match(rf"\| GP\d+ \| {name} \|", line))


def resistors(name):
    return [float(value) for value in re.findall(r"([\d.]+) k\b", row(name))]


@pytest.mark.parametrize("name", ["leak", "float", "reservoir"])
def test_a_whole_probe_reads_what_the_table_says_and_no_fault(name):
    from firmware_bridge.interlocks import probe_fault

    reads = int(counts(*resistors(name)))

    assert f"| {reads} counts |" in row(name)
    assert probe_fault(*{**{"leak": 2000, "float": 2000, "reservoir": 1000}, name: reads}.values()) is None


def test_water_of_108_k_trips_the_leak_rope_and_of_109_k_does_not():
    up, end = resistors("leak")

    def bridged(water_kohm):
        return counts(up, end * water_kohm / (end + water_kohm))

    assert bridged(108) < limits.WET_BELOW_COUNTS <= bridged(109)
    assert "bridges it with 108 k or less" in WIRING


def test_every_part_on_a_sheet_is_in_the_parts_list():
    parts = (ROOT / "hardware" / "PARTS.md").read_text()
    letters = "\n".join(re.sub(r"<[^>]+>", "\n", path.read_text()) for path in DRAWINGS.glob("*.svg"))
    on_sheets = set(re.findall(r"\b([ABEFGKMPSX]\d)(?:\.\d|[ab])?\b", letters))
    listed = set(re.findall(r"^\| ([A-Z]\d) \|", parts, re.MULTILINE))

    assert len(on_sheets) > 20
    assert on_sheets == listed
