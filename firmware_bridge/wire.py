"""Raw bytes over the microcontroller's stdin and stdout, never waiting for the other end. MicroPython."""

import select
import sys
import time

import micropython

BYTES_MAX = 32  # read or written in one go, so that a chattering host cannot hold up a tick
UNSENT_BYTES_MAX = 1024  # owed to a host that does not listen; what is more is dropped


class Wire:
    def __init__(self):
        micropython.kbd_intr(-1)  # a byte of 3 is a byte, not ctrl-C
        self._readable, self._writable = select.poll(), select.poll()
        self._readable.register(sys.stdin, select.POLLIN)
        self._writable.register(sys.stdout, select.POLLOUT)
        self.unsent = b""

    def read(self, wait_ms):
        """What has come in; waits for it no longer than ``wait_ms``."""
        data = b""
        while len(data) < BYTES_MAX and self._readable.poll(0 if data else wait_ms):
            byte = sys.stdin.buffer.read(1)
            if not byte:  # nobody at the other end, though the line says that there is something to read
                time.sleep_ms(1)
                break
            data += byte
        return data

    def owe(self, data):
        """Take bytes to be written, unless too many are owed already."""
        if len(self.unsent) + len(data) <= UNSENT_BYTES_MAX:
            self.unsent += data

    def write(self):
        """Write of what is owed as much as goes without waiting."""
        sent, due = 0, min(len(self.unsent), BYTES_MAX)
        while sent < due and self._writable.poll(0) and sys.stdout.buffer.write(self.unsent[sent : sent + 1]):
            sent += 1
        if sent:
            self.unsent = self.unsent[sent:]
