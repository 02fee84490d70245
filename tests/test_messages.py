"""The line format: what is one message, what is none, and which errors of the wire are always noticed."""

import itertools
import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware_bridge import interlocks, limits, messages
from tests.campaigns.bit_errors import EXAMPLES

WORDS = st.one_of(st.none(), st.text("abcdefghijklmnopqrstuvwxyz_", min_size=1, max_size=20))
NUMBERS = st.integers(0, messages.DOSE_ID_MAX)


def any_message():
    def values(kind):
        fields = messages.WORD_FIELDS[kind]
        numbers = st.integers(0, limits.WINDOW_STEPS_MAX) if kind == "saved" else NUMBERS
        return st.tuples(st.just(kind), *[WORDS if is_word else numbers for is_word in fields])

    return st.sampled_from(sorted(messages.FIELDS)).flatmap(values)


@pytest.mark.parametrize("compute", [messages.checksum, messages.checksum_by_table])
def test_the_checksum_gives_the_catalogue_s_check_value(compute):
    """Catalogue of parametrised CRC algorithms, CRC-16/IBM-3740: check 0x29B1 over the digits 1 to 9."""
    assert compute(b"123456789") == 0x29B1


@pytest.mark.parametrize("compute", [messages.checksum, messages.checksum_by_table])
def test_the_checksum_starts_from_all_ones(compute):
    """The same entry of the catalogue: init 0xFFFF, xorout 0x0000, so nothing at all gives 0xFFFF."""
    assert compute(b"") == 0xFFFF


@given(st.binary(max_size=300))
def test_both_ways_to_the_checksum_agree(data):
    assert messages.checksum(data) == messages.checksum_by_table(data)


def test_every_kind_has_an_example_here():
    assert set(EXAMPLES) == set(messages.FIELDS)


def test_every_kind_but_the_saved_state_travels_in_exactly_one_direction():
    assert sorted((*messages.TO_BOARD, *messages.TO_HOST, "saved")) == sorted(messages.FIELDS)


@pytest.mark.parametrize("kind", sorted(EXAMPLES))
def test_a_line_reads_back_as_what_was_written(kind):
    line = messages.encode(kind, *EXAMPLES[kind])
    assert line.endswith(b"\n")
    assert messages.decode(line[:-1]) == (kind, *EXAMPLES[kind])


@given(any_message())
def test_whatever_fits_the_table_reads_back_as_what_was_written(message):
    assert messages.decode(messages.encode(*message)[:-1]) == message


@given(any_message())
def test_a_message_has_only_one_spelling(message):
    line = messages.encode(*message)
    assert messages.encode(*messages.decode(line[:-1])) == line


