"""Draws the wiring: ``python -m hardware.drawings.draw [FOLDER]`` writes one SVG for each sheet.

What is written here is one of four places that name a pin; tests/test_wiring.py holds it against the table in
hardware/WIRING.md, the example chamber files and the board's program.
"""

import sys
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import schemdraw
from schemdraw import elements as elm

HERE = Path(__file__).parent
BLUE, RED = "#1f5a8a", "#a33"  # water side, supply

schemdraw.use("svg")
schemdraw.svgconfig.text = "text"  # letters stay letters: a test reads them, and so can a search


def new_sheet(title: str, at: tuple[float, float], right: float) -> schemdraw.Drawing:
    """An empty sheet with its title; ``right`` keeps room for the words at its right edge."""
    sheet = schemdraw.Drawing(show=False)
    sheet.config(fontsize=11, font="DejaVu Sans, sans-serif", lw=1.3, unit=2.4, margin=0.6, bgcolor="white")
    letters(sheet, at, title, "left", 15)
    sheet += elm.Line(color="white").at((right, at[1])).to((right + 0.01, at[1]))
    return sheet


def letters(
    sheet: schemdraw.Drawing, at: tuple[float, float], text: str, halign: str, fontsize: int, color: str = "black"
) -> None:
    """Letters exactly there: schemdraw puts those of an element without a body 0.1 to the right and above."""
    label = elm.Label().right().at((at[0] - 0.1, at[1] - 0.1))
    sheet += label.label(text, fontsize=fontsize, halign=halign, valign="center", color=color)


def note(sheet: schemdraw.Drawing, at: tuple[float, float], *lines: str) -> None:
    for place, line in enumerate(lines):
        x, y = at
        letters(sheet, (x, y - 0.5 * place), line, "left", 10, "#444")


def fuse_row(sheet: schemdraw.Drawing, y: float, name: str, rating: str) -> tuple[float, float]:
    """A fuse from the supply's bar; answers where its wire ends."""
    sheet += elm.Dot().at((4, y))
    sheet += elm.Fuse().at((4, y)).right().length(2.4).label(f"{name}  {rating}", fontsize=11)
    return 6.4, y


def box(sheet: schemdraw.Drawing, corner: tuple[float, float], size: tuple[float, float], *lines: str) -> None:
    """A part as a box with its name inside."""
    (x, y), (width, height) = corner, size
    sheet += elm.Rect(corner1=(0, 0), corner2=(width, height)).at((x, y)).right()
    for place, line in enumerate(lines):
        drop = (place - (len(lines) - 1) / 2) * 0.5
        letters(sheet, (x + width / 2, y + height / 2 - drop), line, "center", 12 if place == 0 else 10)


def wire(sheet: schemdraw.Drawing, *points: tuple[float, float]) -> None:
    for first, second in pairwise(points):
        sheet += elm.Line().at(first).to(second)


def ground(sheet: schemdraw.Drawing, at: tuple[float, float]) -> None:
    sheet += elm.Ground().at(at)


def to_ground(sheet: schemdraw.Drawing, at: tuple[float, float]) -> None:
    """The 0 V of a box, from the middle of its lower edge."""
    wire(sheet, at, (at[0], at[1] - 0.3))
    ground(sheet, (at[0], at[1] - 0.3))


def words(sheet: schemdraw.Drawing, at: tuple[float, float], text: str, halign: str = "left") -> None:
    letters(sheet, at, text, halign, 10)


