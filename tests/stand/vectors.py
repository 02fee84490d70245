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
# "say" numbers a message in the conversation in hand, as a host does; "send" sends it as it stands
GREET = ("greet",)
HELLO = ("hello", limits.PROTOCOL, messages.LIMITS_CHECKSUM)
DOSE = ("say", "dose", 1, 400, 400)
SESSION = messages.SESSIONS_PER_BOOT  # of a first start, before anybody has greeted
TURN = [GREET, DOSE, ("save",)]
CLEAR = ("say", "clear", 1, "leak_wet")
TRIP_AND_CLEAR = [("tick", 10, 2), CLEAR, ("tick", 5000, 0), ("say", "clear", 2, "leak_wet"), CLEAR]
SPENT = [("say", "dose", 1, 12000, 400), ("save",)] + [("say", "renew", 1, 3000), ("tick", 3000, 0)] * 11
DAY_USED_UP = [GREET]
for _dose_id in range(1, 7):
    DAY_USED_UP += [("say", "dose", _dose_id, 12000, 400), ("save",)]
    DAY_USED_UP += [("say", "renew", _dose_id, 3000), ("tick", 3000, 0)] * 10 + [("say", "seen", _dose_id)]

SCENES = [
    ("a whole dose", TURN + [("tick", 100, 0)] * 12 + [("say", "seen", 1), ("tick", 900, 0), DOSE]),
    ("no greeting", [DOSE, ("send", "hello", 1, 1, 7, 1), DOSE]),
    ("bounds", [GREET] + [("say", "dose", 1, steps, 1) for steps in (0, 298, 299, 12000, 12001)]),
    ("rates", [GREET, ("say", "dose", 1, 10, 0), ("say", "dose", 1, 10, 401), ("say", "dose", 1, 10, 400)]),
    ("busy, then unseen", TURN + [DOSE, ("tick", 1000, 0), ("say", "dose", 2, 1, 1)]),
    ("a silent host", [GREET, ("say", "dose", 1, 12000, 400), ("save",)] + [("tick", 1000, 0)] * 4),
    ("stop", TURN + [("tick", 500, 0), ("say", "stop", 2), ("say", "stop", 1), ("tick", 10, 0)]),
    ("a motor that stalls", TURN + [("tick", 1000, 0, 0, 9), ("say", "renew", 1, 3000), ("tick", 2001, 0, 0, 9)]),
    ("too much turned", TURN + [("tick", 100, 0), ("tick", 100, 0, 40), ("tick", 100, 0, 1)]),
    ("turned at rest", [("tick", 100, 0, 40), ("tick", 100, 0, 1)]),
    (
        "a day's water",
        DAY_USED_UP + [("tick", 86400000, 0), ("say", "dose", 7, 1, 1), ("tick", 3600000, 0), ("save",)],
    ),
    ("cut while saving", [GREET, DOSE, ("cut",), GREET, ("tick", 10, 0)]),
    ("cut while turning", TURN + [("tick", 500, 0), ("cut",), GREET, ("tick", 10, 0)]),
    ("cut when done", TURN + [("tick", 1000, 0), ("save",), ("cut",), GREET, ("tick", 10, 0)]),
    ("memory lost", [("lose",), GREET, ("tick", 5000, 0), ("say", "clear", 0, "state_lost"), DOSE]),
    (
        "trip and clear",
        [GREET] + TRIP_AND_CLEAR + [CLEAR, DOSE, ("save",), ("tick", 10, 0)],
    ),
    ("another reason", [GREET, ("tick", 10, 2), ("tick", 5000, 0), ("say", "clear", 1, "leak_wire_open")]),
    ("copies of a dose", TURN + [("again", 0)] * 2 + [("tick", 1000, 0), ("again", 0), ("tick", 10, 0), ("again", 1)]),
    (
        "a late dose",
        [GREET, ("hold", "dose", 1, 400, 400), ("say", "ask"), ("again", 1), ("save",), ("tick", 100, 0), DOSE],
    ),
    ("a dose of an earlier conversation", [GREET, ("hold", "dose", 1, 400, 400), GREET, ("again", 1), ("say", "ask")]),
    (
        "a dose of an earlier start",
        [GREET, ("hold", "dose", 1, 400, 400), ("save",), ("cut",), ("again", 1), GREET, ("again", 1), ("say", "ask")],
    ),
    ("the same greeting again", [GREET, ("say", "ask"), ("greet again",), ("say", "ask"), GREET, ("say", "ask")]),
    ("a late greeting", [GREET, GREET, ("send",) + HELLO + (7, 1), ("say", "ask"), ("send",) + HELLO + (8, 1)]),
    (
        "an outcome that was seen",
        TURN + [("tick", 1000, 0), ("say", "seen", 1), GREET, ("tick", 10, 0), ("tick", 9000, 0), ("greet again",)],
    ),
    ("another journal greets", TURN + [("tick", 100, 0), ("greet as", 8), ("say", "renew", 1, 3000), ("tick", 900, 0)]),
    ("a stop of an earlier conversation", [GREET, ("hold", "stop", 1), GREET, DOSE, ("save",), ("again", 2)]),
    ("a number that is the largest", [GREET, ("send", "ask", SESSION + 1, messages.NUMBER_MAX), ("say", "ask"), DOSE]),
    ("a conversation nobody began", [("send", "dose", SESSION, 1, 1, 400, 400), ("send", "ask", SESSION, 2)]),
    (
        "a second trip is another one",
        [GREET] + TRIP_AND_CLEAR + [("tick", 10, 2), ("tick", 5000, 0), CLEAR, ("say", "clear", 2, "leak_wet")],
    ),
    ("memory lost twice", [("lose",), ("save",), ("lose",), GREET, ("save",), ("cut",), GREET]),
    ("the last start", [("boots", messages.BOOTS_MAX - 1), GREET, ("save",), ("cut",), GREET]),
    (
        "an hour over many restarts",
        [GREET] + SPENT + ([("tick", 300000, 0), ("save",)] * 3 + [("cut",)]) * 5 + [GREET, ("tick", 10, 0), ("save",)],
    ),
    (
        "rubbish",
        [("raw", bytes(range(256)) * 3), ("raw", b"\n\n"), ("raw", b"ask 1 1 E000\nask 1 1 E001\n"), ("tick", 1, 0)],
    ),
]
for _number in range(1, len(PROBES)):
    SCENES.append(
        (
            "probes " + str(_number),
            [GREET, DOSE, ("save",), ("tick", 50, 0), ("tick", 50, _number), ("say", "ask")],
        )
    )


