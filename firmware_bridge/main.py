"""The board's program on a microcontroller: pins, time, watchdog and saved state round ``board.py``. MicroPython.

Put this file at the root as ``main.py``, beside the folder ``firmware_bridge``. In every tick the order is what the
records rest on: what was ordered is turned, what was decided is saved, then it is said, then judged anew.
"""

import os
import time

import machine

from firmware_bridge import board, interlocks, limits, wire

STEP_PIN = 2  # stepper driver STEP: one pulse, one step
DIRECTION_PIN = 3  # stepper driver DIR: set once, the pump turns one way only
ENABLE_PIN = 4  # stepper driver ENABLE, low = coils on; a pull-up keeps them off while the board starts
BENCH_PIN = 5  # a jumper to ground at power-on: the program does not start, commission() can be called by hand
ROTOR_PIN = None  # rotor sensor, an edge every ROTOR_STEPS_PER_EDGE steps; None: the emitted pulses are counted
ROTOR_STEPS_PER_EDGE = 4  # well below limits.ROTOR_STEPS_TOLERANCE
LEAK_PIN, FLOAT_PIN, RESERVOIR_PIN, MOISTURE_PIN = 26, 27, 28, 29  # the inputs of the 12-bit converter
TICK_US = limits.TICK_MS * 1000
PULSE_US = 5  # length of a STEP pulse
PULSE_SPACE_US = 500000 // limits.STEPS_PER_S_MAX  # after a stall, never faster than twice the fastest rate
WATCHDOG_MS = 1000  # a program that hangs this long is started anew, its motor off


def new_identity():
    """What tells this board from any other: 1 to 999999999, drawn at its commissioning or when its memory is lost."""
    return 1 + int.from_bytes(os.urandom(4), "big") % 999999999


def commission():
    """Make the board fresh, without dose and trip: a technician's act. A file ``commission`` asks for it too."""
    save(board.fresh_saved_line(new_identity()))


def save(line):
    with open("saved.new", "wb") as file:
        file.write(line)
    os.rename("saved.new", "saved")  # the flash file system replaces a file whole or not at all


def read_saved():
    if "commission" in os.listdir():
        commission()
        os.remove("commission")
    try:
        with open("saved", "rb") as file:
            return file.read()
    except OSError:
        return None


def run():
    enable = machine.Pin(ENABLE_PIN, machine.Pin.OUT, value=1)
    step = machine.Pin(STEP_PIN, machine.Pin.OUT, value=0)
    machine.Pin(DIRECTION_PIN, machine.Pin.OUT, value=0)
    probes = [machine.ADC(pin) for pin in (LEAK_PIN, FLOAT_PIN, RESERVOIR_PIN, MOISTURE_PIN)]
    edges = []  # of the rotor sensor since the last tick; an interrupt appends
    if ROTOR_PIN is not None:
        machine.Pin(ROTOR_PIN, machine.Pin.IN, machine.Pin.PULL_UP).irq(edges.append, machine.Pin.IRQ_RISING)
    line, program, watchdog = wire.Wire(), board.Board(read_saved(), new_identity()), machine.WDT(timeout=WATCHDOG_MS)
    ordered, turned, unsaved, ticked_ms, started_us = 0, 0, None, time.ticks_ms(), time.ticks_us()
    while True:  # ticks wrap, those of 1 us after 18 minutes: none is kept for longer than a tick
        passed_us = time.ticks_diff(time.ticks_us(), started_us)
        if turned < ordered and passed_us * ordered >= turned * TICK_US:  # pulses stand evenly in the tick
            step.value(1)
            time.sleep_us(PULSE_US)
            step.value(0)
            time.sleep_us(PULSE_SPACE_US)
            turned += 1
        elif passed_us < TICK_US:
            program.receive(line.read(1 if turned < ordered or line.unsent else (TICK_US - passed_us + 999) // 1000))
            line.write()
        else:
            enable.value(0 if program.law.state == interlocks.TURNING else 1)  # stopped or done: off before all else
            unsaved = program.take_to_save() or unsaved
            try:
                if unsaved is not None:
                    save(unsaved)
                    unsaved = None
                    program.intent_saved()
            except OSError:
                pass  # tried again in the next tick; a dose does not start meanwhile, and its lease runs out
            line.owe(program.take_output())
            now_ms, edge_count = time.ticks_ms(), len(edges)
            del edges[:edge_count]
            elapsed_ms, ticked_ms = time.ticks_diff(now_ms, ticked_ms), now_ms
            rotor_steps = turned if ROTOR_PIN is None else edge_count * ROTOR_STEPS_PER_EDGE
            counts = [probe.read_u16() >> 4 for probe in probes]
            ordered = program.tick(elapsed_ms, *counts, rotor_steps, min(elapsed_ms, limits.MADE_GOOD_MS_MAX))
            enable.value(0 if ordered or program.law.state == interlocks.TURNING else 1)
            watchdog.feed()
            turned, late = 0, time.ticks_diff(time.ticks_us(), started_us) >= 2 * TICK_US  # by a whole tick: begin anew
            started_us = time.ticks_us() if late else time.ticks_add(started_us, TICK_US)


if __name__ == "__main__" and machine.Pin(BENCH_PIN, machine.Pin.IN, machine.Pin.PULL_UP).value():
    run()