def supply() -> schemdraw.Drawing:
    """Everything that carries power: one certified supply, a fuse for each branch, what can break a branch."""
    sheet = new_sheet("1  Supply: 24 V DC, extra-low voltage", (0, 2.4), 20.5)
    box(sheet, (0, -1.6), (3, 2.6), "G1", "certified supply", "24 V DC, SELV", "5 A")
    wire(sheet, (3, 0), (4, 0), (4, -9))
    words(sheet, (3.05, 0.35), "+24 V")
    wire(sheet, (1.5, -1.6), (1.5, -2.2))
    ground(sheet, (1.5, -2.2))
    words(sheet, (1.9, -2.2), "0 V")

    # pump branch: fuse, emergency stop, relay contact, driver
    x, y = fuse_row(sheet, 0, "F1", "2 A slow")
    sheet += elm.Switch(nc=True).at((x, y)).right().length(2.6).label("S1a", fontsize=11)
    sheet += elm.Switch().at((x + 2.6, y)).right().length(2.6).label("K1.1", fontsize=11)
    wire(sheet, (x + 5.2, y), (x + 6.6, y))
    box(sheet, (x + 6.6, y - 0.9), (3, 1.8), "A3", "stepper driver", "VMOT")
    to_ground(sheet, (x + 8.1, y - 0.9))
    words(sheet, (x + 1.3, y - 0.55), "emergency stop", "center")
    words(sheet, (x + 3.9, y - 0.55), "relay contact", "center")
    words(sheet, (x + 9.9, y), "100 uF from VMOT to 0 V,")
    words(sheet, (x + 9.9, y - 0.5), "beside the driver")

    # relay branch: the second overfill float holds the relay
    x, y = fuse_row(sheet, -3, "F2", "0.5 A")
    sheet += elm.Switch(nc=True).at((x, y)).right().length(2.6).label("B7", fontsize=11)
    words(sheet, (x + 1.3, y - 0.55), "overfill float, closed while it hangs", "center")
    wire(sheet, (x + 2.6, y), (x + 6.6, y))
    box(sheet, (x + 6.6, y - 0.9), (3, 1.8), "K1", "relay coil,", "diode across")
    to_ground(sheet, (x + 8.1, y - 0.9))

    # lamp branch: emergency stop, thermal cut-out, driver, lamp
    x, y = fuse_row(sheet, -6, "F3", "3 A slow")
    sheet += elm.Switch(nc=True).at((x, y)).right().length(2.6).label("S1b", fontsize=11)
    sheet += elm.Switch(nc=True).at((x + 2.6, y)).right().length(2.6).label("F5", fontsize=11)
    words(sheet, (x + 1.3, y - 0.55), "emergency stop", "center")
    words(sheet, (x + 3.9, y - 0.55), "cut-out 70 C,", "center")
    words(sheet, (x + 3.9, y - 1.05), "reset by hand", "center")
    wire(sheet, (x + 5.2, y), (x + 6.6, y))
    box(sheet, (x + 6.6, y - 0.9), (3, 1.8), "A4", "lamp driver", "constant current")
    to_ground(sheet, (x + 8.1, y - 0.9))
    for side in (-0.35, 0.35):
        wire(sheet, (x + 9.6, y + side), (x + 10.6, y + side))
    box(sheet, (x + 10.6, y - 0.6), (1.8, 1.2), "E1", "lamp")

    # computer branch
    x, y = fuse_row(sheet, -9, "F4", "2 A slow")
    wire(sheet, (x, y), (x + 1.2, y))
    box(sheet, (x + 1.2, y - 0.8), (3, 1.6), "G2", "24 V to 5 V, 3 A")
    wire(sheet, (x + 4.2, y), (x + 6.6, y))
    words(sheet, (x + 5.4, y + 0.3), "5 V", "center")
    box(sheet, (x + 6.6, y - 0.8), (3, 1.6), "A1", "computer")
    to_ground(sheet, (x + 2.7, y - 0.8))
    to_ground(sheet, (x + 8.1, y - 0.8))
    note(
        sheet,
        (0, -11.6),
        "S1a and S1b are two opening contacts of one emergency stop that stays pressed. It leaves the computer alive:"
        " records go on.",
        "Contacts are drawn without power, bed dry.",
        "K1 drops, and the pump stands, when B7 floats up, its wire is cut or F2 blows.",
        "All 0 V meet at one point, at G1. No mains in the chamber.",
    )
    return sheet


def probe_row(
    sheet: schemdraw.Drawing, y: float, label: str, pull_kohm: int, name: str, words_: str, shape: str
) -> None:
    """An analogue input at the board's right edge: pull-up, cable, probe with its resistor at the far end."""
    filtered_input(sheet, y, label)
    wire(sheet, (8.6, y), (12.0, y))
    sheet += elm.Dot().at((9.4, y))
    sheet += elm.Resistor().at((9.4, y)).up().length(1.4).label(f"{pull_kohm} k", loc="bottom", fontsize=10)
    sheet += elm.Vdd().at((9.4, y + 1.4)).label("3.3 V", fontsize=10)
    words(sheet, (11.2, y + 0.3), name, "center")
    if shape == "across":  # a resistor at the far end, what shortens it beside it
        wire(sheet, (12.0, y), (14.8, y))
        sheet += elm.Dot().at((12.0, y))
        sheet += elm.Resistor().at((12.0, y)).down().length(1.5).label(f"{pull_kohm} k", loc="top", fontsize=10)
        sheet += elm.Switch().at((14.8, y)).down().length(1.5)
        sheet += elm.Dot().at((12.0, y - 1.5))
    else:  # in series: contact closed while there is water
        sheet += elm.Resistor().at((12.0, y)).right().length(2.0).label("3.3 k", fontsize=10)
        wire(sheet, (14.0, y), (14.8, y))
        sheet += elm.Switch(nc=True).at((14.8, y)).down().length(1.5)
    wire(sheet, (14.8, y - 1.5), (12.0, y - 1.5))
    ground(sheet, (12.0, y - 1.5))
    first, second = words_.split("|")
    words(sheet, (15.7, y - 0.5), first)
    words(sheet, (15.7, y - 1.0), second)