class Player:
    """A board, its memory, its rotor, and a host that numbers what it says."""

    def __init__(self):
        self.memory = fresh_saved_line(41)
        self.starts = 0
        self.start()
        self.journal_id = 7
        self.hello_number = 0
        self.session = 0  # as the host knows it
        self.number = 0
        self.sent = []  # every line but the greetings

    def start(self):
        self.starts += 1
        self.board = Board(self.memory, 900 + self.starts)
        self.ordered_steps = 0

    def line(self, values):
        """The next message of the conversation."""
        self.number += 1
        self.sent.append(messages.encode(values[0], self.session, self.number, *values[1:]))
        return self.sent[-1]

    def greet(self):
        self.board.receive(messages.encode(*HELLO, self.journal_id, self.hello_number))
        if self.session != self.board.session:
            self.session, self.number = self.board.session, 0

    def play(self, what, values):
        if what == "tick":
            elapsed_ms, probes, rotor_surplus = values[0], PROBES[values[1]], values[2] if len(values) > 2 else 0
            made_good_ms = values[3] if len(values) > 3 else None
            rotor_steps = self.ordered_steps + rotor_surplus
            self.ordered_steps = self.board.tick(elapsed_ms, *probes, rotor_steps, made_good_ms)
        elif what == "greet":
            self.hello_number += 1
            self.greet()
        elif what == "greet again":
            self.greet()
        elif what == "greet as":
            self.journal_id = values[0]
            self.greet()
        elif what == "say":
            self.board.receive(self.line(values))
        elif what == "hold":  # said, and still under way
            self.line(values)
        elif what == "again":  # a line of before, as it was sent or held back then: the newest is number 0
            if self.sent:
                self.board.receive(self.sent[-1 - values[0] % len(self.sent)])
        elif what == "send":
            self.board.receive(messages.encode(*values))
        elif what == "raw":
            self.board.receive(values[0])
        elif what == "save":
            self.memory = self.board.take_to_save() or self.memory
            self.board.intent_saved()
        else:
            if what == "lose":
                self.memory = None
            elif what == "boots":
                saved = list(messages.decode(self.memory))
                saved[2] = values[0]
                self.memory = messages.encode(*saved)[:-1]
            self.start()
        out = self.board.take_output()
        print(what, self.ordered_steps, self.board.law.state, self.board.session, out, self.memory)


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
        return "say", ("dose", dose_id, draw.of((0, 1, 77, 400, 12000, 12001)), draw.of((0, 1, 33, 400, 401)))
    if kind < 73:
        return "save", ()
    if kind < 78:
        return "say", ("renew", law.last_dose_id, draw.of((0, 1, 3000, 9999)))
    if kind < 82:
        return "say", ("seen", law.last_dose_id)
    if kind < 85:
        reason = draw.of((law.trip_reason, draw.of(interlocks.TRIP_REASONS)))
        return "say", ("clear", max(0, law.trip_number - draw.below(3) // 2), reason)
    if kind < 88:
        return draw.of(("greet", "greet", "greet again")), ()
    if kind < 89:
        return "greet as", (7 + draw.below(3),)
    if kind < 90:
        return "say", ("ask",)
    if kind < 91:
        return "say", ("stop", max(0, law.last_dose_id - draw.below(2)))
    if kind < 94:
        return "again", (draw.below(40),)
    if kind < 95:
        session = player.session + draw.of((-1, 1, 0, messages.SESSIONS_PER_BOOT))
        return "send", ("dose", max(0, session), player.number + draw.below(3), law.last_dose_id + 1, 400, 400)
    if kind < 97:
        return "cut", ()
    if kind < 98:
        return ("lose" if draw.below(8) == 0 else "tick"), (0, 0)
    if kind < 99:
        return "raw", (bytes([draw.below(256) for _ in range(draw.below(60))]),)
    line = messages.encode("dose", player.session, player.number + 1, 1 + law.last_dose_id, 400, 400)
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
