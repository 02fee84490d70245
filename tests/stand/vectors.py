# ruff: noqa: RUF005 (MicroPython unpacks nothing inside a list)
"""Vectors for the board's program, played alike by CPython and MicroPython; every answer is printed.

First a table of scenes, each a list of (what, values...); then pseudo-random steps from a fixed start of a
generator that is written out here, so that both computers draw the same.
"""

from firmware_bridge import interlocks, limits, messages
from firmware_bridge.board import Board, fresh_saved_line

RANDOM_STEPS = 6000
DRY = (2000, 2000, 1000, 2600)
PROBES = (
    DRY,
    (limits.WET_BELOW_COUNTS, limits.OPEN_ABOVE_COUNTS, limits.OPEN_ABOVE_COUNTS, 0),
    (limits.WET_BELOW_COUNTS - 1, 2000, 1000, 2600),
    (limits.OPEN_ABOVE_COUNTS + 1, 2000, 1000, 2600),
    (2000, limits.WET_BELOW_COUNTS - 1, 1000, 2600),
    (2000, limits.OPEN_ABOVE_COUNTS + 1, 1000, 2600),
    (2000, 2000, limits.OPEN_ABOVE_COUNTS + 1, 4095),
    (-1, 70000, -1, -1),
)
ELAPSED_MS = (0, 1, 10, 10, 10, 11, 100, 999, 1000, 2999, 3000, 3001, 60000, 3600000, 90000000, -5)
HELLO = ("send", "hello", limits.PROTOCOL, messages.LIMITS_CHECKSUM)
DOSE = ("send", "dose", 1, 400, 400)
TURN = [HELLO, DOSE, ("save",)]
TRIP_AND_CLEAR = [("tick", 10, 2), ("send", "clear", "leak_wet"), ("tick", 5000, 0), ("send", "clear", "leak_wet")]
DAY_USED_UP = [HELLO]
for _dose_id in range(1, 7):
    DAY_USED_UP += [("send", "dose", _dose_id, 12000, 400), ("save",)]
    DAY_USED_UP += [("send", "renew", _dose_id, 3000), ("tick", 3000, 0)] * 10 + [("send", "seen", _dose_id)]

SCENES = [
    ("a whole dose", TURN + [("tick", 100, 0)] * 12 + [("send", "seen", 1), ("tick", 900, 0), DOSE]),
    ("no greeting", [DOSE, ("send", "hello", 1, 1), DOSE]),
    ("bounds", [HELLO] + [("send", "dose", 1, steps, 1) for steps in (0, 298, 299, 12000, 12001)]),
    ("rates", [HELLO, ("send", "dose", 1, 10, 0), ("send", "dose", 1, 10, 401), ("send", "dose", 1, 10, 400)]),
    ("busy, then unseen", TURN + [DOSE, ("tick", 1000, 0), ("send", "dose", 2, 1, 1)]),
    ("a silent host", [HELLO, ("send", "dose", 1, 12000, 400), ("save",)] + [("tick", 1000, 0)] * 4),
    ("stop", TURN + [("tick", 500, 0), ("send", "stop"), ("tick", 10, 0)]),
    ("a motor that stalls", TURN + [("tick", 1000, 0, 0, 9), ("send", "renew", 1, 3000), ("tick", 2001, 0, 0, 9)]),
    ("too much turned", TURN + [("tick", 100, 0), ("tick", 100, 0, 40), ("tick", 100, 0, 1)]),
    ("turned at rest", [("tick", 100, 0, 40), ("tick", 100, 0, 1)]),
    (
        "a day's water",
        DAY_USED_UP + [("tick", 86400000, 0), ("send", "dose", 7, 1, 1), ("tick", 3600000, 0), ("save",)],
    ),
    ("cut while saving", [HELLO, DOSE, ("cut",), HELLO, ("tick", 10, 0)]),
    ("cut while turning", TURN + [("tick", 500, 0), ("cut",), HELLO, ("tick", 10, 0)]),
    ("cut when done", TURN + [("tick", 1000, 0), ("save",), ("cut",), HELLO, ("tick", 10, 0)]),
    ("memory lost", [("lose",), HELLO, ("tick", 5000, 0), ("send", "clear", "state_lost"), DOSE]),
    (
        "trip and clear",
        [HELLO] + TRIP_AND_CLEAR + [("send", "clear", "leak_wet"), DOSE, ("save",), ("tick", 10, 0)],
    ),
    ("another reason", [("tick", 10, 2), ("tick", 5000, 0), ("send", "clear", "leak_wire_open")]),
    (
        "rubbish",
        [("raw", bytes(range(256)) * 3), ("raw", b"\n\n"), ("raw", b"ask E000\nask E001\n"), ("tick", 1, 0)],
    ),
]
for _number in range(1, len(PROBES)):
    SCENES.append(
        (
            "probes " + str(_number),
            [HELLO, DOSE, ("save",), ("tick", 50, 0), ("tick", 50, _number), ("send", "ask")],
        )
    )