def filtered_input(sheet: schemdraw.Drawing, y: float, label: str) -> None:
    """An input of the converter with its series resistor and capacitor, up to x = 8.6."""
    words(sheet, (5.8, y), label, "right")
    wire(sheet, (6, y), (6.7, y))
    sheet += elm.Dot().at((6.7, y))
    sheet += elm.Capacitor().at((6.7, y)).down().length(1.2).label("100 nF", loc="bottom", fontsize=10)
    ground(sheet, (6.7, y - 1.2))
    sheet += elm.Resistor().at((6.7, y)).right().length(1.9).label("1 k", fontsize=10)


def board() -> schemdraw.Drawing:
    """The microcontroller: probes in, motor out."""
    sheet = new_sheet("2  Board: microcontroller A2, probes and pump", (-8.5, 2.9), 20.5)
    box(sheet, (0, -14.6), (6, 16.2), "")
    letters(sheet, (3, 1.1), "A2  microcontroller", "center", 12)
    words(sheet, (3, 0.6), "3.3 V, 12-bit converter", "center")
    probe_row(sheet, -1.2, "GP26 leak", 100, "B3", "leak rope under the tray:|water bridges it", "across")
    probe_row(sheet, -5.0, "GP27 float", 10, "B4", "overfill float in the bed:|closes when it rises", "across")
    probe_row(sheet, -8.8, "GP28 reservoir", 10, "B5", "reservoir float:|closed while there is water", "series")
    filtered_input(sheet, -12.6, "GP29 moisture")
    wire(sheet, (8.6, -12.6), (12.0, -12.6))
    box(sheet, (12.0, -13.5), (3.6, 1.8), "B2", "capacitive moisture", "out 0 to 3 V")
    wire(sheet, (15.6, -12.2), (16.4, -12.2))
    words(sheet, (16.5, -12.2), "3.3 V")
    to_ground(sheet, (13.8, -13.5))

    wires = (
        (-2.2, "3.3 V out", "3.3 V"),
        (-3.2, "GP2 step", "STEP"),
        (-4.2, "GP3 direction", "DIR"),
        (-5.2, "GP4 enable", "ENABLE"),
        (-7.6, "0 V", "0 V"),
    )
    for y, label, pin in wires:
        words(sheet, (0.2, y), label)
        wire(sheet, (0, y), (-4.4, y))
        words(sheet, (-4.6, y), pin, "right")
    sheet += elm.Dot().at((-1.4, -5.2))
    sheet += elm.Resistor().at((-1.4, -5.2)).down().length(1.5).label("10 k", loc="top", fontsize=10)
    wire(sheet, (-1.4, -6.7), (-2.4, -6.7))
    words(sheet, (-2.5, -6.7), "3.3 V", "right")
    sheet += elm.Dot().at((-2.2, -7.6))
    ground(sheet, (-2.2, -7.6))
    box(sheet, (-8.4, -8.2), (4, 6.8), "")
    letters(sheet, (-8.2, -1.9), "A3", "left", 12)
    words(sheet, (-8.2, -2.4), "stepper")
    words(sheet, (-8.2, -2.9), "driver")
    words(sheet, (-8.2, -4.7), "VMOT")
    words(sheet, (-8.2, -5.2), "from K1.1")
    wire(sheet, (-6.4, -8.2), (-6.4, -9.4))
    words(sheet, (-6.2, -8.8), "4 wires")
    box(sheet, (-8.0, -11.0), (3.2, 1.6), "M1", "peristaltic pump")
    words(sheet, (0.2, -10.6), "GP5 bench")
    wire(sheet, (0, -10.6), (-1.4, -10.6))
    sheet += elm.Switch().at((-3.4, -10.6)).right().length(2.0).label("X1 jumper", fontsize=10)
    wire(sheet, (-3.4, -10.6), (-3.4, -11.0))
    ground(sheet, (-3.4, -11.0))
    words(sheet, (0.2, -13.6), "USB")
    wire(sheet, (0, -13.6), (-4.4, -13.6))
    words(sheet, (-4.6, -13.6), "data and 5 V from A1", "right")
    note(
        sheet,
        (-8.4, -15.7),
        "Resistors at B3, B4 and B5 sit at the far end of the cable, inside the probe: a cut cable then reads unlike"
        " a dry probe.",
        "The 10 k at GP4 keeps the motor off while A2 starts. All four inputs of the converter have 1 k and 100 nF at"
        " the board.",
    )
    return sheet


