"""Whatever arrives, a parser refuses it cleanly or answers a valid object: never another exception."""

import random
import signal
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType

from controller.chamber.air_sensor import AirSensor
from controller.chamber.sensor_bus import driver_on_virtual_time, sht31_checksum
from controller.control import model as m
from controller.control import sensing
from controller.control.step import step
from controller.errors import JournalError, SettingsError
from controller.plan import Settings
from controller.records.journal import Journal
from controller.settings import example_path, read_chamber, read_plan, settings_from_text
from firmware_bridge import messages
from firmware_bridge.board import Board, fresh_saved_line
from firmware_bridge.link import Link, Received
from tests import examples
from tests.campaigns.rows import Row
from tests.hostile import files, typed
from tests.hostile.bending import Parser, bent_bytes, words
from tests.hostile.lines import any_line, message_line
from tests.hostile.toml import bent_toml

INPUTS = 100_000
SEED = 20260302
INPUT_CPU_S_MAX = 2.0  # one input that takes longer is a hang
PLAN_TEXT = example_path("skerry-light.plan.toml").read_text(encoding="utf-8")
CHAMBER_TEXT = example_path("skerry-light.chamber.toml").read_text(encoding="utf-8")
BARE_PLAN_TEXT, BARE_CHAMBER_TEXT = (
    "\n".join(line for line in text.splitlines() if line and not line.startswith("#"))
    for text in (PLAN_TEXT, CHAMBER_TEXT)
)

# -- making inputs ----


def frame(chance: random.Random) -> bytes:
    """What a humidity sensor may put on the bus: right and wrong checksums, any length."""
    halves = [chance.choice((b"\x00\x00", b"\xff\xff", chance.randbytes(2))) for _ in range(2)]
    made = b"".join(word + bytes([sht31_checksum(word)]) for word in halves)
    way = chance.randrange(4)
    if way == 0:
        return made
    if way == 1:
        return made[: chance.randrange(6)] + chance.randbytes(chance.randrange(3))
    return bent_bytes(chance, made) if way == 2 else chance.randbytes(chance.randrange(12))


def request(chance: random.Random) -> m.Request:
    """What a person, or a page, may put into the table of requests."""
    number = (None, 0.0, -1.0, 1e308, float("inf"), float("-inf"), float("nan"), chance.uniform(0, 400))
    whole = (None, 0, 1, 3, -1, 10**30, -(2**63), 2**63, chance.randrange(-5, 300))
    step_names = [s.name for s in examples.SETTINGS.hands_on_steps]
    return m.Request(
        at=examples.moment(1),
        request_id=0,
        request=chance.choice((m.SIGN_STEP, m.CLEAR_TRIP, m.OBSERVE, m.OBSERVE, m.END_RUN, words(chance))),
        asked_by=chance.choice(("LK", "", "  ", words(chance))),
        subject=chance.choice((*step_names, "leak_wet", "air_too_hot", words(chance))),
        drained_g=chance.choice(number),
        note=words(chance),
        position=chance.choice(whole),
        emerged=chance.choice((None, True, False)),
        height_mm=chance.choice(number),
        leaves=chance.choice(whole),
        growth_stage_bbch=chance.choice(whole),
    )


# -- judging what comes of them ----


def _file_judge(read: Callable[[Path], object]) -> Callable[[object], bool]:
    folder = tempfile.TemporaryDirectory()  # gone with the function that holds it
    path = Path(folder.name) / "a.toml"

    def judge(content: object, held: object = folder) -> bool:
        assert isinstance(content, bytes)
        path.write_bytes(content)
        try:
            read(path)
        except SettingsError as error:
            assert error.sentences  # noqa: PT017 (a refusal is as good as an object, if it is said well)
            for sentence in error.sentences:
                assert sentence.startswith("a.toml:"), sentence
                assert "\n" not in sentence, sentence
            return False
        return True

    return judge


def _both_judge(pair: object) -> bool:
    assert isinstance(pair, tuple)
    try:
        found = settings_from_text(*pair)
    except SettingsError as error:
        assert error.sentences  # noqa: PT017
        return False
    assert isinstance(found, Settings)
    assert 0.0 <= found.lamp_duty_fraction <= 1.0
    return True


