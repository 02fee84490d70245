"""Messages between host and board: one table, one checksum, bytes in both directions. Runs on both computers.

A message is one line of ASCII: the kind, its fields in the order of ``FIELDS`` divided by single spaces, a space,
four upper-case hexadecimal digits of checksum over everything before that last space, and a line feed. Only the
one canonical spelling of a message is accepted, so two different lines never mean the same.

Checksum: CRC-16/IBM-3740 (polynomial 0x1021, start 0xFFFF; check value 0x29B1 in the catalogue of parametrised CRC
algorithms). One or two flipped bits anywhere in a line, its digits of checksum included, never go unnoticed.
"""

try:
    from binascii import crc_hqx as _crc_hqx  # CPython has the same polynomial in C
except ImportError:
    _crc_hqx = None  # type: ignore[assignment]

from firmware_bridge import limits

LINE_BYTES_MAX = 400  # the longest, "saved", takes 265 at most
NUMBER_MAX = 999999999999
DOSE_ID_MAX = 999999999  # a dose a second for 31 years; far from NUMBER_MAX, so that the id after any can be said

# Steps of the rolling window hour by hour, the oldest hour first
SLOT_FIELDS = tuple(["slot_" + str(slot) + "_steps" for slot in range(limits.WINDOW_SLOTS)])

# Every conversation is a session, which the board numbers: its boots and its greetings since. Host and board number
# their messages in it, and either side drops what is not of this session or not newer than what it has heard. So a
# message that comes twice, late, out of order or from another conversation changes nothing. ``echo`` is the number of
# the newest message of the host that the board had heard: what the host said before that and the board does not know
# will never be obeyed. "stop" alone is obeyed in whatever session, since it names its dose and can only end it.
SESSIONS_PER_BOOT = 10000000  # a greeting every three seconds for a year
BOOTS_MAX = 99999

# kind -> its fields. A field whose name ends in "reason", "state" or "answer" is a word; all others are integers.
_TO_BOARD = ("session", "number")
_TO_HOST = ("session", "number", "echo")
FIELDS: dict[str, tuple[str, ...]] = {
    # host to board
    "hello": ("protocol", "limits_checksum", "journal_id", "hello_number"),
    "dose": _TO_BOARD + ("dose_id", "dose_steps", "steps_per_s"),  # noqa: RUF005 (nor inside a tuple)
    "renew": _TO_BOARD + ("dose_id", "lease_ms"),  # noqa: RUF005
    "stop": _TO_BOARD + ("dose_id",),  # noqa: RUF005
    "ask": _TO_BOARD,
    "clear": _TO_BOARD + ("trip_number", "trip_reason"),  # noqa: RUF005
    "seen": _TO_BOARD + ("dose_id",),  # noqa: RUF005
    # board to host
    "board": _TO_HOST  # noqa: RUF005
    + (
        "protocol",
        "limits_checksum",
        "journal_id",
        "hello_number",
        "board_id",
        "last_dose_id",
        "last_journal_id",
        "turned_total_steps",
    ),
    "judged": _TO_HOST + ("dose_id", "answer"),  # noqa: RUF005
    "cleared": _TO_HOST + ("trip_number", "answer"),  # noqa: RUF005
    "report": _TO_HOST  # noqa: RUF005
    + (
        "state",
        "trip_reason",
        "trip_number",
        "trip_delay_ms",
        "dose_id",
        "turned_steps",
        "done_unseen",
        "leak_counts",
        "float_counts",
        "reservoir_counts",
        "moisture_counts",
        "uptime_s",
    ),
    "done": _TO_HOST + ("dose_id", "steps_min", "steps_max", "end_reason"),  # noqa: RUF005
    # the board to its own memory
    "saved": (  # noqa: RUF005
        "board_id",
        "boots",
        "last_dose_id",
        "last_journal_id",
        "steps_min",
        "steps_max",
        "end_reason",
        "seen",
        "trip_reason",
        "trip_number",
        "turned_total_steps",
        "slot_ms",
    )
    + SLOT_FIELDS,
}
NO_WORD = "-"  # stands for an absent word
TO_BOARD = ("hello", "dose", "renew", "stop", "ask", "clear", "seen")
TO_HOST = ("board", "judged", "cleared", "report", "done")

_WORD_ENDINGS = ("reason", "state", "answer")


def _make_table() -> list[int]:
    table = []
    for value in range(256):
        crc = value << 8
        for _ in range(8):
            crc = ((crc << 1) ^ 0x1021) if crc & 0x8000 else crc << 1
        table.append(crc & 0xFFFF)
    return table


_TABLE = _make_table()


def checksum_by_table(data: bytes) -> int:
    """CRC-16/IBM-3740 of bytes, for a computer without the C routine."""
    crc = 0xFFFF
    for byte in data:
        crc = ((crc << 8) & 0xFFFF) ^ _TABLE[(crc >> 8) ^ byte]
    return crc


def checksum(data: bytes) -> int:
    """CRC-16/IBM-3740 of bytes, 0..0xFFFF."""
    if _crc_hqx is not None:
        return _crc_hqx(data, 0xFFFF)
    return checksum_by_table(data)


