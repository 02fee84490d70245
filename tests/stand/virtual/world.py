"""What surrounds a board in virtual time: a clock that passes only in waits and by set costs, and what happens when.

For MicroPython's Unix port. A script is a dictionary: ``start_us`` (what the counter behind all ticks shows at first),
``end_us``, ``jumper_on`` (X1), ``enable_pin``, ``step_pin``, ``first_probe_pin``, ``costs_us`` by name, and
``happenings``, each [at_us, what, value] with ``what`` one of World.HAPPENINGS. What the board does is printed as it
happens, a line of JSON each: lists of it would leave no hole in the interpreter's memory for the next larger list.
"""

import json

FOREVER = 1 << 60
PULSES_PER_EDGE = 4  # of the rotor sensor, if the program reads one
BOOTS_MAX = 8  # a board that starts anew more often is not looked at any longer


class Ended(BaseException):
    """The play is over."""


class Reset(BaseException):
    """The board starts anew."""


class World:
    HAPPENINGS = ("host", "probes", "leap", "late", "saves_fail", "deaf", "gone", "stands", "runaway", "cut")

    def __init__(self, script):
        self.script = script
        self._happenings = sorted(script["happenings"], key=lambda each: each[0])
        self._next = 0
        self.costs_us = script["costs_us"]
        self.now_us = 0
        self._pulses = 0
        self.probes = [0, 0, 0, 0]
        self.deaf = False  # the host takes no bytes
        self.gone = False  # nobody is at the other end, though the line says that there is something to read
        self.saves_fail = False
        self.runaway = False  # the rotor turns though nothing was ordered
        self._leap_us = 0  # a wait of the board lasts so long, or until something happens
        self._late_us = 0  # the next wait of the board lasts so much longer
        self._stood_us = 0  # for so long the clock stood still
        self._stands_since_us = None
        self.counts = {"looks": 0, "polls": 0, "fed": 0, "lost_pulses": 0, "longest_unfed_us": 0, "boots": 0}
        self._power_on("power")

    def _power_on(self, why):
        if self.counts["boots"] == BOOTS_MAX:
            raise Ended
        self.counts["boots"] += 1
        self.tell("boots", self.now_us, why)
        self.levels = {}
        self.incoming, self.said = b"", b""
        self.interrupt_byte = 3  # ends the program; -1: none does
        self.watch(0)
        self.on_edge = None
        self._rose_us = None  # when the STEP pulse in hand began

    def tell(self, *values):
        print(json.dumps(values))

    # -- time ----------------------------------------------------------------------------------------------

    def counter_us(self):
        """What the board's counter shows; ticks are made of it."""
        at_us = self.now_us if self._stands_since_us is None else self._stands_since_us
        return self.script["start_us"] + at_us - self._stood_us

    def cost(self, name):
        self._until(self.now_us + self.costs_us.get(name, 0))

    def pass_us(self, duration_us):
        self._until(self.now_us + duration_us)

    def watch(self, limit_us):
        """The watchdog has been fed, and from now on it waits no longer than this; 0: for ever."""
        self.limit_us, self.fed_us, self._nothing_before_us = limit_us, self.now_us, 0

    def wait(self, wait_us, ready):
        """Let time pass until it is ready, at most ``wait_us``, for ever if that is negative."""
        late_us, self._late_us = self._late_us, 0
        self.pass_us(late_us)
        limit_us = self.limit_us
        if wait_us >= 1000 and self._leap_us:
            wait_us = max(wait_us, min(self._leap_us, self._due_us() - self.now_us))
            if self._leap_us > limit_us:  # nobody asks the watchdog in leaps that are longer than it waits
                self.watch(0)
        until_us = self.now_us + wait_us if wait_us >= 0 else FOREVER
        while not ready() and self.now_us < until_us:
            self._until(min(until_us, self._due_us()))
        if limit_us and not self.limit_us:
            self.watch(limit_us)

    def _due_us(self):
        return self._happenings[self._next][0] if self._next < len(self._happenings) else FOREVER

    def _until(self, at_us):
        if at_us < self._nothing_before_us:
            self.now_us = at_us
            return
        while True:
            starved_us = self.fed_us + self.limit_us + 1 if self.limit_us else FOREVER
            due_us = self._due_us()
            self.now_us = max(self.now_us, min(at_us, due_us, starved_us, self.script["end_us"]))
            if self.now_us >= self.script["end_us"]:
                raise Ended
            if self.now_us >= starved_us:
                raise Reset("watchdog")
            if self.now_us < due_us:
                self._nothing_before_us = min(due_us, starved_us, self.script["end_us"])
                return
            _, what, value = self._happenings[self._next]
            self._next += 1
            self._happen(what, value)

    def _happen(self, what, value):
        if what == "host":
            self.incoming += bytes([ord(sign) for sign in value])
        elif what == "leap":
            self._leap_us = value
        elif what == "late":
            self._late_us = value
        elif what == "cut":
            raise Reset("cut")
        elif what == "stands":
            if value:
                self._stands_since_us = self.now_us
            else:
                self._stood_us += self.now_us - self._stands_since_us
                self._stands_since_us = None
        elif what in self.HAPPENINGS:
            setattr(self, what, value)
        else:
            raise ValueError("no such happening: " + what)

    # -- what the board does -------------------------------------------------------------------------------

    def level(self, number):
        """What a wire shows: a pull-up holds the driver's ENABLE high while nothing drives it."""
        return self.levels.get(number, 1 if number == self.script["enable_pin"] else 0)

    def drive(self, number, level):
        if level not in (0, 1):
            raise ValueError("a pin is low or high: " + str(level))
        rises = level and not self.level(number)
        if number == self.script["enable_pin"] and level != self.level(number):
            self.tell("enable", self.now_us, level)
        self.levels[number] = level
        if number != self.script["step_pin"]:
            return
        if not rises:
            if self._rose_us is not None:
                self.tell("pulses", self._rose_us, self.now_us - self._rose_us)
                self._rose_us = None
        elif self.level(self.script["enable_pin"]):
            self.counts["lost_pulses"] += 1
        else:
            self._rose_us = self.now_us
            self._pulses += 1
            if self.on_edge and self._pulses % PULSES_PER_EDGE == 0:
                self.on_edge(self)

    def feed(self):
        self.counts["fed"] += 1
        self.counts["longest_unfed_us"] = max(self.counts["longest_unfed_us"], self.now_us - self.fed_us)
        self.fed_us = self.now_us

    def look(self, number):
        """The count of the probe at this pin."""
        place = number - self.script["first_probe_pin"]
        if place == 0:
            self.counts["looks"] += 1
            if self.on_edge and self.runaway:
                self.on_edge(self)
        self.cost("probe")
        return self.probes[place]

    def say(self, data):
        lines = (self.said + data).split(b"\n")
        self.said = lines.pop()
        for line in lines:
            self.tell("said", self.now_us, line.decode())

    def start_anew(self, why):
        """The board is without power or program for a moment: its pins float, and the pull-up ends ENABLE."""
        self.drive(self.script["enable_pin"], 1)
        self._power_on(why)

    def crash(self, what):
        """The program ended with an error, or was left: only the watchdog starts it anew."""
        self.tell("errors", self.now_us, what)
        self._until(FOREVER)
