"""The microcontroller's memory, line, probes and rotor, played in virtual time to its program as it is."""

import json
import subprocess

import pytest

from firmware_bridge import limits, messages
from tests.stand.interpreter import ROOT, STAND, environment, micropython
from tests.stand.virtual.doses import FEW_LOOKS_US, TICK_US, WET, assert_it_ran_through, dosing
from tests.stand.virtual.playing import BOARD_ID, JOURNAL_ID, US_PER_S, Script, play

LINE_BYTES = 80  # a report at rest, and a little more


def account_in(line):
    """Dose, steps at least and at most, reason and whether it was seen, of a saved line."""
    saved = line.split()
    return [saved[3], *saved[5:9]]


@pytest.mark.guards("H3", "board", "6504f7a9")
def test_a_dose_whose_intent_cannot_be_saved_never_turns_and_trips_in_time():
    script = dosing(7.5)
    script.at(0.7, "saves_fail", True)
    script.at(6.5, "saves_fail", False)
    played = play(script)
    assert_it_ran_through(played)
    assert played.pulses_us == []
    assert played.enabled_us() == []
    assert played.done() == (1, 0, 0, "memory_fails")
    assert [account_in(line) for at_us, line in played.log["saved"] if at_us > 1 * US_PER_S] == [
        ["1", "0", "0", "memory_fails", "0"]
    ], "tried again until it lasted, and then no more"


@pytest.mark.guards("H3", "board", "6504f7a9")
def test_a_memory_that_fails_slowly_for_long_leaves_the_watchdog_fed_and_the_host_heard():
    script = Script(6.0, costs_us={"save": 40_000})
    script.at(0.5, "saves_fail", True)
    script.at(1.0, "late", 1)
    script.greets(1.0)
    script.doses(1.5, 1, 40, limits.STEPS_PER_S_MAX)
    for tenth in range(20, 60):
        script.says(tenth / 10, "ask")
    played = play(script)
    assert_it_ran_through(played, unfed_us=60_000)
    assert len(played.said("report")) >= 40
    assert played.pulses_us == []


def test_a_memory_that_fails_at_the_end_of_a_dose_holds_it_as_soon_as_it_can():
    script = dosing(4.0)
    script.at(1.5, "saves_fail", True)
    script.at(3.0, "saves_fail", False)
    played = play(script)
    saved = [(at_us, account_in(line)) for at_us, line in played.log["saved"]]
    assert saved[-1][1] == ["1", "400", "400", "complete", "0"]
    assert 3.0 * US_PER_S <= saved[-1][0] <= 3.0 * US_PER_S + 2 * TICK_US
    assert len(saved) == 3, "its start, its intent, its end"
    assert played.done() == (1, 400, 400, "complete"), "said all the same"


def test_what_was_saved_is_what_the_board_begins_with():
    first = play(dosing())
    assert first.files.keys() == {"saved"}
    script = Script(2.0, files=first.files)
    script.greets(0.5)
    second = play(script)
    assert second.done() == (1, 400, 400, "complete")
    assert {message[:1] for _, message in second.said("done")} == {(1,)}
    assert second.said("board")[0][1][4:] == (BOARD_ID, 1, JOURNAL_ID, 400), "who it is, and what it gave for whom"


@pytest.mark.parametrize("files", [{}, {"saved": "worn out"}])
def test_a_board_without_a_memory_is_tripped_until_a_technician_s_file_makes_it_fresh(files):
    lost = play(Script(3.0, files=files))
    assert {message[1] for _, message in lost.said("report")} == {"state_lost"}
    fresh = play(Script(3.0, files={**files, "commission": ""}))
    assert {message[1] for _, message in fresh.said("report")} == {None}
    assert fresh.files.keys() == {"saved"}, "asked for once"
    assert [line.split()[2] for _, line in fresh.log["saved"]] == ["0", "1"]


def identities(urandom):
    program = (
        f"import sys; sys.path.append({str(ROOT / 'firmware_bridge')!r}); import main\n"
        f"class Os:\n    left = [bytes(each) for each in {urandom}]\n"
        "    def urandom(length):\n        drawn = Os.left.pop(0)\n        assert len(drawn) == length\n"
        "        return drawn\n"
        f"main.os = Os\nprint([main.new_identity() for _ in range({len(urandom)})])"
    )
    command = [micropython(), "-c", program]
    return json.loads(
        subprocess.run(command, env=environment(STAND / "clock", STAND), capture_output=True, check=True).stdout
    )


def test_an_identity_is_drawn_from_1_to_999999999():
    assert identities([[0] * 4, [0, 0, 0, 1], [0x3B, 0x9A, 0xC9, 0xFE], [0x3B, 0x9A, 0xC9, 0xFF], [255] * 4]) == [
        1,
        2,
        999999999,
        1,
        1 + (2**32 - 1) % 999999999,
    ]


# -- the line ----------------------------------------------------------------------------------------------