LIMITS_CHECKSUM = checksum(limits.CHECKSUM_TEXT.encode())


DOSE_ID_FIELDS = ("dose_id", "last_dose_id")
NUMBERS_MAX = {
    kind: tuple([DOSE_ID_MAX if name in DOSE_ID_FIELDS else NUMBER_MAX for name in names])
    for kind, names in FIELDS.items()
}
WORD_FIELDS = {kind: tuple([name.endswith(_WORD_ENDINGS) for name in names]) for kind, names in FIELDS.items()}


def encode(kind: str, *values: str | int | None) -> bytes:
    """Bytes of one message, line feed included. ValueError when kind or values do not fit the table."""
    word_fields = WORD_FIELDS.get(kind)
    if word_fields is None or len(values) != len(word_fields):
        raise ValueError(kind + ": no such message, or not its number of values")
    parts = [kind]
    for is_word, value, most in zip(word_fields, values, NUMBERS_MAX[kind]):  # noqa: B905 (MicroPython: no strict)
        if is_word:
            part = NO_WORD if value is None else str(value)
            if part != NO_WORD and not _is_word(part):
                raise ValueError(kind + ": not a word: " + repr(value))
        elif isinstance(value, int) and 0 <= value <= most:
            part = str(int(value))
        else:
            raise ValueError(kind + ": not a number from 0 to " + str(most) + ": " + repr(value))
        parts.append(part)
    text = " ".join(parts)
    body = text.encode()
    if len(body) != len(text):
        raise ValueError(kind + ": not ASCII")
    if len(body) + 5 > LINE_BYTES_MAX:
        raise ValueError(kind + ": line longer than " + str(LINE_BYTES_MAX) + " bytes")
    return body + b" %04X\n" % checksum(body)


def _is_word(text: str) -> bool:
    letters = text.replace("_", "")  # asked of whole strings, which both interpreters do without a loop of their own
    return text != "" and (letters == "" or (letters.isalpha() and letters.islower()))


def decode(line: bytes) -> tuple[str | int | None, ...] | None:
    """Message of one line without its line feed, as a tuple (kind, value, ...), or None when it is not one.

    Absent words come back as None. Never raises, whatever the bytes.
    """
    if len(line) < 6 or len(line) > LINE_BYTES_MAX or line[-5] != 32:
        return None
    body = line[:-5]
    if line[-4:] != b"%04X" % checksum(body):
        return None
    try:
        text = body.decode()
    except UnicodeError:
        return None
    if len(text) != len(body):  # only ASCII has as many letters as bytes; what else is no letter or digit fails below
        return None
    parts = text.split(" ")
    word_fields = WORD_FIELDS.get(parts[0])
    if word_fields is None or len(parts) != len(word_fields) + 1:
        return None
    values: list[str | int | None] = [parts[0]]
    for is_word, part, most in zip(word_fields, parts[1:], NUMBERS_MAX[parts[0]]):  # noqa: B905
        if is_word:
            if part == NO_WORD:
                values.append(None)
            elif _is_word(part):
                values.append(part)
            else:
                return None
        else:
            # canonical: digits only, no sign, no leading zero, no more digits than NUMBER_MAX has
            if not part.isdigit() or len(part) > 12 or (part[0] == "0" and len(part) > 1):
                return None
            found = int(part)
            if found > most:
                return None
            values.append(found)
    return tuple(values)


def number(message: tuple[str | int | None, ...], name: str) -> int:
    """The number that stands in the field ``name`` of a decoded message. ValueError when there is none."""
    value = _value(message, name)
    if not isinstance(value, int):
        raise ValueError(name + " is not a number")
    return value


def word(message: tuple[str | int | None, ...], name: str) -> str | None:
    """The word, or None, that stands in the field ``name`` of a decoded message. ValueError when there is none."""
    value = _value(message, name)
    if isinstance(value, int):
        raise ValueError(name + " is not a word")
    return value


def boots_of(session: int) -> int:
    """How often the board had started when it gave this session its number."""
    return session // SESSIONS_PER_BOOT


def _value(message: tuple[str | int | None, ...], name: str) -> str | int | None:
    names = FIELDS[str(message[0])]
    return message[1 + names.index(name)]


class LineReader:
    """Cuts a stream of bytes into messages. What is not a message is counted and dropped, never guessed at."""

    def __init__(self) -> None:
        self._buffer = b""
        self._overlong = False
        self.refused_lines = 0

    def feed(self, data: bytes) -> list[tuple[str | int | None, ...]]:
        """Take bytes in any portions; answer the list of messages they completed."""
        found = []
        pieces = (self._buffer + data).split(b"\n")
        self._buffer = pieces.pop()
        for piece in pieces:
            message = None if self._overlong else decode(piece)
            if message is not None:
                found.append(message)
            elif piece or self._overlong:
                self.refused_lines += 1
            self._overlong = False
        if len(self._buffer) > LINE_BYTES_MAX:
            self._buffer = b""
            self._overlong = True  # drop the rest of this line as well
        return found