@pytest.mark.guards("H12", "board", "90938667")
@pytest.mark.parametrize("kind", sorted(EXAMPLES))
def test_no_one_or_two_flipped_bits_in_a_line_go_unnoticed(kind):
    """All of them, the line feed included: flips that break the line in two, or join it to the next, as well."""
    line = messages.encode(kind, *EXAMPLES[kind])
    if kind == "saved":  # a file, not a line: its feed is not stored; the general proof below covers its length
        line = line[:-1]
    bits = 8 * len(line)
    step = 1 if bits <= 400 else 7  # long lines: every flip with every seventh; the proof below has them all
    for first in range(bits):
        for second in (first, *range(first + 1, bits, step)):
            wrong = bytearray(line)
            wrong[first // 8] ^= 1 << first % 8
            if second != first:
                wrong[second // 8] ^= 1 << second % 8
            assert messages.LineReader().feed(bytes(wrong)) == []
            assert messages.decode(bytes(wrong)) is None


def test_no_two_flipped_bits_in_a_line_of_any_allowed_length_cancel_out():
    """Error patterns of a checksum add up bit by bit, so it is enough to look at single flips against each other.

    A flip in the body changes the checksum by a pattern that depends only on its distance from the end; a flip in a
    hexadecimal digit changes it by the difference of two digits that are one bit apart in ASCII. A line with two
    flips passes only if both patterns are equal.
    """
    body_bytes = messages.LINE_BYTES_MAX - 5
    clean = messages.checksum_by_table(bytes(body_bytes))
    by_body = set()
    for bit in range(8 * body_bytes):
        flipped = bytearray(body_bytes)
        flipped[bit // 8] ^= 1 << bit % 8
        by_body.add(messages.checksum_by_table(flipped) ^ clean)
    digits = "0123456789ABCDEF"
    by_digit = set()
    for one in digits:
        for other in digits:
            difference = ord(one) ^ ord(other)
            if difference and not difference & (difference - 1):
                change = int(one, 16) ^ int(other, 16)
                by_digit |= {change << place for place in (0, 4, 8, 12)}
    assert len(by_body) == 8 * body_bytes  # two flips in the body never cancel out
    assert 0 not in by_body
    assert not by_body & by_digit  # nor does one in the body with one in a digit of the checksum


@pytest.mark.guards("H12", "board", "90938667")
@pytest.mark.parametrize(
    "body",
    [
        b"dose 40000002 12 017 9000 400",  # a leading zero
        b"dose 040000002 12 17 9000 400",
        b"dose 40000002 00 17 9000 400",
        b"dose 40000002 12 +17 9000 400",
        b"dose 40000002 12 -17 9000 400",
        b"dose -40000002 12 17 9000 400",
        b"dose 40000002 12 17  9000 400",  # two spaces
        b"dose 40000002 12 17 9000 400 ",
        b" dose 40000002 12 17 9000 400",
        b"dose 40000002 12 17 9000",  # a field too few
        b"dose 17 9000 400",  # the message of protocol 1
        b"dose 40000002 12 17 9000 400 1",  # a field too many
        b"dose 1234567890123 12 17 9000 400",  # a digit too many
        b"dose 40000002 1234567890123 17 9000 400",
        b"dose 40000002 12 17 9000 0x190",
        b"dose 40000002 12 17 9000 \xb2",  # a digit, but not of ASCII
        b"dose 40000002 12 - 9000 400",  # numbers cannot be absent
        b"dose - 12 17 9000 400",
        b"Dose 40000002 12 17 9000 400",
        b"doze 40000002 12 17 9000 400",
        b"clear 40000002 12 3 Leak_wet",
        b"clear 40000002 12 3 leak-wet",
        b"clear 40000002 12 3 5",
        b"clear 40000002 12 3 \xe4",
        b"clear 40000002 12 3 --",
        b"clear 40000002 12 3",
        b"clear 40000002 12 3 ",
        b"clear leak_wet",
        b"",
        b"ask",
        b"ask 40000002 12\r",
        b"ask 40000002 12\t",
        b"ask 40000002 12\x00",
    ],
)
def test_a_wrong_spelling_is_refused_even_with_the_right_checksum(body):
    assert messages.decode(body + b" %04X" % messages.checksum(body)) is None


def test_a_checksum_in_small_letters_is_refused():
    line = messages.encode("judged", 40000002, 8, 12, 17, "busy")[:-1]
    assert set(line[-4:].decode()) & set(string.ascii_uppercase), "this example must have a letter to make small"
    assert messages.decode(line[:-4] + line[-4:].lower()) is None


def test_the_largest_number_passes_and_the_next_one_does_not():
    largest = messages.NUMBER_MAX
    for message in (("renew", 1, 1, 1, largest), ("renew", 1, 1, 1, 0), ("renew", largest, largest, 1, 1)):
        assert messages.decode(messages.encode(*message)[:-1]) == message
    for beyond in (largest + 1, -1):
        for values in ((1, 1, 1, beyond), (beyond, 1, 1, 1), (1, beyond, 1, 1)):
            with pytest.raises(ValueError, match="not a number"):
                messages.encode("renew", *values)


@pytest.mark.parametrize("kind", [kind for kind, names in messages.FIELDS.items() if "dose_id" in str(names)])
@pytest.mark.parametrize("beyond", [-1, 0, 1])
def test_an_id_of_a_dose_beyond_its_bound_is_neither_written_nor_read(kind, beyond):
    names = messages.FIELDS[kind]
    dose_id = messages.DOSE_ID_MAX + beyond
    values = [
        dose_id if name in messages.DOSE_ID_FIELDS else None if is_word else 1
        for name, is_word in zip(names, messages.WORD_FIELDS[kind], strict=True)
    ]
    body = " ".join([kind, *("-" if value is None else str(value) for value in values)]).encode()
    line = body + b" %04X" % messages.checksum(body)

    if beyond > 0:
        assert messages.decode(line) is None
        with pytest.raises(ValueError, match=f"0 to {messages.DOSE_ID_MAX}"):
            messages.encode(kind, *values)
    else:
        assert messages.decode(line) == (kind, *values)
        assert messages.encode(kind, *values)[:-1] == line


@pytest.mark.parametrize(
    "message",
    [
        ("launch",),
        ("stop",),
        ("stop", 1, 1, 1, 1),
        ("seen", 1),
        ("seen", 1, 1, "seventeen"),
        ("seen", 1, 1, 1.0),
        ("seen", 1, 1, None),
        ("seen", "first", 1, 1),
        ("clear", 1, 1, 1, "Leak_wet"),
        ("clear", 1, 1, 1, ""),
        ("clear", 1, 1, 1, 5),
        ("clear", 1, 1, 1, "two words"),
    ],
)
def test_what_does_not_fit_the_table_is_not_written(message):
    with pytest.raises(ValueError, match=message[0]):
        messages.encode(*message)


def test_the_longest_lines_of_the_board_fit_and_a_longer_one_is_neither_written_nor_read():
    reason = max((*interlocks.TRIP_REASONS, interlocks.BOARD_RESTARTED), key=len)
    largest = messages.NUMBER_MAX
    last_id = messages.DOSE_ID_MAX
    heads = [largest] * 3  # session, number and echo
    state = max(interlocks.STATES, key=len)
    report = messages.encode("report", *heads, state, reason, largest, largest, last_id, *[largest] * 7)
    board = messages.encode("board", *heads, *[largest] * 5, last_id, largest, largest)
    steps = limits.DOSE_STEPS_MAX
    slots = [limits.WINDOW_STEPS_MAX] * limits.WINDOW_SLOTS
    saved = messages.encode(
        "saved", largest, largest, last_id, largest, steps, steps, reason, 1, reason, largest, largest, largest, *slots
    )
    assert len(board) < len(report) < len(saved) <= messages.LINE_BYTES_MAX
    longest_word = "a" * (messages.LINE_BYTES_MAX - len("clear 1 1 1 ") - len(" FFFF"))
    line = messages.encode("clear", 1, 1, 1, longest_word)[:-1]
    assert len(line) == messages.LINE_BYTES_MAX
    assert messages.decode(line) == ("clear", 1, 1, 1, longest_word)
    with pytest.raises(ValueError, match="longer"):
        messages.encode("clear", 1, 1, 1, longest_word + "a")
    body = b"clear 1 1 1 " + longest_word.encode() + b"a"
    assert messages.decode(body + b" %04X" % messages.checksum(body)) is None


def test_the_last_conversation_of_the_last_start_has_the_largest_number():
    last = messages.BOOTS_MAX * messages.SESSIONS_PER_BOOT + messages.SESSIONS_PER_BOOT - 1
    assert last == messages.NUMBER_MAX
    assert messages.boots_of(last) == messages.BOOTS_MAX
    assert messages.boots_of(4 * messages.SESSIONS_PER_BOOT) == 4
    assert messages.boots_of(5 * messages.SESSIONS_PER_BOOT - 1) == 4


def test_fields_are_read_by_name_and_kind():
    done = messages.decode(messages.encode("done", 40000002, 11, 16, 17, 0, 9000, "stopped")[:-1])
    assert messages.number(done, "steps_max") == 9000
    assert [messages.number(done, name) for name in ("session", "number", "echo")] == [40000002, 11, 16]
    assert messages.word(done, "end_reason") == "stopped"
    assert messages.word(messages.decode(messages.encode("clear", 1, 1, 1, None)[:-1]), "trip_reason") is None
    with pytest.raises(ValueError, match="end_reason is not a number"):
        messages.number(done, "end_reason")
    with pytest.raises(ValueError, match="dose_id is not a word"):
        messages.word(done, "dose_id")


# -- the reader of a stream ---------------------------------------------------------------------------------------


def portions(data, cuts):
    places = [0, *sorted(cut % (len(data) + 1) for cut in cuts), len(data)]
    return [data[begin:end] for begin, end in itertools.pairwise(places)]


NOISE = st.one_of(
    st.binary(max_size=40),
    st.binary(min_size=messages.LINE_BYTES_MAX - 60, max_size=messages.LINE_BYTES_MAX + 200),  # about the longest line
    st.just(b"\n"),
)
STREAM = st.lists(st.one_of(any_message().map(lambda message: messages.encode(*message)), NOISE), max_size=8)


@given(STREAM.map(b"".join), st.lists(st.integers(0, 10**6), max_size=12))
def test_a_stream_gives_the_same_messages_in_whatever_portions_it_comes(data, cuts):
    whole, cut = messages.LineReader(), messages.LineReader()
    found_whole = whole.feed(data + b"\n")
    found_cut = []
    for portion in portions(data + b"\n", cuts):
        found_cut += cut.feed(portion)
    assert found_cut == found_whole
    assert cut.refused_lines == whole.refused_lines


@given(st.lists(any_message(), max_size=5), st.binary(max_size=400).map(lambda noise: noise.replace(b"\n", b"")))
def test_messages_after_noise_arrive_once_a_line_feed_has_ended_it(sent, noise):
    reader = messages.LineReader()
    reader.feed(noise + b"\n")
    assert reader.feed(b"".join([messages.encode(*message) for message in sent])) == sent


@given(st.lists(st.binary(max_size=300), max_size=6))
def test_rubbish_never_raises_and_never_grows_the_reader_without_bound(rubbish):
    reader = messages.LineReader()
    for data in rubbish:
        reader.feed(data)
        assert len(reader._buffer) <= messages.LINE_BYTES_MAX


def test_byte_by_byte_a_line_arrives_with_its_feed_and_not_before():
    reader = messages.LineReader()
    line = messages.encode("dose", 40000002, 12, 17, 9000, 400)
    for byte in line[:-1]:
        assert reader.feed(bytes([byte])) == []
    assert reader.feed(b"\n") == [("dose", 40000002, 12, 17, 9000, 400)]


def test_the_longest_line_arrives_in_two_portions_and_a_longer_one_is_not_kept():
    longest = messages.encode("clear", 1, 1, 1, "a" * (messages.LINE_BYTES_MAX - len("clear 1 1 1 ") - len(" FFFF")))
    reader = messages.LineReader()
    assert reader.feed(longest[:-1]) == []
    assert len(reader.feed(longest[-1:])) == 1
    for _ in range(100):
        reader.feed(b"x" * (messages.LINE_BYTES_MAX + 1))
        assert len(reader._buffer) <= messages.LINE_BYTES_MAX


def test_refused_lines_are_counted_and_empty_ones_are_not():
    reader = messages.LineReader()
    reader.feed(b"\n\n")
    assert reader.refused_lines == 0
    reader.feed(b"rubbish\n" + messages.encode("ask", 1, 1) + b"more\n")
    assert reader.refused_lines == 2
    reader.feed(b"x" * (messages.LINE_BYTES_MAX + 1))
    assert reader.refused_lines == 2
    assert reader.feed(messages.encode("ask", 1, 1)) == [], "the end of an overlong line is not a message"
    assert reader.refused_lines == 3
    assert reader.feed(messages.encode("ask", 1, 1)) == [("ask", 1, 1)]
