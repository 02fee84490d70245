"""Whatever arrives, a parser refuses it cleanly or answers a valid object: never another exception."""

import random
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from controller.chamber.air_sensor import AirSensor
from controller.chamber.faults import FAULTS, parse_fault
from controller.chamber.sensor_bus import driver_on_virtual_time, sht31_checksum
from controller.commands.reading import _moment, span_s
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

INPUTS = 100_000
SEED = 20260302
PLAN_TEXT = example_path("skerry-light.plan.toml").read_text(encoding="utf-8")
CHAMBER_TEXT = example_path("skerry-light.chamber.toml").read_text(encoding="utf-8")
VALUES = (
    "0", "-1", "1", "1e308", "-1e308", "nan", "inf", "-inf", "true", '""', "[]", "{}", "9" * 400, "9" * 20, "1e-320",
    "0x7fffffffffffffffffff", "2026-02-29", "2026-03-02T06:00:00", "25:00:00", "06:00:00", "'\\u0000'", '"\\uD800"',
    "[[[[]]]]", "'''", '"' + "x" * 300 + '"', "0.1", "12", "300.0000001", '"UTC"', '"Mars/Olympus"', '"../etc"',
    "\ufeff",
)  # fmt: skip
ODD = (
    "\x00",
    "\ufeff",
    "\ud800",
    "é",
    "²",
    "٣",
    "\u202e",
    "\n",
    "'",
    '"',
    "=",
    "[",
    "]",
    "{",
    "}",
    "#",
    "\x1b[2J",
    ".",
)

Outcome = tuple[bool, str]  # whether it was survived, and what happened where not


class Parser(NamedTuple):
    """``make`` an input by chance, ``judge`` it: True for an object, False for a clean refusal, else AssertionError."""

    name: str
    make: Callable[[random.Random], object]
    judge: Callable[[object], bool]


# -- making inputs ----


def _bytes(chance: random.Random, most: int = 300) -> bytes:
    return chance.randbytes(chance.randrange(most))


def _bent_bytes(chance: random.Random, whole: bytes) -> bytes:
    """Bytes with some changed, left out, doubled or put in."""
    bent = bytearray(whole)
    for _ in range(chance.randrange(1, 5)):
        at = chance.randrange(len(bent) + 1)
        change = chance.randrange(5)
        if change == 0 and at < len(bent):
            bent[at] ^= 1 << chance.randrange(8)
        elif change == 1:
            del bent[at : at + chance.randrange(1, 9)]
        elif change == 2:
            bent[at:at] = bent[at : at + chance.randrange(1, 40)]
        elif change == 3:
            bent[at:at] = chance.randbytes(chance.randrange(1, 5))
        else:
            bent = bent[:at] or bent
    return bytes(bent)


def bent_toml(chance: random.Random, text: str) -> bytes:
    """A shipped file with values changed, lines lost, doubled or moved, or bytes bent."""
    if chance.random() < 0.03:
        return _bytes(chance)
    lines = text.splitlines()
    for _ in range(chance.randrange(1, 4)):
        at = chance.randrange(len(lines))
        change = chance.randrange(6)
        if change < 3 and "=" in lines[at]:
            key, value = lines[at].split("=", 1)
            other = chance.choice(lines).partition("=")[2] or value
            lines[at] = f"{key}= {chance.choice((chance.choice(VALUES), repr(chance.uniform(-1e3, 1e4)), other))}"
        elif change == 3:
            del lines[at]
        elif change == 4:
            lines.insert(at, chance.choice(lines))
        else:
            where = chance.randrange(len(lines[at]) + 1)
            lines[at] = lines[at][:where] + chance.choice(ODD) + lines[at][where:]
    content = "\n".join(lines).encode(errors="surrogatepass")
    return _bent_bytes(chance, content) if chance.random() < 0.2 else content


def _number(chance: random.Random) -> int:
    return chance.choice((0, 1, 5, 4095, 12_000, messages.NUMBER_MAX - 1, messages.NUMBER_MAX, chance.getrandbits(39)))


def message_line(chance: random.Random, kinds: tuple[str, ...] = tuple(messages.FIELDS)) -> bytes:
    """A message that fits the table, with values from anywhere in it, without its line feed."""
    kind = chance.choice(kinds)
    words = (None, "leak_wet", "state_lost", "complete", "turning", "_", "x" * 10)
    values: list[str | int | None] = [
        chance.choice(words) if is_word else _number(chance) for is_word in messages.WORD_FIELDS[kind]
    ]
    if kind == "saved":  # so many numbers at their longest would not fit a line
        values[len(values) - len(messages.SLOT_FIELDS) :] = [chance.randrange(3_000) for _ in messages.SLOT_FIELDS]
        values = [min(v, 99_999_999) if isinstance(v, int) and v < messages.NUMBER_MAX - 1 else v for v in values]
    return messages.encode(kind, *values)[:-1]


def any_line(chance: random.Random) -> bytes:
    """A good line, a bent one, rubbish, or rubbish under a right checksum."""
    way = chance.randrange(4)
    if way == 0:
        return message_line(chance)
    if way == 1:
        return _bent_bytes(chance, message_line(chance))
    if way == 2:
        return _bytes(chance)
    body = _bent_bytes(chance, message_line(chance)[:-5])
    return body + b" %04X" % messages.checksum(body)


