"""A stand for the board: its real program under the real MicroPython, files for pins, a pty for the line."""
