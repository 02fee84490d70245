"""``play(script)``: what a board's program does in a world that a script plays, in virtual time, each time the same."""

import itertools
import json
import subprocess
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from firmware_bridge import limits, messages
from firmware_bridge.board import fresh_saved_line
from tests.stand import machine
from tests.stand.interpreter import ROOT, STAND, environment, micropython
from tests.stand.stand import DRY

BOARD_ID, JOURNAL_ID = 815, 4711
PROGRAM = ROOT / "firmware_bridge" / "main.py"
DEADLINE_S = 60.0  # long, since a computer may be busy: a play takes a second or two
US_PER_S = 1_000_000
NAMES = ("boots", "errors", "pins", "enable", "pulses", "said", "saved")
LOOK_US = 20  # what a look at a clock or at the line takes, about as on a microcontroller


@dataclass
class Script:
    """What happens round a board, and when. A new one is dry, its board commissioned."""

    end_s: float
    start_us: int = 0  # what the counter behind all ticks shows at first
    costs_us: Mapping[str, int] = field(default_factory=dict)  # of look, probe, encode, save, and a byte: read, write
    jumper_on: bool = False
    files: dict[str, str] = field(default_factory=lambda: {"saved": fresh_saved_line(BOARD_ID).decode()})
    happenings: list[tuple[int, str, Any]] = field(default_factory=list)
    session: int = 0  # of the last greeting, as the board will number it
    number: int = 0  # of the host's last message in it
    hello_number: int = 0

    def at(self, at_s: float, what: str, value: Any = True) -> None:
        self.happenings.append((round(at_s * US_PER_S), what, value))

    def probes(self, at_s: float, **counts: int) -> None:
        """Counts of leak, float, reservoir and moisture; those not named are dry."""
        self.at(at_s, "probes", list({**DRY, **counts}.values()))

    def says(self, at_s: float, kind: str, *values: str | int | None) -> None:
        """The host says a message under its next number."""
        self.number += 1
        self.at(at_s, "host", messages.encode(kind, self.session, self.number, *values).decode())

    def greets(self, at_s: float) -> None:
        """The host begins a conversation in the board's first life of this play."""
        self.hello_number += 1
        saved = messages.decode(self.files.get("saved", "").encode())
        boots = 1 if saved is None else 1 + messages.number(saved, "boots")
        self.session = boots * messages.SESSIONS_PER_BOOT + self.hello_number
        self.number = 0
        hello = (limits.PROTOCOL, messages.LIMITS_CHECKSUM, JOURNAL_ID, self.hello_number)
        self.at(at_s, "host", messages.encode("hello", *hello).decode())

    def doses(self, at_s: float, dose_id: int, steps: int, steps_per_s: int) -> None:
        """The host asks for a dose and keeps its lease up for as long as it should take."""
        self.says(at_s, "dose", dose_id, steps, steps_per_s)
        for second in range(1, 2 + steps // steps_per_s):
            self.says(at_s + second, "renew", dose_id, limits.LEASE_MS_MAX)


@dataclass
class Played:
    """What the board did; every time in microseconds since the play began.

    ``log`` has, by name, what happened in its order: boots (why), errors, pins (as they were set up), enable (level),
    pulses (length), said and saved (line). ``counts`` are of the whole play, all its boots together.
    """

    log: dict[str, list[list[Any]]]
    counts: dict[str, int]
    files: dict[str, str]  # what its memory held at the end

    @property
    def pulses_us(self) -> list[int]:
        """When each STEP pulse began that reached the enabled driver."""
        return [at_us for at_us, _ in self.log["pulses"]]

    def said(self, kind: str) -> list[tuple[int, tuple[str | int | None, ...]]]:
        """The messages of a kind without their numbers, with the moment at which each was out."""
        told = [(at_us, messages.decode(line.encode())) for at_us, line in self.log["said"]]
        return [(at_us, message[4:]) for at_us, message in told if message is not None and message[0] == kind]

    def done(self, dose_id: int = 1) -> tuple[str | int | None, ...]:
        """What was said of the end of a dose, the same each time it was said."""
        (said,) = {message for _, message in self.said("done") if message[0] == dose_id}
        return said

    def spaces_us(self) -> list[int]:
        """From each pulse to the next."""
        return [later - earlier for earlier, later in itertools.pairwise(self.pulses_us)]

    def enabled_us(self) -> list[int]:
        return [at_us for at_us, level in self.log["enable"] if level == 0]

    def disabled_us(self) -> list[int]:
        return [at_us for at_us, level in self.log["enable"] if level == 1]


def play(script: Script, changes: Mapping[str, str] | None = None, program: Path = PROGRAM) -> Played:
    """Play a script to a program, which is used as it is but for the ``changes`` of its text."""
    text = program.read_text()
    for old, new in (changes or {}).items():
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    first = (0, "probes", list(DRY.values()))
    what = {
        "start_us": script.start_us,
        "end_us": round(script.end_s * US_PER_S),
        "jumper_on": script.jumper_on,
        "enable_pin": machine.ENABLE_PIN,
        "step_pin": machine.STEP_PIN,
        "first_probe_pin": machine.FIRST_PROBE_PIN,
        "costs_us": {"look": LOOK_US, **script.costs_us},
        "happenings": [first, *script.happenings],
    }
    with tempfile.TemporaryDirectory() as name:
        folder, memory = Path(name), Path(name) / "memory"
        memory.mkdir()
        for file, held in script.files.items():
            (memory / file).write_text(held)
        (folder / "script.json").write_text(json.dumps(what))
        (folder / "main.py").write_text(text)
        command = [micropython(), str(STAND / "virtual" / "play.py")]
        done = subprocess.run(
            [*command, str(folder / "script.json"), str(folder / "main.py")],
            cwd=memory,
            env=environment(STAND / "clock"),
            capture_output=True,
            text=True,
            check=False,
            timeout=DEADLINE_S,
        )
        assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
        files = {path.name: path.read_text() for path in memory.iterdir()}
    log: dict[str, list[list[Any]]] = {name: [] for name in NAMES}
    *lines, (_, counts) = map(json.loads, done.stdout.splitlines())
    for name, *values in lines:
        log[name].append(values)
    return Played(log, counts, files)