def _decode_judge(line: object) -> bool:
    assert isinstance(line, bytes)
    message = messages.decode(line)
    assert message is None or messages.encode(str(message[0]), *message[1:])[:-1] == line, message
    return message is not None


def _reader_judge(stream: object) -> bool:
    assert isinstance(stream, list)
    reader = messages.LineReader()
    found = [message for part in stream for message in reader.feed(part)]
    whole = b"".join(stream).split(b"\n")[:-1]
    assert len(found) + reader.refused_lines == sum(1 for line in whole if line), "a line was lost without a count"
    assert len(reader._buffer) <= messages.LINE_BYTES_MAX
    return bool(found)


class _Port:
    """The far end of a line that says the given bytes."""

    def __init__(self, data: bytes) -> None:
        self._data = data

    def read(self, size: int) -> bytes:
        data, self._data = self._data[:size], self._data[size:]
        return data

    def close(self) -> None:
        return


def _link_judge(stream: object) -> bool:
    assert isinstance(stream, list)
    link = Link("/dev/null", 115_200)
    link._open_port = _Port(b"".join(stream) + b"\n")  # type: ignore[assignment]
    link._device_number = Path("/dev/null").stat().st_rdev
    received = link.poll(0.0)
    assert all(isinstance(event, Received) and event.message[0] in messages.TO_HOST for event in received)
    state = examples.growing()
    for event in received:
        assert isinstance(event, Received)
        state, _ = step(state, m.BoardReported(state.now, event.message), examples.SETTINGS)
    return bool(received)


def _saved_judge(line: object) -> bool:
    assert isinstance(line, bytes)
    board = Board(line, 1)
    board.take_to_save()
    board.tick(10, 2000, 2000, 1000, 1700, 0)
    return board.law.trip_reason != "state_lost"


class _OneFrame:
    def __init__(self) -> None:
        self.frame = b""

    def try_lock(self) -> bool:
        return True

    def unlock(self) -> None:
        return

    def writeto(self, address: int, buffer: bytes, *, start: int = 0, end: int | None = None) -> None:
        return

    def readfrom_into(self, address: int, buffer: bytearray, *, start: int = 0, end: int | None = None) -> None:
        buffer[: len(self.frame)] = self.frame  # a longer frame makes the buffer longer, as a bad bus driver would


def _frame_judge() -> Callable[[object], bool]:
    bus = _OneFrame()
    sensor = AirSensor(bus, 0x44, driver_on_virtual_time())

    def judge(data: object) -> bool:
        assert isinstance(data, bytes)
        bus.frame = data
        found = sensor.read()
        if found is None:
            assert sensor.last_error
            return False
        temperature_c, humidity_pct = found
        assert -45.0 <= temperature_c <= 130.0
        assert 0.0 <= humidity_pct <= 100.0
        channel = sensing.judge(m.UNREAD, temperature_c, 0, sensing.AIR_TEMPERATURE_C)
        assert channel.quality == (m.GOOD if -20.0 <= temperature_c <= 70.0 else m.SUSPECT)
        return True

    return judge


def _request_judge(folder: Path) -> Callable[[object], bool]:
    journal = Journal.create(folder / "journal.sqlite", "run-1", examples.SETTINGS, "0", simulated=True)
    journal.wait_for_disk(False)
    state = examples.growing(trips=(("leak_wet", m.ON_BOARD), (m.AIR_TOO_HOT, m.ON_HOST)))

    def judge(wish: object) -> bool:
        assert isinstance(wish, m.Request)
        try:
            number = journal.ask(wish)
        except JournalError:
            return False
        kept = next(journal.records(m.Request, "request_id = ?", (number,)))
        _, actions = step(state, m.RequestMade(state.now, kept), examples.SETTINGS)
        answers = [a.record for a in actions if isinstance(a, m.Append) and isinstance(a.record, m.RequestAnswered)]
        asked = [a for a in actions if isinstance(a, m.SendToBoard)]
        assert all(command.kind in ("clear", "stop") for command in asked), "a request moved water"
        assert len(answers) == 1 or (not answers and [command.kind for command in asked] == ["clear"])
        for action in actions:
            if isinstance(action, m.Append):
                journal.append(action.record)
        return bool(answers) and answers[0].granted

    return judge


