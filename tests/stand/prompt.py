"""The prompt of MicroPython on a microcontroller, for its Unix port, whose own has no raw mode.

It speaks what the reference manual of MicroPython calls the raw REPL (MicroPython documentation, "The MicroPython
Interactive Interpreter Mode"): ctrl-A and ctrl-B change the mode, ctrl-D executes what was typed, or, of nothing,
begins anew without ``main.py``; the program then ends, for its caller to start it again with the word ``raw``. Before
that, ``main.py`` is there with jumper X1 on: everything it imports has been imported, and it does not run.
"""

import os
import sys

import machine

RAW_PROMPT = "raw REPL; CTRL-B to exit\r\n>"
RAW_PASTE_IS_NOT_SPOKEN = "R\x00"


class JumperOn(machine.Pin):
    def value(self, level=None):
        return 0


def say(text):
    sys.stdout.write(text)


def execute(text, names):
    say("OK")
    try:
        exec(text, names)
        say("\x04")
    except Exception as error:
        say("\x04")
        sys.print_exception(error)
    say("\x04>")


def answer(raw):
    """Take what is typed; come back when the interpreter is to begin anew."""
    names, typed = {}, b""
    if raw:
        say(RAW_PROMPT)
    while True:
        byte = sys.stdin.buffer.read(1)
        if byte == b"\x01":
            raw, typed = True, b""
            say(RAW_PROMPT)
        elif byte == b"\x02" or not raw:
            raw, typed = raw and byte != b"\x02", b""
        elif byte == b"\x03":
            typed = b""
        elif byte == b"\x05":
            sys.stdin.buffer.read(2)
            say(RAW_PASTE_IS_NOT_SPOKEN)
        elif byte == b"\x04" and not typed.strip():
            say("OK\r\nMPY: soft reboot\r\n")
            return
        elif byte == b"\x04":
            execute(typed, names)
            typed = b""
        else:
            typed += byte


if "raw" not in sys.argv:
    machine.Pin = JumperOn
    if "main.py" in os.listdir():
        import main  # noqa: F401
answer("raw" in sys.argv)
