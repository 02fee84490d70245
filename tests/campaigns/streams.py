"""A hostile line and a hostile world: the board meets any order of commands, rubbish, probes and power cuts."""

from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule, run_state_machine_as_test

from firmware_bridge import interlocks, limits, messages
from firmware_bridge.board import Board, fresh_saved_line
from tests.campaigns.rows import Row

DRY = (2000, 2000, 1000)
HOUR_MS = 3_600_000
counts = st.one_of(st.sampled_from([2000, 1399, 1400, 3200, 3201, 0, 4095]), st.integers(-(2**16), 2**16))
elapsed = st.one_of(st.sampled_from([1, 10, 10, 10, 100, 500, 2990, 3001, HOUR_MS]), st.integers(-5, 10**8))
words = st.one_of(st.sampled_from(interlocks.TRIP_REASONS), st.none())
numbers = st.one_of(
    st.integers(0, 40), st.sampled_from([limits.DOSE_STEPS_MAX, limits.DOSE_STEPS_MAX + 1, messages.DOSE_ID_MAX])
)
# Of a conversation these hold only what lies beyond the conversation in hand: which one, and how far behind or ahead
SESSIONS_OFF = st.sampled_from([0, 0, 0, 0, -1, 1, -messages.SESSIONS_PER_BOOT, messages.SESSIONS_PER_BOOT])
NUMBERS_OFF = st.sampled_from([1, 1, 1, 1, 2, 50, 0, -1, -7])
hellos = st.tuples(
    st.just("hello"), st.integers(0, 3), st.sampled_from([messages.LIMITS_CHECKSUM, 0]), st.integers(0, 2), numbers
)
commands = st.one_of(
    st.tuples(st.just("dose"), SESSIONS_OFF, NUMBERS_OFF, numbers, numbers, st.sampled_from([0, 1, 100, 400, 401])),
    st.tuples(st.just("renew"), SESSIONS_OFF, NUMBERS_OFF, numbers, st.sampled_from([0, 1, 3000, 3001, 10**9])),
    st.tuples(st.just("stop"), SESSIONS_OFF, NUMBERS_OFF, numbers),
    st.tuples(st.just("ask"), SESSIONS_OFF, NUMBERS_OFF),
    st.tuples(st.just("clear"), SESSIONS_OFF, NUMBERS_OFF, st.integers(0, 4), words),
    st.tuples(st.just("seen"), SESSIONS_OFF, NUMBERS_OFF, numbers),
)


