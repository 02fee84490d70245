"""Drawing, table, chamber files and the board's program name the same pins; the drawings are what the code draws."""

import ast
import re
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


def drawn(sheet, prefix):
    """name -> pin, from the letters of a sheet."""
    svg = (DRAWINGS / f"{sheet}.svg").read_text()
    letters = re.sub(r"<[^>]+>", "\n", svg).replace("\xa0", " ")
    return {name: int(pin) for pin, name in re.findall(rf"^\s*{prefix}(\d+) (\w+)\s*$", letters, re.MULTILINE)}


def board_table():
    return {name: int(pin) for pin, name in re.findall(r"^\| GP(\d+) \| (\w+) \|", WIRING, re.MULTILINE)}


def computer_table(column):
    rows = re.findall(r"^\| (\w+) \| (\w+) \| (\w+) \|", WIRING.split("## Sheet 3")[1], re.MULTILINE)
    return {name: int(pins[column], 0) for name, *pins in rows if pins[column][0].isdigit()}


def board_program():
    """Constants of main.py, which imports ``machine`` and so cannot be imported here."""
    found = {}
    for node in ast.parse((ROOT / "firmware_bridge" / "main.py").read_text()).body:
        if isinstance(node, ast.Assign):
            targets = node.targets[0].elts if isinstance(node.targets[0], ast.Tuple) else node.targets
            values = node.value.elts if isinstance(node.value, ast.Tuple) else [node.value]
            for target, value in zip(targets, values, strict=True):
                if target.id.endswith("_PIN") and isinstance(value, ast.Constant) and value.value is not None:
                    found[target.id.removesuffix("_PIN").lower()] = value.value
    return found


def chamber_file(name):
    chamber = read_chamber(ROOT / "config" / f"{name}.chamber.toml")
    buses = {1: {"i2c_data": 2, "i2c_clock": 3}}  # bus 1 of the common 40-pin header
    return vars(chamber.pins) | buses[chamber.air_sensor.i2c_bus] | {"i2c_address": chamber.air_sensor.i2c_address}


def test_the_boards_pins_agree_in_program_table_and_drawing():
    assert len(board_program()) == 8
    assert board_program() == board_table() == drawn("board", "GP")


@pytest.mark.parametrize("name", sorted(path.name.split(".")[0] for path in (ROOT / "config").glob("*.chamber.toml")))
def test_the_computers_pins_agree_in_chamber_file_and_table(name):
    assert chamber_file(name) == computer_table(COLUMNS[name])


def test_the_sheet_of_the_computer_shows_skerry_light():
    wanted = {name: pin for name, pin in chamber_file("skerry-light").items() if name != "i2c_address"}

    assert drawn("computer", "GPIO") == wanted
    assert "address 0x44" in (DRAWINGS / "computer.svg").read_text().replace("\xa0", " ")


def test_analogue_probes_are_on_inputs_of_the_converter():
    table = board_table()

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
