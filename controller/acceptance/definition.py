"""The acceptance tests of a chamber that was just built: their one definition. hardware/BENCH.md is written from it.

A test is *watched* (the board or the computer's own pins must report what the technician does), *judged from records*
(a bench run's journal, with what was weighed or timed), or *asked* (only the technician's word stands behind it); the
record says which. Nothing here turns the pump: water moves only in a run, under the law of host and board.
"""

from dataclasses import dataclass

from firmware_bridge import interlocks, limits

SOAK_DAYS = 7.0
SOAK_GAP_S_MAX = 300.0
LEASE_STOOD_S_MAX = limits.LEASE_MS_MAX / 1000 + 1.0  # a person's hand on the stop-watch included
WATCHED, RECORDS, ASKED = "watched", "judged from records", "asked"


@dataclass(frozen=True)
class Question:
    """What the technician is asked: yes or no, or a number with its unit and, where it alone decides, its bound."""

    key: str
    words: str
    unit: str = ""
    threshold: float | None = None

    @property
    def is_number(self) -> bool:
        return self.unit != ""


@dataclass(frozen=True)
class AcceptanceTest:
    """One test. ``trip_reason`` is what the board must report, ``local`` what the computer's own pin must show."""

    name: str
    title: str
    evidence: str
    do: tuple[str, ...]
    passes: str
    questions: tuple[Question, ...] = ()
    trip_reason: str = ""
    local: str = ""
    caution: str = ""


_BENCH_RUN = (
    "Start a run of config/bench.plan.toml in the folder runs/bench-{name}, with your chamber file, and sign "
    "cup-under-tube."
)