def frame(chance: random.Random) -> bytes:
    """What a humidity sensor may put on the bus: right and wrong checksums, any length."""
    words = [chance.choice((b"\x00\x00", b"\xff\xff", chance.randbytes(2))) for _ in range(2)]
    made = b"".join(word + bytes([sht31_checksum(word)]) for word in words)
    way = chance.randrange(4)
    if way == 0:
        return made
    if way == 1:
        return made[: chance.randrange(6)] + chance.randbytes(chance.randrange(3))
    return _bent_bytes(chance, made) if way == 2 else chance.randbytes(chance.randrange(12))


def _words(chance: random.Random) -> str:
    letters = "LK-_0:.+Zdhmins @" + "".join(ODD)
    return "".join(chance.choice(letters) for _ in range(chance.randrange(12)))


def request(chance: random.Random) -> m.Request:
    """What a person, or a page, may put into the table of requests."""
    number = (None, 0.0, -1.0, 1e308, float("inf"), float("-inf"), float("nan"), chance.uniform(0, 400))
    whole = (None, 0, 1, 3, -1, 10**30, -(2**63), 2**63, chance.randrange(-5, 300))
    step_names = [s.name for s in examples.SETTINGS.hands_on_steps]
    return m.Request(
        at=examples.moment(1),
        request_id=0,
        request=chance.choice((m.SIGN_STEP, m.CLEAR_TRIP, m.OBSERVE, m.OBSERVE, m.END_RUN, _words(chance))),
        asked_by=chance.choice(("LK", "", "  ", _words(chance))),
        subject=chance.choice((*step_names, "leak_wet", "air_too_hot", _words(chance))),
        drained_g=chance.choice(number),
        note=_words(chance),
        position=chance.choice(whole),
        emerged=chance.choice((None, True, False)),
        height_mm=chance.choice(number),
        leaves=chance.choice(whole),
        growth_stage_bbch=chance.choice(whole),
    )


def argument(chance: random.Random) -> tuple[str, str]:
    """An option of the command line and its text."""
    digits = "".join(chance.choice("0123456789²٣-") for _ in range(chance.randrange(1, 6)))
    option = chance.choice(("--fault", "--from", "--every"))
    good = {
        "--fault": f"{chance.choice([*FAULTS, 'x'])}@{digits}{chance.choice('dhmx')}",
        "--from": f"{digits}-0{chance.randrange(10)}-1{chance.randrange(10)}T1{digits}:00"
        f"{chance.choice(('Z', '+23:59'))}",
        "--every": digits + chance.choice(("s", "min", "h", "d", "")),
    }[option]
    return option, chance.choice((good, good, _words(chance), good + _words(chance)))


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
    board = Board(line)
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


def _argument_judge(pair: object) -> bool:
    assert isinstance(pair, tuple)
    option, text = pair
    try:
        if option == "--fault":
            parse_fault(text)
        elif option == "--from":
            moment = _moment(text, option)
            assert moment is not None
            assert moment.tzinfo is not None
        else:
            every_s = span_s(text)
            assert every_s is not None
            assert 1 <= every_s <= 86_400
    except SettingsError as error:
        assert error.sentences[0].startswith(option)  # noqa: PT017
        return False
    return True


def _stream(chance: random.Random) -> list[bytes]:
    data = b"".join(any_line(chance) + chance.choice((b"\n", b"\n", b"\r\n", b"")) for _ in range(chance.randrange(4)))
    cut = chance.randrange(len(data) + 1)
    return [data[:cut], data[cut:]]


def _saved_line(chance: random.Random) -> bytes:
    way = chance.randrange(4)
    if way == 0:
        return message_line(chance, ("saved",))
    return _bent_bytes(chance, fresh_saved_line()) if way == 1 else any_line(chance)


def parsers(folder: Path) -> list[Parser]:
    """Every parser that bytes or words from outside can reach."""

    def pair(chance: random.Random) -> tuple[str, str]:
        texts = [bent_toml(chance, text).decode(errors="replace") for text in (PLAN_TEXT, CHAMBER_TEXT)]
        keep = chance.randrange(3)
        return (PLAN_TEXT, texts[1]) if keep == 0 else (texts[0], CHAMBER_TEXT if keep == 1 else texts[1])

    return [
        Parser("plan file", lambda chance: bent_toml(chance, PLAN_TEXT), _file_judge(read_plan)),
        Parser("chamber file", lambda chance: bent_toml(chance, CHAMBER_TEXT), _file_judge(read_chamber)),
        Parser("both files against each other", pair, _both_judge),
        Parser("message line", any_line, _decode_judge),
        Parser("stream of lines", _stream, _reader_judge),
        Parser("serial line and the law behind it", _stream, _link_judge),
        Parser("the board's saved line", _saved_line, _saved_judge),
        Parser("frame of the air sensor", frame, _frame_judge()),
        Parser("request or observation", request, _request_judge(folder)),
        Parser("option of the command line", argument, _argument_judge),
    ]


def try_parser(parser: Parser, inputs: int, seed: int = SEED) -> Row:
    """Feed one parser; a failure is told with the input that caused it."""
    chance = random.Random(f"{seed} {parser.name}")
    taken = failed = 0
    worst = ""
    for number in range(inputs):
        given = parser.make(chance)
        try:
            taken += parser.judge(given)
        except Exception as error:  # that is what is looked for
            failed += 1
            worst = worst or f"seed {seed}, input {number}: {type(error).__name__}: {str(error)[:80]} at {given!r:.200}"
    told = f"{taken} taken, {inputs - failed - taken} refused in a sentence or by silence"
    return Row(f"fuzz: {parser.name}", inputs, inputs - failed, worst or told)


def campaign(scale: float = 1.0) -> list[Row]:
    with tempfile.TemporaryDirectory() as folder:
        return [try_parser(parser, max(1, round(INPUTS * scale))) for parser in parsers(Path(folder))]
