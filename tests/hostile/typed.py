"""Parsers of what people type and devices say: options, figures, a balance's line, fields of a form, probe counts."""

import random
import re
from typing import Any
from zoneinfo import ZoneInfo

import click
from starlette.datastructures import FormData, Headers
from starlette.requests import Request

from controller.bench.masses import balance_pattern, mass_g, mass_in_line_g
from controller.chamber.faults import FAULTS, parse_fault
from controller.chamber.seam import BoardCounts
from controller.commands.lots import positions_in
from controller.commands.reading import span_s
from controller.commands.terminal import FiniteRange, moment_in
from controller.commands.weighing import sizes_in_steps
from controller.control import model as m
from controller.control import sensing
from controller.control.photoperiod import utc_ms
from controller.control.step import step
from controller.errors import SettingsError
from controller.parcels.manifest import is_chamber, is_day, is_run
from controller.parcels.sending import is_quiet, quiet_hours
from controller.web.course import _whole
from controller.web.doors import Doors
from controller.web.downloads import choice_of
from controller.web.forms import FormFault, initials_of, number_of, role_of, whole_of, word_of
from controller.web.texts import Texts, language_of
from firmware_bridge import messages
from tests import examples
from tests.hostile.bending import Parser, bent_bytes, figure, words
from tests.hostile.lines import message_line

PATTERNS = (
    r"([+-]?\d+\.\d+)\s*g", r"(?P<mass_g>[-+ 0-9.]+) ?g", r"(\d+)?\s*g", r"S\s+S\s+([0-9.]+)", r"(.*)", r"(\w+),(\w+)",
    r"([^,]+)$", r"(\d+)+x", r"(?:a|b)*(c)", r"\d+", "(", "[", r"(a{99999999999999})", "(" * 500, r"(?i)(\d+\.\d) *KG?",
)  # fmt: skip
LINES = (
    "  12.345 g", "S S     12.34 g", "+  0.000 g", "ST,GS,+00012.3,g", "ERR", "12,345 g", "-1e5 g", "٣.٤ g", "nan g",
    "", "1" * 256, "1 " * 128, "1_0.5 g", "\x00\x01", "." * 256,
)  # fmt: skip


def _digits(chance: random.Random) -> str:
    return "".join(chance.choice("0123456789²٣-") for _ in range(chance.randrange(1, 6)))


def _or_rubbish(chance: random.Random, good: str) -> str:
    return chance.choice((good, good, words(chance), good + words(chance)))


def _fault(chance: random.Random) -> str:
    return _or_rubbish(chance, f"{chance.choice([*FAULTS, 'x'])}@{_digits(chance)}{chance.choice('dhmx')}")


def _moment(chance: random.Random) -> str:
    year = chance.choice(("2026", "2026", "0001", "9999", "1970", _digits(chance)))
    offset = chance.choice(("Z", "", "+23:59", "-23:59", "+00:00:01"))
    return _or_rubbish(chance, f"{year}-0{chance.randrange(10)}-1{chance.randrange(10)}T1{_digits(chance)}:00{offset}")


def _hours(chance: random.Random) -> str:
    ends = [f"{chance.randrange(26):02d}:{chance.randrange(62):02d}" for _ in range(chance.choice((2, 2, 2, 1, 3)))]
    return _or_rubbish(chance, "-".join(ends) + chance.choice(("", "", "+01:00", "Z")))


def _positions(chance: random.Random) -> str:
    parts = [chance.choice((str(chance.randrange(12)), figure(chance))) for _ in range(chance.randrange(4))]
    return _or_rubbish(chance, ",".join(parts))


def _volumes(chance: random.Random) -> str:
    parts = [chance.choice((f"{chance.uniform(0, 70):.2f}", figure(chance))) for _ in range(chance.randrange(1, 4))]
    return _or_rubbish(chance, ",".join(parts))


def _said(option: str, parse: Any) -> Any:
    """A judge of an option: an object, or a refusal that begins with the option's name."""

    def judge(text: str) -> bool:
        try:
            parse(text)
        except SettingsError as error:
            (sentence,) = error.sentences
            assert sentence.startswith(option), sentence
            return False
        return True

    return judge


def _moment_of(text: str) -> None:
    moment = moment_in(text, "--from")
    assert 0 <= utc_ms(moment) < 2**43


def _quiet(text: str) -> None:
    begin, end = quiet_hours(text)
    assert begin.tzinfo is end.tzinfo is None
    is_quiet(text, moment_in("2026-03-02T08:00Z", "--at"), "Atlantic/Faroe")