def computer() -> schemdraw.Drawing:
    """The single-board computer and what hangs on its own pins."""
    sheet = new_sheet("3  Computer: single-board computer A1 (Skerry Light's pins)", (-7.5, 2.9), 18.0)
    box(sheet, (0, -11.2), (6, 12.8), "")
    letters(sheet, (3, 1.1), "A1  computer", "center", 12)
    words(sheet, (3, 0.6), "3.3 V pins, never 5 V", "center")
    # left: I2C and USB
    for y, label, pin in ((-1.6, "GPIO2 i2c_data", "SDA"), (-2.4, "GPIO3 i2c_clock", "SCL")):
        words(sheet, (0.2, y), label)
        wire(sheet, (0, y), (-3.0, y))
        words(sheet, (-3.2, y), pin, "right")
    box(sheet, (-7.4, -4.0), (4.4, 3.2), "")
    letters(sheet, (-7.2, -1.3), "B1", "left", 12)
    words(sheet, (-7.2, -2.0), "SHT31-D, air")
    words(sheet, (-7.2, -3.2), "3.3 V, 0 V, address 0x44")
    words(sheet, (0.2, -6.0), "USB")
    wire(sheet, (0, -6.0), (-3.0, -6.0))
    box(sheet, (-7.4, -6.8), (4.4, 1.6), "A2", "microcontroller")
    words(sheet, (0.2, -9.4), "5 V")
    wire(sheet, (0, -9.4), (-3.0, -9.4))
    words(sheet, (-3.2, -9.4), "from G2", "right")
    words(sheet, (0.2, -10.4), "0 V")
    wire(sheet, (0, -10.4), (-3.0, -10.4))
    ground(sheet, (-3.0, -10.4))
    # right: pins
    words(sheet, (5.8, -0.6), "GPIO18 lamp", "right")
    wire(sheet, (6, -0.6), (10.6, -0.6))
    sheet += elm.Dot().at((8.0, -0.6))
    sheet += elm.Resistor().at((8.0, -0.6)).down().length(1.4).label("10 k", loc="top", fontsize=10)
    ground(sheet, (8.0, -2.0))
    box(sheet, (10.6, -1.5), (3.6, 1.8), "A4 lamp driver", "dimming input,", "high = on")
    for y, label, name, far in (
        (-4.0, "GPIO5 leak", "B6", "float in the tray, closed while dry"),
        (-5.8, "GPIO6 overfill_float", "K1.2", "relay contact: closed while K1 holds"),
        (-9.6, "GPIO24 acknowledge_button", "S2", "button, closes when pressed"),
    ):
        words(sheet, (5.8, y), label, "right")
        wire(sheet, (6, y), (8.0, y))
        sheet += elm.Switch(nc=name == "B6").at((8.0, y)).right().length(2.4).label(name, fontsize=11)
        wire(sheet, (10.4, y), (11.0, y), (11.0, y - 0.3))
        ground(sheet, (11.0, y - 0.3))
        words(sheet, (11.6, y), far)
    words(sheet, (5.8, -7.8), "GPIO23 status_lamp", "right")
    sheet += elm.Resistor().at((6, -7.8)).right().length(2.0).label("330", fontsize=10)
    sheet += elm.LED().at((8.0, -7.8)).right().length(2.4).label("P1", loc="bottom", fontsize=11)
    wire(sheet, (10.4, -7.8), (11.0, -7.8), (11.0, -8.1))
    ground(sheet, (11.0, -8.1))
    words(sheet, (11.6, -7.8), "status lamp")
    note(
        sheet,
        (-7.4, -12.1),
        "A cut wire at B6 or K1.2 reads as wet: the computer's own pull-up lifts the pin. The 10 k at GPIO18 holds the"
        " lamp off while A1 starts.",
    )
    return sheet


SHEETS = {"supply": supply, "board": board, "computer": computer}


def draw(folder: Path) -> list[Path]:
    """Write every sheet into ``folder``."""
    written = []
    for name, make in SHEETS.items():
        ElementTree.register_namespace("", "http://www.w3.org/2000/svg")  # one table for all libraries of a process
        path = folder / f"{name}.svg"
        path.write_bytes(make().get_imagedata("svg").strip() + b"\n")
        written.append(path)
    return written


if __name__ == "__main__":
    draw(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE)