@pytest.mark.guards("H3", "board", "6504f7a9")
@pytest.mark.parametrize(
    "flood", ["\xff\x03\n" * 2000, "ask " * 1500, messages.encode("ask", 10000001, 1).decode() * 400]
)
def test_a_flooded_line_takes_no_pulse_and_no_tick_and_leaves_the_watchdog_fed(flood):
    script = dosing(4.0, costs_us={"read": 5, "write": 5})
    script.at(1.2, "host", flood)
    played = play(script)
    assert_it_ran_through(played)
    assert played.done() == (1, 400, 400, "complete")
    assert played.pulses_us[-1] - played.pulses_us[0] < 1.05 * US_PER_S
    assert max(played.spaces_us()) < TICK_US


@pytest.mark.guards("H3", "board", "6504f7a9")
def test_a_leak_in_a_flood_trips_within_a_tick():
    script = dosing(costs_us={"read": 5, "write": 5})
    script.at(1.2, "host", "\x00" * 5000)
    script.probes(1.25, leak=WET)
    played = play(script)
    (off_us,) = played.disabled_us()
    assert 0 < off_us - 1.25 * US_PER_S <= TICK_US + FEW_LOOKS_US + 32 * 5


def test_between_two_ticks_a_slow_line_is_read_32_bytes_and_no_more():
    script = Script(4.205, costs_us={"look": 0, "read": 1000})
    script.at(1.0, "host", "x" * 3200)
    assert play(script).counts["looks"] == pytest.approx(100 + 3200 / 32, abs=1)


def test_a_kilobyte_can_be_owed_and_not_a_byte_more():
    program = """
from firmware_bridge.wire import Wire
wire, other = Wire(), Wire()
wire.owe(b"a" * 1000)
wire.owe(b"b" * 24)
wire.owe(b"c")
other.owe(b"d" * 1025)
print(len(wire.unsent), len(other.unsent))
"""
    command = [micropython(), "-c", program]
    done = subprocess.run(command, env=environment(STAND / "clock"), capture_output=True, check=True)
    assert done.stdout.split() == [b"1024", b"0"]


def test_what_follows_a_flood_is_still_heard():
    script = Script(6.0, costs_us={"read": 5, "write": 5})
    script.at(1.0, "host", "\xff" * 5000 + "\n")
    script.greets(5.0)
    played = play(script)
    assert played.counts["unread_bytes"] == 0
    assert 5.0 * US_PER_S < played.said("board")[0][0] < 5.0 * US_PER_S + 3 * TICK_US


def test_a_host_that_does_not_listen_is_owed_a_kilobyte_of_whole_lines_and_no_more():
    script = Script(40.0)
    script.at(5.0, "deaf", True)
    script.at(30.5, "deaf", False)
    played = play(script)
    assert_it_ran_through(played)
    late = [(at_us, line) for at_us, line in played.log["said"] if 30.5 * US_PER_S <= at_us < 30.6 * US_PER_S]
    owed_bytes = sum(len(line) + 1 for _, line in late)
    assert 1024 - LINE_BYTES < owed_bytes <= 1024
    assert len(played.said("report")) == len(played.log["said"]), "every line is whole"
    assert len(played.said("report")) == pytest.approx(4 + owed_bytes / LINE_BYTES + 9, abs=3)


@pytest.mark.guards("H3", "board", "6504f7a9")
def test_a_host_that_does_not_listen_delays_no_pulse():
    heard, unheard = dosing(costs_us={"look": 0}), dosing(costs_us={"look": 0})
    unheard.at(1.0, "deaf", True)
    assert play(unheard).pulses_us == play(heard).pulses_us


def test_nobody_at_the_other_end_makes_no_busy_board():
    script = Script(3.0)
    script.at(1.0, "gone", True)
    played = play(script)
    assert_it_ran_through(played)
    assert 1500 < played.counts["polls"] < 3000, "about once a millisecond"


# -- probes, rotor, jumper ---------------------------------------------------------------------------------


def test_counts_of_the_probes_are_said_as_the_converter_gave_them():
    script = Script(2.5)
    script.probes(0.5, leak=2047, float=3001, reservoir=15, moisture=4095)
    assert play(script).said("report")[-1][1][7:11] == (2047, 3001, 15, 4095)


ROTOR = {"\nROTOR_PIN = None": "\nROTOR_PIN = 6"}


@pytest.mark.guards("H3", "board", "6504f7a9")
def test_a_rotor_sensor_confirms_a_dose():
    played = play(dosing(), ROTOR)
    assert played.done() == (1, 400, 400, "complete")
    assert [pin for pin in played.log["pins"] if pin[0] == 6] == [[6, "in", "pull-up", None], [6, "rising"]]


@pytest.mark.guards("H3", "board", "6504f7a9")
def test_a_rotor_that_turns_by_itself_trips_and_every_edge_counts_its_steps_once():
    script = Script(3.0)
    script.at(1.0, "runaway", True)
    played = play(script, ROTOR)
    tripped_us = min(at_us for at_us, message in played.said("report") if message[1] == "moved_while_stopped")
    ticks = limits.ROTOR_STEPS_TOLERANCE // 4 + 1  # an edge of four steps in each tick
    assert tripped_us - 1.0 * US_PER_S == pytest.approx((ticks + 1) * TICK_US, abs=TICK_US)


def test_a_jumper_leaves_the_board_to_its_technician():
    played = play(Script(3.0, jumper_on=True))
    assert played.log["pins"] == [[5, "in", "pull-up", None]]
    assert played.counts["fed"] == played.counts["looks"] == 0