TESTS: tuple[AcceptanceTest, ...] = (
    AcceptanceTest(
        "look", "Look before power", ASKED,
        ("Pull the supply's plug. Walk along every cable with WIRING.md in hand.",),
        "every answer is yes",
        (
            Question("supply", "Is the supply closed, certified, extra-low voltage, and no mains wire in the chamber?"),
            Question("residual", "Did the residual-current device of its socket trip on its test button?"),
            Question("loops", "Does every cable hang in a drip loop, electronics above the highest water level?"),
            Question("tray", "Does the tray hold more than the full reservoir?"),
            Question("continuity", "Did every wire of the three sheets ring through, and no pin against 24 V?"),
        ),
        caution="Only the supply's plug carries mains. Do not open the supply.",
    ),
    AcceptanceTest(
        "leak-rope", "Leak rope, wet", WATCHED,
        ("Lay a wet cloth with the water you will use across the middle of the leak rope B3.",),
        "the board reports leak_wet", trip_reason=interlocks.LEAK_WET,
    ),
    AcceptanceTest(
        "leak-rope-cut", "Leak rope, wire cut", WATCHED, ("Unplug B3 at the board.",),
        "the board reports leak_wire_open", trip_reason=interlocks.LEAK_WIRE_OPEN,
    ),
    AcceptanceTest(
        "tray-float", "The computer's own leak float", WATCHED, ("Lift the float B6 in the tray by 5 mm.",),
        "the computer's pin reads wet", local="leak",
    ),
    AcceptanceTest(
        "float", "Overfill float, raised", WATCHED, ("Raise the float B4 alone, B7 left hanging.",),
        "the board reports overfill_float_up", trip_reason=interlocks.OVERFILL_FLOAT_UP,
    ),
    AcceptanceTest(
        "float-cut", "Overfill float, wire cut", WATCHED, ("Unplug B4 at the board.",),
        "the board reports float_wire_open", trip_reason=interlocks.FLOAT_WIRE_OPEN,
    ),
    AcceptanceTest(
        "float-supply", "Second float breaks the pump's supply", WATCHED,
        ("Raise the float B7 alone, B4 left hanging. Measure between VMOT of A3 and 0 V after five seconds.",),
        "the computer's pin reads wet and VMOT is at most 1 V",
        (Question("vmot_v", "Volts at VMOT", "V", 1.0),), local="overfill_float",
    ),
    AcceptanceTest(
        "reservoir", "Reservoir float", WATCHED, ("Lower the reservoir's float B5 as an empty reservoir would.",),
        "the board reports reservoir_empty", trip_reason=interlocks.RESERVOIR_EMPTY,
    ),
    AcceptanceTest(
        "stop", "Emergency stop", ASKED,
        ("Press S1. Measure at VMOT of A3 and at the supply input of A4, against 0 V, after five seconds.",),
        "both are at most 1 V, the computer stays on, S1 stays pressed",
        (
            Question("vmot_v", "Volts at VMOT", "V", 1.0),
            Question("lamp_v", "Volts at the lamp driver's input", "V", 1.0),
            Question("computer", "Is the computer still on, and does the button stay pressed?"),
        ),
    ),
    AcceptanceTest(
        "lamp-dark", "Lamp dark without the computer", ASKED,
        ("With the lamp driver supplied, stop the service and unplug the computer.",),
        "the lamp stays dark",
        (Question("dark", "Is the lamp dark while the computer is off and while it starts?"),),
        caution="Do not look into the lamp; look at the wall.",
    ),
    AcceptanceTest(
        "lamp-thermal", "Lamp's thermal cut-out", ASKED,
        (
            "Warm the cut-out F5 alone, taken off the heat sink, in a closed bag in hot water, a thermometer beside "
            "it; lamp on at low duty.",
            "Let it cool before you reset it by hand.",
        ),
        "it opens at or below 75 C and stays open when cold until it is reset",
        (
            Question("opened_c", "Temperature at which the lamp went out", "C", 75.0),
            Question("latched", "Did the lamp stay out, when cold, until the reset was pressed?"),
        ),
        caution="Hot water scalds: gloves, and no children at this test. The bag keeps water off 24 V.",
    ),
    AcceptanceTest(
        "lease", "The controller falls silent in mid dose", RECORDS,
        (
            _BENCH_RUN,
            "While the pump turns, in another terminal: kill -STOP and the process id of wardian run; stop-watch until "
            "the pump stands. Then kill -CONT and the same id, and let it answer; clear lease_lost with "
            "wardian clear; end the run with ctrl-C.",
        ),
        f"the pump stands within {LEASE_STOOD_S_MAX:.0f} s and the run records the trip lease_lost",
        (Question("stood_s", "Seconds from the signal until the pump stood", "s", LEASE_STOOD_S_MAX),),
    ),
    AcceptanceTest(
        "delivery", "Delivery against the balance, and its run limit", RECORDS,
        (
            _BENCH_RUN,
            "Stop-watch the third portion. After it, end the run with ctrl-C and weigh the cup: mass of water alone.",
        ),
        "mass and records agree within twice their standard uncertainty, and no portion turned longer than its limit",
        (
            Question("water_g", "Mass of the water in the cup", "g"),
            Question("turned_s", "Seconds that the pump turned for the third portion", "s"),
        ),
    ),
    AcceptanceTest(
        "power-cut", "Power cut in mid dose", RECORDS,
        (
            _BENCH_RUN,
            "In the middle of the second portion pull the supply's plug; wait a minute; put it in again.",
            "Start the same run again with the same words; when the third portion is given, end it and weigh the cup.",
        ),
        "the cut dose is closed as uncertain, none is repeated, and the cup holds no more than was recorded at most",
        (Question("water_g", "Mass of the water in the cup", "g"),),
        caution="Pull the plug of the certified supply, with dry hands; cut no wire.",
    ),
    AcceptanceTest(
        "soak", "A week without hands", RECORDS,
        (
            "Fill the bed with the medium, sow nothing, and start your own plan in the folder runs/bench-{name}.",
            "Sign its steps as they fall due. Leave it for seven days; touch nothing else.",
        ),
        f"{SOAK_DAYS:.0f} days of readings, no gap above {SOAK_GAP_S_MAX / 60:.0f} min, no trip, every dose complete",
        (Question("dry", "Is the tray dry, and no cable, plug or box warm, wet or corroded?"),),
    ),
)  # fmt: skip
BY_NAME = {test.name: test for test in TESTS}
