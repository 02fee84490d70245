"""A board in virtual time: its program file as it is, under the real MicroPython, in a world that a script plays."""
