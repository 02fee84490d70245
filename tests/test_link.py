"""The serial line: over bare pseudo-terminals, and with the real board program under MicroPython at its other end.

The tests with a board run in real time, because a process of its own is at the other end; they look until something
has happened, with a deadline, and never wait blindly.
"""

import itertools
import os
import select
import time
import tty

import pytest

from firmware_bridge import interlocks, limits, link, messages
from firmware_bridge.link import Found, Link, Lost, Received
from tests.boards import JOURNAL, Talker, field, plain
from tests.stand.running import RunningStand, wait_until
from tests.stand.stand import DRY

BAUD = 115200
JUDGED = ("judged", 10000001, 3, 2, 7, "accepted")
CLEARED = ("cleared", 10000001, 4, 3, 1, "not_dry")
ASK = ("ask", 10000001, 4)
SEEN_WITHIN_S = 20.0
GREETED_EVERY_S = 2.0


class FarEnd:
    """The board's side of a pseudo-terminal; ``path`` is the port."""

    def __init__(self):
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        os.set_blocking(self.master, False)
        self.path = os.ttyname(self.slave)
        self.open = True

    def write(self, data):
        """The kernel passes bytes on in its own time: wait until they have arrived."""
        os.write(self.master, data)
        select.select([self.slave], [], [], SEEN_WITHIN_S)

    def read(self, ending):
        """What came in, up to these last bytes."""
        data = b""
        while not data.endswith(ending):
            assert select.select([self.master], [], [], SEEN_WITHIN_S)[0], f"{data!r} and no more"
            data += os.read(self.master, 65536)
        return data

    def vanish(self):
        if self.open:
            os.close(self.master)
            os.close(self.slave)
            self.open = False


@pytest.fixture
def far_end():
    end = FarEnd()
    yield end
    end.vanish()


@pytest.fixture
def line(far_end):
    """A link that is up, with the greeting line feed already read by the far end."""
    line = Link(far_end.path, BAUD)
    assert line.poll(0.0) == [Found()]
    assert far_end.read(b"\n") == b"\n"
    yield line
    line.close()


# -- lines --------------------------------------------------------------------------------------------------------


def test_whole_lines_come_in_as_messages_in_their_order(line, far_end):
    far_end.write(messages.encode(*JUDGED) + messages.encode(*CLEARED))
    assert line.poll(0.1) == [Received(JUDGED), Received(CLEARED)]
    assert line.poll(0.2) == []


def test_a_split_line_comes_in_when_its_last_byte_does(line, far_end):
    data = messages.encode(*JUDGED)
    for byte in data[:-1]:
        far_end.write(bytes([byte]))
        assert line.poll(0.1) == []
    far_end.write(data[-1:])
    assert line.poll(0.2) == [Received(JUDGED)]


def test_rubbish_is_counted_and_what_follows_it_comes_in(line, far_end):
    far_end.write(b"\x00\xff\x03\x04\x11\x13 rubbish\n" + messages.encode(*JUDGED))
    assert line.poll(0.1) == [Received(JUDGED)]
    assert line.refused_lines == 1


def test_every_byte_passes_the_line_unchanged_and_none_acts_on_it(line, far_end):
    """No echo, no translation of line ends, no ctrl-C, no flow control: what terminals do to bytes is off."""
    far_end.write(bytes(range(256)) + b"\n" + messages.encode(*JUDGED))
    assert line.poll(0.1) == [Received(JUDGED)]
    line.send(*ASK)
    assert far_end.read(b"\n") == messages.encode(*ASK), "an echo came before it"
    assert line.refused_lines == 2, "the byte of 10 cuts the 256 in two"


def test_a_message_that_no_board_sends_is_refused(line, far_end):
    far_end.write(messages.encode("dose", 10000001, 1, 1, 10, 10))
    assert line.poll(0.1) == []
    assert line.refused_lines == 1