class Player:
    """A board, its memory and its rotor."""

    def __init__(self):
        self.memory = fresh_saved_line()
        self.board = Board(self.memory)
        self.ordered_steps = 0

    def play(self, what, values):
        if what == "tick":
            elapsed_ms, probes, rotor_surplus = values[0], PROBES[values[1]], values[2] if len(values) > 2 else 0
            made_good_ms = values[3] if len(values) > 3 else None
            rotor_steps = self.ordered_steps + rotor_surplus
            self.ordered_steps = self.board.tick(elapsed_ms, *probes, rotor_steps, made_good_ms)
        elif what == "send":
            self.board.receive(messages.encode(*values))
        elif what == "raw":
            self.board.receive(values[0])
        elif what == "save":
            self.memory = self.board.take_to_save() or self.memory
            self.board.intent_saved()
        else:
            self.memory = None if what == "lose" else self.memory
            self.board = Board(self.memory)
            self.ordered_steps = 0
        print(what, self.ordered_steps, self.board.law.state, self.board.take_output(), self.memory)


class Generator:
    """Linear congruential, modulus 2**31, multiplier 1103515245, increment 12345 (the example of ISO C, 7.22.2)."""

    def __init__(self, start):
        self.value = start

    def below(self, bound):
        self.value = (self.value * 1103515245 + 12345) & 0x7FFFFFFF
        return (self.value >> 8) % bound

    def of(self, choices):
        return choices[self.below(len(choices))]


def random_step(draw, player):
    """One step: mostly time on a dry bench, so that doses run, now and then anything at all."""
    law = player.board.law
    kind = draw.below(100)
    if kind < 45:
        return "tick", (draw.of((10, 10, 100, 500)), 0)
    if kind < 55:
        return "tick", (draw.of(ELAPSED_MS), draw.below(len(PROBES)) if draw.below(4) == 0 else 0)
    if kind < 58:
        return "tick", (10, 0, draw.below(60), draw.below(30))
    if kind < 66:
        dose_id = law.last_dose_id + draw.below(3)
        return "send", ("dose", dose_id, draw.of((0, 1, 77, 400, 12000, 12001)), draw.of((0, 1, 33, 400, 401)))
    if kind < 74:
        return "save", ()
    if kind < 80:
        return "send", ("renew", law.last_dose_id, draw.of((0, 1, 3000, 9999)))
    if kind < 85:
        return "send", ("seen", law.last_dose_id)
    if kind < 88:
        return "send", ("clear", draw.of((law.trip_reason, draw.of(interlocks.TRIP_REASONS))))
    if kind < 91:
        return "send", HELLO[1:]
    if kind < 93:
        return "send", ("ask",)
    if kind < 94:
        return "send", ("stop",)
    if kind < 96:
        return "cut", ()
    if kind < 97:
        return ("lose" if draw.below(8) == 0 else "tick"), (0, 0)
    if kind < 99:
        return "raw", (bytes([draw.below(256) for _ in range(draw.below(60))]),)
    line = messages.encode("dose", 1 + law.last_dose_id, 400, 400)
    return "raw", (line[: draw.below(len(line))] + draw.of((b"", b"\n", b"\r\n")),)


def main():
    for name, steps in SCENES:
        print("scene", name)
        player = Player()
        for step in steps:
            player.play(step[0], step[1:])
    for start in (1, 20261125, 77):
        draw, player = Generator(start), Player()
        for _ in range(RANDOM_STEPS // 3):
            what, values = random_step(draw, player)
            player.play(what, values)


if __name__ == "__main__":
    main()