def _sizes(text: str) -> None:
    assert all(1 <= steps <= 12_000 for steps in sizes_in_steps(text, examples.CHAMBER))


def _span(text: str) -> None:
    every_s = span_s(text)
    assert every_s is not None
    assert 1 <= every_s <= 86_400


def _positions_of(text: str) -> None:
    assert all(0 <= position < 10**6 for position in positions_in(text))


BOUNDS = (FiniteRange(), FiniteRange(min=0), FiniteRange(min=0.1), FiniteRange(min=0, max=24))


def _figure_judge(given: tuple[int, str]) -> bool:
    bounds = BOUNDS[given[0]]
    try:
        found = bounds.convert(given[1], None, None)
    except click.BadParameter as error:
        assert error.message  # noqa: PT017
        return False
    assert abs(found) < float("inf"), found
    assert (bounds.min or float("-inf")) <= found <= (bounds.max or float("inf"))
    return True


def _pattern_judge(given: tuple[str, str]) -> bool:
    pattern, line = given
    try:
        found_g = mass_in_line_g(line, balance_pattern(pattern))
    except SettingsError as error:
        (sentence,) = error.sentences
        assert sentence.startswith(("--balance-pattern", "balance")), sentence
        return False
    assert found_g is None or abs(found_g) < float("inf")
    return found_g is not None


def _pattern(chance: random.Random) -> tuple[str, str]:
    pattern = chance.choice(PATTERNS)
    if chance.random() < 0.3:
        pattern = bent_bytes(chance, pattern.encode()).decode(errors="replace")
    line = chance.choice(LINES)
    return pattern, line if chance.random() < 0.6 else bent_bytes(chance, line.encode() + b"7").decode(
        "ascii", "replace"
    )


def _mass_judge(text: str) -> bool:
    try:
        found_g = mass_g(text, "portion 1")
    except SettingsError as error:
        assert error.sentences[0].startswith("portion 1: ")  # noqa: PT017
        return False
    assert abs(found_g) < float("inf")
    assert re.fullmatch(r"[0-9eE+.\-]+", text.strip())
    return True


def _form(chance: random.Random) -> FormData:
    def value() -> Any:
        return chance.choice((figure(chance), words(chance), "x" * 1_100, "12", "LK", "operator"))

    names = ("number", "whole", "word", "initials", "role")
    return FormData([(name, value()) for name in names if chance.random() < 0.9])


def _form_judge(form: FormData) -> bool:
    taken = 0
    for read in (
        lambda: number_of(form, "number", 0.0, 3_000.0),
        lambda: whole_of(form, "whole", 1, 2**53),
        lambda: word_of(form, "word", 1_000),
        lambda: initials_of(form),
        lambda: role_of(form),
    ):
        try:
            found: Any = read()
        except FormFault as error:
            assert "\n" not in str(error).split(":")[0]  # noqa: PT017
            continue
        taken += 1
        if isinstance(found, str):
            assert "\x00" not in found
            found.encode()
        else:
            assert found is None or 0 <= found <= 2**53
    return taken >= 4


def _address(chance: random.Random) -> Request:
    day = f"20{chance.randrange(100):02d}-{chance.randrange(14):02d}-{chance.randrange(33):02d}"
    given = {
        "first": chance.choice(("", day, figure(chance), "0001-01-01", "9999-12-31", "20260302", "2026-W10-1")),
        "last": chance.choice(("", day, figure(chance))),
        "table": chance.choice(("climate", "water", "water", words(chance))),
        "step": chance.choice(("10min", "1h", "1h", figure(chance))),
        "decimal": chance.choice(("comma", "point", "point", words(chance))),
        "columns": figure(chance),
        "lang": words(chance),
    }
    query = "&".join(f"{name}={value}" for name, value in given.items() if chance.random() < 0.5)
    scope = {"type": "http", "query_string": query.encode("utf-8", "replace"), "headers": []}
    return Request(scope)


def _address_judge(request: Request) -> bool:
    asked = request.query_params
    assert 50 <= _whole(asked.get("columns", ""), 800, 50, 2_000) <= 2_000
    assert language_of(asked.get("lang"), asked.get("lang", "")) in ("en", "de")
    assert Texts(asked.get("lang", "")).language in ("en", "de")
    try:
        choice = choice_of(request)
    except FormFault as error:
        assert str(error).endswith(".")  # noqa: PT017
        return False
    window = choice.window(ZoneInfo("America/St_Johns"))
    assert window.from_ms <= window.to_ms
    assert re.fullmatch(r"[\w.-]+", choice.file_name("Skerry Light", "csv"))
    return True