def _stream(chance: random.Random) -> list[bytes]:
    data = b"".join(any_line(chance) + chance.choice((b"\n", b"\n", b"\r\n", b"")) for _ in range(chance.randrange(4)))
    cut = chance.randrange(len(data) + 1)
    return [data[:cut], data[cut:]]


def _saved_line(chance: random.Random) -> bytes:
    way = chance.randrange(4)
    if way == 0:
        return message_line(chance, ("saved",))
    return bent_bytes(chance, fresh_saved_line(1)) if way == 1 else any_line(chance)


def parsers(folder: Path) -> list[Parser]:
    """Every parser that bytes or words from outside can reach."""

    def pair(chance: random.Random) -> tuple[str, str]:
        texts = [bent_toml(chance, text).decode(errors="replace") for text in (BARE_PLAN_TEXT, BARE_CHAMBER_TEXT)]
        keep = chance.randrange(3)
        return (BARE_PLAN_TEXT, texts[1]) if keep == 0 else (texts[0], BARE_CHAMBER_TEXT if keep == 1 else texts[1])

    return [
        Parser(
            "plan file",
            lambda chance: bent_toml(chance, chance.choice((PLAN_TEXT, BARE_PLAN_TEXT))),
            _file_judge(read_plan),
        ),
        Parser(
            "chamber file",
            lambda chance: bent_toml(chance, chance.choice((CHAMBER_TEXT, BARE_CHAMBER_TEXT))),
            _file_judge(read_chamber),
        ),
        Parser("both files against each other", pair, _both_judge),
        Parser("message line", any_line, _decode_judge),
        Parser("stream of lines", _stream, _reader_judge),
        Parser("serial line and the law behind it", _stream, _link_judge),
        Parser("the board's saved line", _saved_line, _saved_judge),
        Parser("frame of the air sensor", frame, _frame_judge()),
        Parser("request or observation", request, _request_judge(folder)),
        *files.parsers(folder),
        *typed.parsers(),
    ]


class HungError(Exception):
    """An input took longer than its time."""


@contextmanager
def hang_is_an_error() -> Iterator[None]:
    """Within it, ``setitimer`` of the time that a process spends ends in an exception (setitimer(2))."""

    def ring(number: int, frame: FrameType | None) -> None:
        raise HungError(f"more than {INPUT_CPU_S_MAX:g} s")

    before = signal.signal(signal.SIGPROF, ring)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        signal.signal(signal.SIGPROF, before)


def try_parser(parser: Parser, inputs: int, seed: int = SEED) -> Row:
    """Feed one parser; a failure is told with the input that caused it."""
    chance = random.Random(f"{seed} {parser.name}")
    taken = failed = 0
    worst, slowest_s, began_s = "", 0.0, time.process_time()
    with hang_is_an_error():
        for number in range(inputs):
            given = parser.make(chance)
            signal.setitimer(signal.ITIMER_PROF, INPUT_CPU_S_MAX)
            fed_s = time.process_time()
            try:
                taken += parser.judge(given)
            except Exception as error:  # that is what is looked for
                failed += 1
                what = f"{type(error).__name__}: {str(error)[:80]} at {given!r:.200}"
                worst = worst or f"seed {seed}, input {number}: {what}"
            slowest_s = max(slowest_s, time.process_time() - fed_s)
    rate = inputs / max(1e-9, time.process_time() - began_s)
    told = f"{taken} taken, {inputs - failed - taken} refused; {rate:.0f} a second, slowest {slowest_s * 1000:.0f} ms"
    return Row(f"fuzz: {parser.name}", inputs, inputs - failed, worst or told)


def campaign(scale: float = 1.0) -> list[Row]:
    with tempfile.TemporaryDirectory() as folder:
        return [try_parser(parser, max(1, round(INPUTS * scale))) for parser in parsers(Path(folder))]
