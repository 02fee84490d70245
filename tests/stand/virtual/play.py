"""``micropython play.py SCRIPT PROGRAM``: a board's program in a world of virtual time; prints what it does.

The program and what it imports are files as they are. What they ask of the microcontroller stands here: ``time``,
``select``, ``sys``, ``os``, ``machine``, ``micropython``. Files lie in the working folder.
"""

import io
import json
import os
import sys

import ticks
from world import Ended, Reset, World

with open(sys.argv[1]) as script_file:
    world = World(json.load(script_file))
NO_SPACE = 28  # ENOSPC


class Time:
    ticks_diff, ticks_add = staticmethod(ticks.ticks_diff), staticmethod(ticks.ticks_add)

    @staticmethod
    def ticks_us():
        world.cost("look")
        return ticks.wrapped(world.counter_us())

    @staticmethod
    def ticks_ms():
        world.cost("look")
        return ticks.wrapped(world.counter_us() // 1000)

    @staticmethod
    def sleep_us(duration_us):
        world.pass_us(max(0, duration_us))

    @staticmethod
    def sleep_ms(duration_ms):
        Time.sleep_us(duration_ms * 1000)


class Stdin:
    """Its own buffer, too."""

    @staticmethod
    def ready():
        return world.gone or len(world.incoming) > 0

    def read(self, length):
        if not self.ready():  # a board hangs here, until something comes
            world.wait(-1, self.ready)
        if world.gone:
            return b""
        world.cost("read")
        data, world.incoming = world.incoming[:length], world.incoming[length:]
        if world.interrupt_byte in data:
            raise KeyboardInterrupt
        return data


class Stdout:
    @staticmethod
    def ready():
        return not world.deaf

    def write(self, data):
        if world.deaf:  # likewise, until somebody listens
            world.wait(-1, self.ready)
        world.cost("write")
        world.say(data)
        return len(data)


class Sys:
    stdin, stdout = Stdin(), Stdout()


Sys.stdin.buffer, Sys.stdout.buffer = Sys.stdin, Sys.stdout


class Poll:
    def __init__(self):
        self._streams = []

    def register(self, stream, wanted):
        if wanted == (Select.POLLIN if stream is Sys.stdin else Select.POLLOUT):  # no other ever becomes ready
            self._streams.append(stream)

    def _ready(self):
        return any(stream.ready() for stream in self._streams)

    def poll(self, wait_ms):
        world.counts["polls"] += 1
        world.cost("look")
        world.wait(wait_ms * 1000, self._ready)
        return [(stream, 0) for stream in self._streams if stream.ready()]


class Select:
    POLLIN, POLLOUT = 1, 4
    poll = Poll


class Os:
    listdir, remove = staticmethod(os.listdir), staticmethod(os.remove)
    urandom = staticmethod(os.urandom)

    @staticmethod
    def rename(old, new):
        world.cost("save")
        if world.saves_fail:
            raise OSError(NO_SPACE)
        os.rename(old, new)
        with open(new) as file:
            world.tell("saved", world.now_us, file.read())


class Pin:
    OUT, IN, PULL_UP, IRQ_RISING = "out", "in", "pull-up", "rising"

    def __init__(self, number, mode, pull=None, value=None):
        self._number = number
        world.tell("pins", number, mode, pull, value)
        if mode == Pin.OUT:
            world.drive(number, value)

    def value(self, level=None):
        if level is None:
            return 0 if world.script["jumper_on"] else 1
        world.drive(self._number, level)
        return None

    def irq(self, handler, trigger):
        world.tell("pins", self._number, trigger)
        world.on_edge = handler


class Converter:
    def __init__(self, number):
        self._number = number

    def read_u16(self):
        counts = world.look(self._number)
        return (counts << 4) | (counts >> 8)  # 12 bits spread over 16, as the port of a microcontroller does


class Watchdog:
    def __init__(self, timeout):
        world.counts["limit_ms"] = timeout
        world.watch(timeout * 1000)

    feed = staticmethod(world.feed)


class Machine:
    ADC, WDT = Converter, Watchdog


Machine.Pin = Pin


class MicroPython:
    @staticmethod
    def kbd_intr(byte):
        if not -1 <= byte < 256:
            raise ValueError("neither a byte nor none: " + str(byte))
        world.interrupt_byte = byte


def play(program):
    with open(program) as file:
        code = compile(file.read(), program, "exec")
    while True:
        try:
            try:
                exec(code, {"__name__": "__main__"})
                world.crash("the program was left")
            except (Exception, KeyboardInterrupt) as error:
                words = io.StringIO()
                sys.print_exception(error, words)
                world.crash(words.getvalue())
        except Reset as reset:
            try:
                world.start_anew(reset.args[0])
            except Ended:
                return
        except Ended:
            return


parts = {"time": Time, "select": Select, "sys": Sys, "os": Os, "machine": Machine, "micropython": MicroPython}
sys.modules.update(parts)
from firmware_bridge import messages  # noqa: E402 (it shall find these parts)

_encode = messages.encode


def encode(*values):
    world.cost("encode")
    return _encode(*values)


messages.encode = encode
play(sys.argv[2])
world.counts["unread_bytes"] = len(world.incoming)
world.tell("counts", world.counts)