def test_a_flood_is_taken_in_portions(line, far_end):
    data = messages.encode(*JUDGED)
    far_end.write(data * (2 * link.READ_BYTES_MAX // len(data)))
    first = line.poll(0.1)
    assert 0 < len(first) <= link.READ_BYTES_MAX // len(data) + 1
    assert len(line.poll(0.2)) > 0


def test_a_message_goes_out_as_one_line(line, far_end):
    dose = ("dose", 10000001, 3, 7, 400, 200)
    assert line.send(*dose) is True
    assert far_end.read(b"\n") == messages.encode(*dose)


def test_a_message_that_does_not_fit_the_table_is_the_caller_s_mistake(line):
    with pytest.raises(ValueError, match="dose"):
        line.send("dose", 7)


# -- down and up again --------------------------------------------------------------------------------------------


def test_what_came_in_before_the_port_was_opened_is_thrown_away(far_end):
    far_end.write(messages.encode(*JUDGED))
    line = Link(far_end.path, BAUD)
    assert line.poll(0.0) == [Found()]
    assert line.poll(0.1) == []
    line.close()


def test_half_a_line_that_an_earlier_host_left_behind_is_ended(far_end):
    with open(far_end.path, "wb", buffering=0) as earlier_host:
        earlier_host.write(b"dose 1 4")
        received = far_end.read(b"1 4")
    line = Link(far_end.path, BAUD)
    line.poll(0.0)
    line.send(*ASK)
    assert messages.LineReader().feed(received + far_end.read(messages.encode(*ASK))) == [ASK]
    line.close()


def test_before_the_first_poll_nothing_is_open_and_nothing_is_sent(far_end):
    line = Link(far_end.path, BAUD)
    assert line.send(*ASK) is False
    assert line.is_up is False


def test_a_port_that_is_missing_is_told_once_and_looked_for_with_growing_pauses(tmp_path, monkeypatch):
    line = Link(str(tmp_path / "no_such_port"), BAUD)
    attempts = []
    really_open = link._open
    monkeypatch.setattr(link, "_open", lambda path, baud: attempts.append(now) or really_open(path, baud))
    events = []
    for tenth in range(0, 250):
        now = tenth / 10
        events += line.poll(now)
    assert [type(event) for event in events] == [Lost]
    assert "no_such_port" in events[0].detail
    assert line.send(*ASK) is False
    assert attempts == pytest.approx([0.0, 0.5, 1.5, 3.5, 7.5, 12.5, 17.5, 22.5])
    pauses = [later - earlier for earlier, later in itertools.pairwise(attempts)]
    assert (pauses[0], max(pauses)) == (link.RETRY_S_MIN, link.RETRY_S_MAX)


def test_a_port_that_appears_is_found(tmp_path, far_end):
    port = tmp_path / "port"
    line = Link(str(port), BAUD)
    assert isinstance(line.poll(0.0)[0], Lost)
    port.symlink_to(far_end.path)
    assert line.poll(0.4) == []
    assert line.poll(0.5) == [Found()]
    far_end.write(messages.encode(*JUDGED))
    assert line.poll(0.6) == [Received(JUDGED)]
    line.close()


def test_a_line_that_vanishes_is_lost_once_and_found_again_where_its_name_leads_then(tmp_path, far_end):
    port = tmp_path / "port"
    port.symlink_to(far_end.path)
    line = Link(str(port), BAUD)
    assert line.poll(0.0) == [Found()]
    far_end.write(b"half a li")
    assert line.poll(0.1) == []
    far_end.vanish()
    (lost,) = line.poll(0.2)
    assert isinstance(lost, Lost)
    assert lost.detail
    assert line.send(*ASK) is False
    assert line.poll(0.3) == []
    assert line.poll(0.7) == [], "tried again, told already"
    other_end = FarEnd()
    port.unlink()
    port.symlink_to(other_end.path)
    assert line.poll(9.0) == [Found()]
    other_end.write(messages.encode(*JUDGED))
    assert line.poll(9.1) == [Received(JUDGED)], "the half line of before is not in front of it"
    line.close()
    other_end.vanish()


def test_a_name_that_leads_elsewhere_is_noticed_though_the_old_line_still_lives(tmp_path, far_end):
    port = tmp_path / "port"
    port.symlink_to(far_end.path)
    line = Link(str(port), BAUD)
    line.poll(0.0)
    other_end = FarEnd()
    port.unlink()
    port.symlink_to(other_end.path)
    (lost,) = line.poll(0.1)
    assert "another device" in lost.detail
    assert line.poll(0.6) == [Found()]
    line.send(*ASK)
    assert other_end.read(messages.encode(*ASK))
    line.close()
    other_end.vanish()


def test_a_line_that_comes_and_goes_without_a_message_is_opened_ever_more_rarely(tmp_path):
    port = tmp_path / "port"
    line = Link(str(port), BAUD)
    found_at = []
    for tenth in range(0, 200):
        end = FarEnd()
        port.unlink(missing_ok=True)
        port.symlink_to(end.path)  # another line at every look
        if Found() in line.poll(tenth / 10):
            found_at.append(tenth / 10)
        end.vanish()
    pauses = [later - earlier for earlier, later in itertools.pairwise(found_at)]
    assert pauses == sorted(pauses)
    assert pauses[0] < 1.0
    assert pauses[-1] >= link.RETRY_S_MAX


def test_the_port_is_for_one_program_alone(line, far_end):
    second = Link(far_end.path, BAUD)
    (lost,) = second.poll(0.0)
    assert "lock" in lost.detail
    line.close()
    assert second.poll(0.5) == [Found()]
    second.close()


def test_a_far_end_that_takes_nothing_costs_a_bounded_wait_once_and_the_line(line):
    longest_s = 0.0
    for _ in range(100000):
        begin_s = time.monotonic()
        went = line.send(*ASK)
        longest_s = max(longest_s, time.monotonic() - begin_s)
        if not went:
            break
    assert not went, "a pseudo-terminal that nobody reads fills up"
    assert longest_s < link.WRITE_S_MAX + 0.5, "the half second is for a busy machine"
    assert line.send(*ASK) is False
    assert isinstance(line.poll(0.1)[0], Lost)


def test_a_closed_link_is_lost_and_a_later_poll_opens_it_anew(line):
    line.close()
    assert line.poll(0.1) == [Lost("closed by this program")]
    assert line.poll(0.6) == [Found()]


# -- with the board under MicroPython -----------------------------------------------------------------------------


class Host:
    """The least a host does: it listens, numbers what it says, and renews the lease of the dose it named."""

    def __init__(self, stand, journal_id=JOURNAL):
        self.link = Link(str(stand.port), BAUD)
        self.talker = Talker(journal_id)
        self.received = []
        self.renewed_dose_id = None
        self.renewed_monotonic_s = 0.0
        self.listen()
        self.greet()

    def listen(self):
        now_s = time.monotonic()
        if self.renewed_dose_id is not None and now_s - self.renewed_monotonic_s > 0.2:
            self.renewed_monotonic_s = now_s
            self.say("renew", self.renewed_dose_id, limits.LEASE_MS_MAX)
        for event in self.link.poll(now_s):
            if isinstance(event, Received):
                self.talker.hear(event.message)
                self.received.append(event.message)

    def say(self, kind, *values):
        self.link.send(*self.talker.says(kind, *values))

    def await_message(self, kind, **fields):
        """The first message of this kind, with these values in its fields, that has come or comes; told plainly."""
        found = []

        def come():
            self.listen()
            for message in self.received:
                said = plain(message)
                if said[0] == kind and all(field(said, name) == value for name, value in fields.items()):
                    found.append(said)
            return bool(found)

        wait_until(come, f"a {kind} {fields} among {self.received}", SEEN_WITHIN_S)
        return found[0]

    def greet(self):
        """Say hello until the board answers the newest one, as the controller does."""
        self.received = []
        said_monotonic_s = -GREETED_EVERY_S

        def answered():
            nonlocal said_monotonic_s
            if time.monotonic() - said_monotonic_s >= GREETED_EVERY_S:
                said_monotonic_s = time.monotonic()
                self.link.send(*self.talker.hello())
            self.listen()
            return any(message[0] == "board" and message[7] == self.talker.hello_number for message in self.received)

        wait_until(answered, "a board that answers a greeting", SEEN_WITHIN_S)
        return self.await_message("board", hello_number=self.talker.hello_number)

    def dose(self, dose_id, steps, steps_per_s, renewed=True):
        self.say("dose", dose_id, steps, steps_per_s)
        assert self.await_message("judged", dose_id=dose_id)[2] == interlocks.ACCEPTED
        self.renewed_dose_id = dose_id if renewed else None


def of_doses(board):
    """What a board that was greeted knows of doses: the last one, its journal, and all that ever turned."""
    return tuple(field(board, name) for name in ("last_dose_id", "last_journal_id", "turned_total_steps"))


@pytest.fixture
def stand(tmp_path):
    with RunningStand(tmp_path / "stand") as stand:
        yield stand


@pytest.fixture
def host(stand):
    host = Host(stand)
    yield host
    host.link.close()


def test_a_board_answers_a_greeting_with_the_same_limits_and_its_probes(stand, host):
    board = host.await_message("board")
    assert board[1:4] == (limits.PROTOCOL, messages.LIMITS_CHECKSUM, JOURNAL)
    assert 1 <= field(board, "board_id") <= 999999999
    assert board[6:] == (0, 0, 0), "no dose, of no journal, and nothing turned"
    assert messages.boots_of(host.talker.session) == 1
    report = host.await_message("report")
    assert field(report, "state") == interlocks.RESTING
    assert [field(report, f"{probe}_counts") for probe in DRY] == list(DRY.values())


@pytest.mark.parametrize(("steps", "steps_per_s"), [(200, 400), (33, 77), (1, 1)])
def test_a_dose_turns_exactly_its_steps(stand, host, steps, steps_per_s):
    host.dose(1, steps, steps_per_s)
    assert host.await_message("done") == ("done", 1, steps, steps, interlocks.COMPLETE)
    assert stand.pulses() == steps, "done is said when all has turned"


def test_all_that_was_said_of_a_dose_may_come_again_and_nothing_turns_again(stand, host):
    """Copies, late lines of this conversation and, after another greeting, lines of the one before."""
    spoken = []
    really_send = host.link.send
    host.link.send = lambda *message: spoken.append(message) or really_send(*message)
    host.dose(1, 100, 400)
    host.await_message("done", dose_id=1)
    host.say("seen", 1)
    before = [message for message in spoken if message[0] != "hello"]
    for message in before:
        really_send(*message)
    host.greet()
    for message in before:
        really_send(*message)
    host.say("ask")
    asked = host.talker.number
    wait_until(lambda: host.listen() or any(message[3] == asked for message in host.received), "an echo of that")
    assert not [message for message in host.received if message[0] == "judged"]
    assert stand.pulses() == 100
    host.dose(2, 50, 400)
    host.await_message("done", dose_id=2)
    assert stand.pulses() == 150


def test_a_wet_probe_stops_the_motor_and_the_counted_pulses_are_those_that_were_said(stand, host):
    host.dose(1, 12000, 400)
    wait_until(lambda: stand.pulses() > 40, "a turning motor")
    stand.set_probes(leak=100)
    done = host.await_message("done")
    assert done[4] == interlocks.LEAK_WET
    assert done[2] == done[3] == stand.pulses()
    report = host.await_message("report", state=interlocks.TRIPPED)
    assert field(report, "trip_delay_ms") < 1000


def test_a_stop_in_mid_dose_says_exactly_what_turned(stand, host):
    host.dose(1, 12000, 400)
    wait_until(lambda: stand.pulses() > 40, "a turning motor")
    host.say("stop", 1)
    done = host.await_message("done")
    assert done[4] == interlocks.STOPPED
    assert done[2] == done[3] == stand.pulses()


def test_a_host_that_falls_silent_loses_the_motor_at_the_end_of_the_lease(stand, host):
    lease_ms = 400
    host.dose(1, 12000, 400, renewed=False)
    wait_until(lambda: stand.pulses() > 0, "a turning motor")
    host.say("renew", 1, lease_ms)
    host.greet()  # its answer shows that the board has the renewal
    pulses_at_silence = stand.pulses()
    done = host.await_message("done")
    # counted in pulses, not in time: a busy machine delays the board, but never lets it turn for longer
    pulses = stand.pulses()
    assert 0 <= pulses - pulses_at_silence <= 400 * (lease_ms + limits.TICK_MS) // 1000
    assert done[2:] == (pulses, pulses, interlocks.LEASE_LOST)
    time.sleep(0.1)
    assert stand.pulses() == pulses, "it rests"


def test_a_board_killed_in_mid_dose_says_what_it_can_vouch_for(stand, host):
    host.dose(1, 12000, 400)
    wait_until(lambda: stand.pulses() > 20, "a turning motor")
    stand.kill_board()
    host.renewed_dose_id = None
    pulses = stand.pulses()
    assert of_doses(host.greet()) == (1, JOURNAL, 12000), "in doubt it counts all"
    assert messages.boots_of(host.talker.session) == 2
    assert host.await_message("done") == ("done", 1, 0, 12000, interlocks.BOARD_RESTARTED)
    host.say("renew", 1, 3000)
    host.say("dose", 1, 12000, 400)
    assert host.await_message("judged")[2] == interlocks.DONE_NOT_SEEN
    assert 0 < stand.pulses() == pulses < 12000


def test_a_board_killed_after_a_dose_knows_it_exactly_and_says_it_until_it_was_seen(stand, host):
    host.dose(1, 50, 400)
    host.await_message("done")
    stand.kill_board()
    host.greet()
    assert host.await_message("done") == ("done", 1, 50, 50, interlocks.COMPLETE)
    host.say("seen", 1)
    host.dose(2, 50, 400)
    host.await_message("done", dose_id=2)
    assert stand.pulses() == 100


def test_a_board_whose_memory_was_lost_is_tripped(stand, host):
    identity = field(host.await_message("board"), "board_id")
    stand.kill_board(meanwhile=lambda: (stand.folder / "saved").unlink())
    assert field(host.greet(), "board_id") != identity, "it does not know who it was"
    assert field(host.await_message("report"), "trip_reason") == interlocks.STATE_LOST
    host.say("dose", 1, 10, 10)
    assert host.await_message("judged")[2] == interlocks.IS_TRIPPED


def test_a_technician_s_file_makes_a_board_fresh_once(stand, host):
    def replace_memory():
        (stand.folder / "saved").write_bytes(b"worn out")
        (stand.folder / "commission").touch()

    stand.kill_board(meanwhile=replace_memory)
    assert of_doses(host.greet()) == (0, 0, 0)
    assert messages.boots_of(host.talker.session) == 1
    assert field(host.await_message("report"), "trip_reason") is None
    assert not (stand.folder / "commission").exists()


ROTOR_PROGRAM = """
from firmware_bridge import main
main.ROTOR_PIN = 6
main.run()
"""


def test_a_rotor_sensor_confirms_a_dose_and_betrays_a_motor_that_runs_by_itself(stand, host):
    stand.kill_board(meanwhile=lambda: (stand.folder / "program.py").write_text(ROTOR_PROGRAM))
    host.greet()
    host.dose(1, 200, 400)
    assert host.await_message("done") == ("done", 1, 200, 200, interlocks.COMPLETE)
    (stand.folder / "runaway").touch()
    report = host.await_message("report", state=interlocks.TRIPPED)
    assert field(report, "trip_reason") == interlocks.MOVED_WHILE_STOPPED


def test_a_host_may_come_and_go(stand, host):
    host.dose(1, 30, 400)
    host.await_message("done")
    host.link.close()
    second = Host(stand, JOURNAL + 1)
    assert second.await_message("done") == ("done", 1, 30, 30, interlocks.COMPLETE)
    second.link.close()


def test_rubbish_at_a_turning_board_disturbs_nothing(stand, host):
    host.dose(1, 200, 400)
    with open(stand.port, "wb", buffering=0) as line:
        for start in range(0, 250, 25):
            line.write(bytes((start + n) % 256 for n in range(256)) * 2 + b"\n")
            host.listen()
    assert host.await_message("done") == ("done", 1, 200, 200, interlocks.COMPLETE)
    assert stand.pulses() == 200


def test_a_stand_that_is_started_anew_is_found_again_by_its_name(stand, host):
    host.dose(1, 12000, 400)
    wait_until(lambda: stand.pulses() > 20, "a turning motor")
    stand.stop()
    host.renewed_dose_id = None
    wait_until(lambda: host.listen() or not host.link.is_up, "a lost line")
    stand.start()
    wait_until(lambda: host.listen() or host.link.is_up, "the line again")
    assert of_doses(host.greet()) == (1, JOURNAL, 12000)
    assert messages.boots_of(host.talker.session) == 2
    assert host.await_message("done")[2:] == (0, 12000, interlocks.BOARD_RESTARTED)


def test_a_board_that_hangs_is_started_anew_by_its_watchdog(stand, host):
    """Stopped by a signal, as a program that hangs: the watchdog of the stand acts as that of a microcontroller."""
    host.dose(1, 12000, 400)
    wait_until(lambda: stand.pulses() > 20, "a turning motor")
    pid = stand.board_pid()
    stand.pause_board()
    wait_until(lambda: stand.board_pid() != pid, "a board after the hung one")
    host.renewed_dose_id = None
    wait_until(stand.is_fed, "a running board")
    assert of_doses(host.greet()) == (1, JOURNAL, 12000)
    assert messages.boots_of(host.talker.session) == 2