_DOORS = Doors(None, ("chamber.example",))  # type: ignore[arg-type]


def _head(chance: random.Random) -> tuple[str, Headers]:
    def text(*good: str) -> bytes:
        found = chance.choice((*good, words(chance), figure(chance)[:200]))
        return found.encode("latin-1", "replace")

    raw = [
        (b"host", text("localhost", "127.0.0.1:8321", "[::1]:1", "[::1", "localhost", "a.example")),
        (b"origin", text("http://localhost", "http://localhost", "null", "http://[", "http://127.0.0.1:8321")),
        (b"content-length", text("0", "12", "12", "\xb2", "9" * 5000)),
        (b"sec-fetch-site", text("same-origin", "same-origin", "cross-site")),
    ]
    return chance.choice(("GET", "POST", "POST")), Headers(raw=[each for each in raw if chance.random() < 0.95])


def _head_judge(given: tuple[str, Headers]) -> bool:
    method, headers = given
    refusal = _DOORS._refusal({"type": "http", "method": method, "path": "/steps"}, headers)
    assert refusal is None or refusal.status_code in (403, 413, 421)
    return refusal is None


def _name(chance: random.Random) -> tuple[str, str, str]:
    made = (
        "skerry-light",
        "20260302T0800Z-skerry-light",
        f"2026-{chance.randrange(14):02d}-{chance.randrange(33):02d}",
    )
    chosen = [
        bent_bytes(chance, each.encode()).decode(errors="replace") if chance.random() < 0.3 else each for each in made
    ]
    return chosen[0], chosen[1], chosen[2]


def _name_judge(name: tuple[str, str, str]) -> bool:
    good = is_chamber(name[0]) and is_run(name[1]) and is_day(name[2])
    if good:
        assert not any(sign in part for part in name for sign in "/\\\x00.")
        assert all(part.isascii() for part in name)
    return good


def _report(chance: random.Random) -> list[bytes]:
    """Reports of the board, some bent, with any counts."""
    lines = [message_line(chance, ("report",)) for _ in range(3)]
    return [bent_bytes(chance, line) if chance.random() < 0.3 else line for line in lines]


def _count_judge(lines: list[bytes]) -> bool:
    counts = BoardCounts()
    state = examples.growing()
    taken = 0
    for place, line in enumerate(lines):
        message = messages.decode(line)
        if message is None:
            continue
        taken += 1
        at_ms = state.now.monotonic_ms + 10_000 * place
        counts.note(message, at_ms)
        reading = counts.reading((21.0, 50.0), at_ms, False, False)
        state, _ = step(state, m.Sampled(examples.moment(at_ms), reading), examples.SETTINGS)
        assert reading.moisture_counts == messages.number(message, "moisture_counts")
        assert reading.moisture_counts is not None
        possible = 50 <= reading.moisture_counts <= 4_000
        assert possible or state.moisture.quality == m.SUSPECT
        settled = sensing.settled(state.moisture)
        assert settled is None or 50 <= settled <= 4_000
    return taken > 0


def parsers() -> list[Parser]:
    return [
        Parser("option --fault", _fault, _said("--fault", parse_fault)),
        Parser("options --from, --to, --start", _moment, _said("--from", _moment_of)),
        Parser("option --every", lambda c: _or_rubbish(c, _digits(c) + c.choice(("s", "min", "h", "d", ""))),
               _said("--every", _span)),
        Parser("option --quiet", _hours, _said("--quiet", _quiet)),
        Parser("option --positions", _positions, _said("--positions", _positions_of)),
        Parser("option --volumes-ml", _volumes, _said("--volumes-ml", _sizes)),
        Parser("options that are figures", lambda c: (c.randrange(len(BOUNDS)), figure(c)), _figure_judge),
        Parser("typed mass", figure, _mass_judge),
        Parser("line of a balance, by any expression", _pattern, _pattern_judge),
        Parser("counts of the moisture probe", _report, _count_judge),
        Parser("fields of a form", _form, _form_judge),
        Parser("address of a download", _address, _address_judge),
        Parser("head of a request", _head, _head_judge),
        Parser("names of a parcel's address", _name, _name_judge),
    ]  # fmt: skip
