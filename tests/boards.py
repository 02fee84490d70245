"""A board's program on a bench, and a host that numbers what it says to it, for the tests of the board."""

from firmware_bridge import interlocks, limits, messages
from firmware_bridge.board import Board

DRY = (2000, 2000, 1000, 2600)  # counts of leak, overfill float, reservoir float, moisture
WET = (100, 2000, 1000, 2600)
IDENTITY = 41  # of the board that the tests commission
NEXT_IDENTITY = 4242  # what a board draws that has lost its own
JOURNAL = 7  # of the host that greets


class Talker:
    """The host's half of a conversation: it greets, takes the session out of the answer, and counts its messages."""

    def __init__(self, journal_id=JOURNAL):
        self.journal_id = journal_id
        self.hello_number = 0
        self.session = 0
        self.number = 0

    def hello(self, protocol=limits.PROTOCOL, checksum=messages.LIMITS_CHECKSUM):
        """A new greeting."""
        self.hello_number += 1
        return ("hello", protocol, checksum, self.journal_id, self.hello_number)

    def says(self, kind, *values):
        """The next message of this conversation."""
        self.number += 1
        return (kind, self.session, self.number, *values)

    def hear(self, message):
        """Of an answer to the newest greeting the session is taken, and counting begins anew."""
        if message[0] != "board" or (message[6], message[7]) != (self.journal_id, self.hello_number):
            return
        if message[1] != self.session:
            self.session, self.number = message[1], 0


def plain(message):
    """A message without its place in the conversation: session, number and echo."""
    return (message[0], *message[4:])


def field(message, name):
    """The value of a field of a plain message of the board."""
    return message[1 + messages.FIELDS[message[0]][3:].index(name)]


class Bench:
    """A board with what stands round it: a memory that survives a power cut, and a count of what truly turned."""

    def __init__(self, saved=None):
        self.memory = saved
        self.turned_steps = 0
        self.talker = Talker()
        self.power_on()

    def power_on(self):
        self.board = Board(self.memory, NEXT_IDENTITY)
        self.ordered = 0
        self.said = []
        self._said_before = (0, 0)  # session and number of the board's last message

    def save(self):
        line = self.board.take_to_save()
        if line is not None:
            self.memory = line
            self.board.intent_saved()
        return line

    def greet(self, **other):
        """Greet anew; answer what the board said, as plain messages."""
        self.receive(self.talker.hello(**other))
        return self.listen()

    def send(self, kind, *values):
        """Say the next message of the conversation; answer what the board said, as plain messages."""
        self.receive(self.talker.says(kind, *values))
        return self.listen()

    def receive(self, *whole_messages):
        self.board.receive(b"".join(messages.encode(*message) for message in whole_messages))

    def hear(self):
        """What the board has said since it was last listened to, whole: numbered in turn in its session."""
        said = messages.LineReader().feed(self.board.take_output())
        for message in said:
            session, number = message[1:3]
            session_before, number_before = self._said_before
            assert session >= session_before
            assert number == (number_before + 1 if session == session_before else 1)
            self._said_before = (session, number)
            self.talker.hear(message)
        return said

    def listen(self):
        """The same as plain messages."""
        said = [plain(message) for message in self.hear()]
        self.said += said
        return said

    def tick(self, elapsed_ms=limits.TICK_MS, probes=DRY):
        """A tick in the order of main.py: what was ordered turns, then what is to be saved is, then the next."""
        self.turned_steps += self.ordered
        before, self.ordered = self.ordered, 0
        self.save()
        self.ordered = self.board.tick(elapsed_ms, *probes, before)
        return self.listen()

    def dose(self, dose_id, steps=1000, steps_per_s=100):
        said = self.send("dose", dose_id, steps, steps_per_s)
        assert ("judged", dose_id, interlocks.ACCEPTED) in said

    def finish(self, dose_id):
        """Run under a renewed lease until the dose is done; answer what was said."""
        said = []
        for _ in range(2000):
            self.receive(self.talker.says("renew", dose_id, limits.LEASE_MS_MAX))
            said += self.tick(100)
            if any(message[0] == "done" for message in said):
                self.tick(0)
                return said
        raise AssertionError("the dose never ended")

    def clear(self, trip_reason, trip_number=None):
        """Ask to clear a trip, by its number that stands now unless another is given."""
        return self.send("clear", self.board.law.trip_number if trip_number is None else trip_number, trip_reason)

    def trip_reason(self):
        """The trip that the board tells of in its answer to a greeting."""
        self.tick(0)
        (report,) = [message for message in self.greet() if message[0] == "report"]
        return field(report, "trip_reason")


def saved_values(line):
    """What stands in a saved line, by name."""
    return dict(zip(messages.FIELDS["saved"], messages.decode(line)[1:], strict=True))


def with_saved(line, **values):
    """The saved line with other values in some of its fields."""
    return messages.encode("saved", *{**saved_values(line), **values}.values())[:-1]


def but_reports(said):
    """What was said beside the reports that go out unasked."""
    return [message for message in said if message[0] != "report"]


def kinds(said):
    return [message[0] for message in said]