class HostileWorld(RuleBasedStateMachine):
    """The board's program beside a witness that counts what was granted and what truly turned."""

    def __init__(self) -> None:
        super().__init__()
        self.memory: bytes | None = fresh_saved_line(1)
        self.identities = 1
        self.board = Board(self.memory, self._draw_identity())
        self.identity = 1
        self.hellos = 0
        self.total_steps = 0  # what the board has saved as turned in its life
        self.life_steps = 0  # what truly turned in its life
        self.granted_life_steps = 0
        self._begin_conversation()
        self.sent: list[bytes] = []  # every whole line of this world, old ones of other conversations among them
        self.obeyed: set[tuple[int, int]] = set()  # session and number of every message that was ever news
        self.now_ms = 0
        self.lease_end_ms = 0
        self.ordered = 0
        self.granted: dict[int, int] = {}
        self.turned: list[tuple[int, int, int]] = []  # (moment, dose_id, steps)
        self.half = b""
        self.dry_since_ms = 0
        self.latched: str | None = None
        self._hear()
        self._save()

    def _begin_conversation(self) -> None:
        self.session = self.board.session  # of the newest conversation
        self.heard = 0  # the newest number that was sent to the board in it
        self.said = 0  # the number of the board's last message in it

    # -- what the world does ----

    @rule(command=commands, copies=st.integers(1, 3))
    def a_command_arrives_once_or_more(self, command, copies):
        self._receive(self._line(command) * copies)

    @rule(hello=hellos, copies=st.integers(1, 3))
    def somebody_greets_once_or_more(self, hello, copies):
        self._receive(messages.encode(*hello) * copies)

    @precondition(lambda self: self.sent)
    @rule(place=st.integers(0, 10**6), copies=st.integers(1, 2))
    def a_line_of_before_arrives_late(self, place, copies):
        self._receive(self.sent[place % len(self.sent)] * copies)

    @rule(command=commands, keep=st.integers(0, 60))
    def a_line_is_cut_short(self, command, keep):
        self._receive(self._line(command)[:keep])

    @rule(command=commands, place=st.integers(0, 80), value=st.integers(0, 255))
    def a_byte_is_changed(self, command, place, value):
        line = bytearray(self._line(command))
        line[place % len(line)] = value
        self._receive(bytes(line))

    @rule(
        kind=st.sampled_from([b"dose %d %d %d 40 100", b"seen %d %d %d", b"renew %d %d %d 3000", b"stop %d %d %d"]),
        beyond=st.sampled_from([1, 2, 10**11]),
    )
    def an_id_beyond_its_bound_arrives(self, kind, beyond):
        body = kind % (self.session, self.heard + 1, messages.DOSE_ID_MAX + beyond)
        self._receive(body + b" %04X\n" % messages.checksum(body))

    @rule(data=st.binary(max_size=300))
    def rubbish_arrives(self, data):
        self._receive(data)

    @precondition(lambda self: self.board.law.last_dose_id < messages.DOSE_ID_MAX)
    @rule(steps=st.sampled_from([1, 40, 2400, limits.DOSE_STEPS_MAX]), rate=st.sampled_from([1, 100, 400]))
    def a_healthy_host_greets_and_doses(self, steps, rate):
        self.hellos += 1
        hello = messages.encode("hello", limits.PROTOCOL, messages.LIMITS_CHECKSUM, 9, self.hellos)
        self._receive(b"\n" + hello)
        if self.granted:
            self._receive(self._line(("seen", 0, 1, max(self.granted))))
        self._receive(self._line(("dose", 0, 1, self.board.law.last_dose_id + 1, steps, rate)))
        self._save()

    @precondition(lambda self: self.granted)
    @rule(lease_ms=st.sampled_from([1, 100, 3000]))
    def a_healthy_host_renews(self, lease_ms):
        self._receive(b"\n" + self._line(("renew", 0, 1, max(self.granted), lease_ms)))

    @precondition(lambda self: self.latched is not None)
    @rule(behind=st.integers(0, 1))
    def a_person_dries_a_probe_and_clears_this_trip_or_the_one_before(self, behind):
        for _ in range(limits.DRY_MS_MIN // 1000):
            self._tick(1000, (*DRY, 2600), self.ordered)
        self._receive(b"\n" + self._line(("clear", 0, 1, max(0, self.board.law.trip_number - behind), self.latched)))

    @rule()
    def the_memory_takes_what_is_to_be_saved(self):
        self._save()

    @rule(probes=st.tuples(counts, counts, counts, counts), elapsed_ms=elapsed, surplus=st.integers(-50, 50))
    def time_passes_with_any_probes(self, probes, elapsed_ms, surplus):
        self._tick(elapsed_ms, probes, max(0, self.ordered + surplus))

    @rule(elapsed_ms=st.sampled_from([1, 10, 100, 1000]), times=st.integers(1, 20))
    def time_passes_quietly(self, elapsed_ms, times):
        for _ in range(times):
            self._tick(elapsed_ms, (*DRY, 2600), self.ordered)

    @rule(keeps=st.sampled_from(["all", "nothing", "rubbish"]))
    def the_power_fails(self, keeps):
        self._restart(keeps)

    @precondition(lambda self: self.board.law.state == interlocks.TURNING)
    @rule(elapsed_ms=st.sampled_from([10, 500, 2000]))
    def the_power_fails_while_the_motor_turns(self, elapsed_ms):
        self._tick(elapsed_ms, (*DRY, 2600), self.ordered)
        self._restart("all")

    def _restart(self, keeps: str) -> None:
        if keeps != "all":
            self.memory = None if keeps == "nothing" else b"saved 1 2 3"
            self.obeyed.clear()  # a board that lost its memory is another one, whose conversations begin again
        self.board = Board(self.memory, self._draw_identity())
        assert self.board.board_id == (self.identity if keeps == "all" else self.identities)
        self.identity = self.board.board_id
        assert self.board.session > self.session or keeps != "all", "a conversation began again"
        self._begin_conversation()
        self.ordered = 0
        self.lease_end_ms = self.now_ms
        self.dry_since_ms = self.now_ms
        self.latched = self.board.law.trip_reason
        self._hear()
        if keeps != "all":
            self.total_steps = self.life_steps = self.granted_life_steps = 0
        self._save()
        if keeps == "all":  # what was never saved never turned, and its id may come again
            assert all(dose_id <= self.board.law.last_dose_id for _, dose_id, _ in self.turned), "turned unsaved"
            self.granted = {i: steps for i, steps in self.granted.items() if i <= self.board.law.last_dose_id}
        else:
            # Ids of a board without memory begin again, as does its day, which counts as full.
            self.granted.clear()
            self.turned = [(self.now_ms, 0, limits.WINDOW_STEPS_MAX)]

    # -- how it is watched ----

    def _draw_identity(self) -> int:
        self.identities += 1
        return self.identities

    def _line(self, command: tuple[object, ...]) -> bytes:
        """The line of a command, so far from the session and the number in hand as it says."""
        kind, session_off, number_off, *values = command
        session = min(max(0, self.session + int(str(session_off))), messages.NUMBER_MAX)
        number = max(0, self.heard + int(str(number_off)))
        line = messages.encode(str(kind), session, number, *values)  # type: ignore[arg-type]
        self.sent.append(line)
        return line

    def _receive(self, data: bytes) -> None:
        """Give the board its lines one at a time, so that the witness sees what each of them did."""
        for piece in data.splitlines(keepends=True):
            self._receive_piece(piece)

    def _receive_piece(self, data: bytes) -> None:
        law = self.board.law
        before, dose_before, steps_before = law.trip_reason, law.dose_in_hand() and law.last_dose_id, law.last_dose_id
        reader_had, reader_dropped = self.board._reader._buffer, self.board._reader._overlong
        self.board.receive(data)
        taken = messages.LineReader()
        taken._buffer, taken._overlong = reader_had, reader_dropped
        found = taken.feed(data)
        assert len(found) <= 1
        message = found[0] if found else ("nothing",)
        is_news = self._is_news(message)
        if message[0] == "renew" and is_news and self.granted and message[3] == max(self.granted):
            lease_ms = int(message[4] or 0)
            if lease_ms > 0:
                self.lease_end_ms = self.now_ms + min(lease_ms, limits.LEASE_MS_MAX)
        for said in self._hear():
            if said[0] == "cleared" and said[5] == interlocks.ACCEPTED:
                assert before is not None
                assert is_news, "cleared by what is late, a copy or of another conversation"
                assert message[3:] == (law.trip_number, before), "cleared by the number of another trip"
                assert self.now_ms - self.dry_since_ms >= limits.DRY_MS_MIN, "cleared while wet"
                self.latched = None
        if law.last_dose_id != steps_before:
            assert is_news, "a dose that is late, a copy or of another conversation was obeyed"
            assert message[0] == "dose"
        if dose_before and not law.dose_in_hand():
            assert message[0] == "stop", "a dose was ended by another line than a stop"
            assert message[3] == dose_before, "a dose was ended by the stop of another"
        if law.last_dose_id not in self.granted and law.state in (interlocks.SAVING, interlocks.TURNING):
            assert all(law.last_dose_id > dose_id for dose_id in self.granted), "an id came twice"
            self.granted[law.last_dose_id] = law.dose_steps
            self.granted_life_steps += law.dose_steps
            self.lease_end_ms = max(self.lease_end_ms, self.now_ms + limits.LEASE_MS_MAX)

    def _is_news(self, message: tuple[object, ...]) -> bool:
        """Whether it is of the conversation in hand and newer than all before; the witness keeps its own count."""
        if message[0] not in messages.TO_BOARD or message[0] == "hello":
            return False
        session, number = int(str(message[1])), int(str(message[2]))
        if session != self.session or number <= self.heard:
            return False
        assert (session, number) not in self.obeyed, "the same number twice"
        self.obeyed.add((session, number))
        self.heard = number
        return True

    def _hear(self) -> list[tuple[object, ...]]:
        """What the board says is always whole, valid lines, numbered in turn, and its echo is true."""
        output = self.board.take_output()
        found = [messages.decode(line) for line in output.splitlines()]
        assert all(message is not None and message[0] in messages.TO_HOST for message in found)
        for message in found:
            assert message is not None
            session, number, echo = (messages.number(message, name) for name in ("session", "number", "echo"))
            if session != self.session:
                assert session > self.session, "a conversation began again"
                self.session, self.heard, self.said = session, 0, 0
            assert (number, echo) == (self.said + 1, self.heard)
            self.said = number
        return [message for message in found if message is not None]

    def _save(self) -> None:
        line = self.board.take_to_save()
        if line is not None:
            saved = messages.decode(line)
            assert saved is not None
            total_steps = messages.number(saved, "turned_total_steps")
            assert self.total_steps <= total_steps <= self.granted_life_steps
            assert self.life_steps <= total_steps + (self.board.law.dose_steps if self.board.law.dose_in_hand() else 0)
            self.total_steps = total_steps
            self.memory = line
            self.board.intent_saved()

    def _tick(self, elapsed_ms: int, probes: tuple[int, int, int, int], rotor_steps: int) -> None:
        state = self.board.law.state
        self.now_ms += max(0, elapsed_ms)
        fault = interlocks.probe_fault(*probes[:3])
        if fault is not None:
            self.dry_since_ms = self.now_ms
        self.ordered = self.board.tick(elapsed_ms, *probes, rotor_steps)
        if self.ordered:
            assert state == interlocks.TURNING
            assert fault is None, "turned in the tick that saw a fault"
            assert self.now_ms <= self.lease_end_ms, "turned beyond the lease"
            self.turned.append((self.now_ms, max(self.granted), self.ordered))
            self.life_steps += self.ordered
        law = self.board.law
        if fault is not None:
            assert law.state == interlocks.TRIPPED
        if law.state == interlocks.TRIPPED:
            assert self.ordered == 0
            assert self.latched in (None, law.trip_reason), "the first reason was lost"
            self.latched = law.trip_reason
        else:
            assert self.latched is None, "a trip left by itself"
        self._hear()
        self._save()

    @invariant()
    def no_dose_turns_more_than_was_accepted(self):
        for dose_id, steps in self.granted.items():
            assert sum(part for _, of, part in self.turned if of == dose_id) <= steps

    @invariant()
    def no_day_turns_more_than_its_limit(self):
        day = sum(part for at_ms, _, part in self.turned if at_ms > self.now_ms - 24 * HOUR_MS)
        assert day <= limits.WINDOW_STEPS_MAX

    @invariant()
    def the_reader_of_the_line_stays_small(self):
        assert len(self.board._reader._buffer) <= messages.LINE_BYTES_MAX


def quietly(examples: int, steps: int = 60) -> settings:
    return settings(
        max_examples=examples,
        stateful_step_count=steps,
        deadline=None,
        database=None,
        phases=[Phase.generate, Phase.shrink],
        suppress_health_check=list(HealthCheck),
    )


def campaign(scale: float = 1.0) -> list[Row]:
    examples = max(1, round(3000 * scale))
    run_state_machine_as_test(HostileWorld, settings=quietly(examples))
    return [Row("hostile streams: orders of up to 60 happenings", examples, examples, "no invariant broken")]
