"""Seed lots: what was harvested from which run, its viability tests, and which lot came from which.

The book of lots is a text file with one JSON object a line; lines are only ever added. A lot's parents are the lots
that its run was sown from.
"""

import json
import re
from dataclasses import asdict, dataclass, fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from controller.errors import JournalError, SettingsError
from controller.plan import Plan, Settings

AMOUNT_MAX = 1e9  # seeds, or their grams: no lot of a growth chamber comes near
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}")


@dataclass(frozen=True)
class Lot:
    """Seed of one species from one harvest (or bought in, then without a run)."""

    lot: str
    species: str
    written_by: str
    at_utc: str
    parents: tuple[str, ...] = ()
    run_id: str = ""
    plan_sha256: str = ""
    site: str = ""
    positions: tuple[int, ...] = ()
    seeds: int | None = None
    mass_g: float | None = None
    note: str = ""


@dataclass(frozen=True)
class ViabilityTest:
    """So many of a sample germinated."""

    lot: str
    sown: int
    germinated: int
    written_by: str
    at_utc: str
    note: str = ""


@dataclass(frozen=True)
class Book:
    """All lots by name, in the order they were written, and all tests."""

    path: Path
    lots: dict[str, Lot]
    tests: list[ViabilityTest]

    def lot(self, name: str) -> Lot:
        if name not in self.lots:
            known = ", ".join(self.lots) or "none yet"
            raise SettingsError((f"{self.path.name}: there is no lot {name}; there are {known}.",))
        return self.lots[name]

    def generation(self, name: str) -> int:
        """0 for seed without a parent here, else one more than its oldest line of parents."""
        found: dict[str, int] = {}
        for lot in self.lots.values():  # parents stand before their offspring
            found[lot.lot] = 1 + max((found[parent] for parent in lot.parents), default=-1)
        return found[self.lot(name).lot]


_RECORDS: dict[str, type[Lot] | type[ViabilityTest]] = {"lot": Lot, "viability_test": ViabilityTest}
_ADAPTERS = {kind: TypeAdapter(record_class) for kind, record_class in _RECORDS.items()}


def read_book(path: Path) -> Book:
    """The book, empty where there is none yet. SettingsError names the line that cannot be understood."""
    book = Book(path, {}, [])
    if not path.exists():
        return book
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError((f"{path}: the book of lots cannot be read: {error}.",)) from error
    for number, line in enumerate(lines, 1):
        if line.strip():
            _take(book, number, line)
    return book


def _take(book: Book, number: int, line: str) -> None:
    where = f"{book.path.name}: line {number}"
    try:
        values = json.loads(line)
        kind = values.pop("record")
        unknown = values.keys() - {each.name for each in fields(_RECORDS[kind])}
        record: Any = _ADAPTERS[kind].validate_json(json.dumps(values), strict=True)
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False)[0]
        key = ".".join(str(part) for part in first["loc"])
        raise SettingsError((f"{where} is no entry of a book of lots ({key}: {first['msg']}).",)) from error
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise SettingsError((f"{where} is no entry of a book of lots ({type(error).__name__}).",)) from error
    if unknown:
        raise SettingsError((f"{where} is no entry of a book of lots ({min(unknown)!r} is not a key of one).",))
    _judge(book, record, f"{where}: ")
    _put(book, record)


def _judge(book: Book, record: Lot | ViabilityTest, where: str) -> None:
    """SettingsError when an entry says what cannot be, or what does not fit the entries before it."""
    if isinstance(record, ViabilityTest):
        book.lot(record.lot)
        if not 0 <= record.germinated <= record.sown or record.sown < 1:
            sentence = f"{record.germinated} of {record.sown} cannot have germinated; give 0 to as many as were sown."
            raise SettingsError((f"{where}{sentence}",))
        return
    if not NAME.fullmatch(record.lot):
        raise SettingsError((f"{where}{record.lot!r} is no name of a lot; use up to 40 letters, digits and . _ -.",))
    if record.lot in book.lots:
        sentence = f"{book.path.name}: there is a lot {record.lot} already; lots are never renamed."
        raise SettingsError((f"{where}{sentence}",))
    for parent in record.parents:
        if parent not in book.lots:
            raise SettingsError(
                (f"{where}lot {record.lot} comes from {parent}, which stands nowhere before it: no lot {parent}.",)
            )
    amounts = [value for value in (record.seeds, record.mass_g) if value is not None]
    if not all(0 <= value <= AMOUNT_MAX for value in amounts):
        raise SettingsError((f"{where}seeds and mass_g of lot {record.lot} must be from 0 to {AMOUNT_MAX:g}.",))


def _put(book: Book, record: Lot | ViabilityTest) -> None:
    if isinstance(record, Lot):
        book.lots[record.lot] = record
    else:
        book.tests.append(record)


def add(book: Book, record: Lot | ViabilityTest) -> None:
    """Write one entry at the end of the book."""
    _judge(book, record, "")
    kind = next(name for name, record_class in _RECORDS.items() if isinstance(record, record_class))
    line = json.dumps({"record": kind, **asdict(record)}, ensure_ascii=False) + "\n"
    try:
        book.path.parent.mkdir(parents=True, exist_ok=True)
        with book.path.open("a", encoding="utf-8") as file:
            file.write(line)
    except OSError as error:
        raise JournalError(f"{book.path}: the book of lots cannot be written: {error}") from error
    _put(book, record)


def harvested(name: str, species: str, settings: Settings, run_id: str, positions: tuple[int, ...], **more: Any) -> Lot:
    """A lot from a run; its parents are the lots that the harvested positions were sown from."""
    sown = [p for p in settings.plan.positions if p.species == species]
    if not sown:
        raise SettingsError((f"No position of this run grows {species}; it grows {_species(settings.plan)}.",))
    wrong = [number for number in positions if number not in [p.number for p in sown]]
    if wrong:
        raise SettingsError((f"Position {wrong[0]} of this run does not grow {species}.",))
    from_places = [p for p in sown if not positions or p.number in positions]
    return Lot(
        lot=name,
        species=species,
        at_utc=now_text(),
        parents=tuple(dict.fromkeys(p.lot for p in from_places if p.lot)),
        run_id=run_id,
        plan_sha256=settings.plan_sha256,
        site=settings.chamber.site.name,
        positions=tuple(p.number for p in from_places),
        **more,
    )


def sown_from(plan_text: str, plan: Plan, lot: Lot) -> str:
    """The text of a plan with every position of the lot's species sown from that lot; remarks stay as they are."""
    if lot.species not in {position.species for position in plan.positions}:
        sentence = f"Lot {lot.lot} is {lot.species}, but the plan grows {_species(plan)}."
        raise SettingsError((sentence,))
    value = re.escape(json.dumps(lot.species))
    text = re.sub(rf'(species\s*=\s*{value})(\s*,\s*lot\s*=\s*"[^"]*")?', rf'\1, lot = "{lot.lot}"', plan_text)
    if text == plan_text and any(p.lot != lot.lot for p in plan.positions if p.species == lot.species):
        raise SettingsError(("The positions of this plan are not written as { number = 1, species = ... } each.",))
    return text


def _species(plan: Plan) -> str:
    return ", ".join(dict.fromkeys(position.species for position in plan.positions))


def now_text() -> str:
    """This moment as the book writes it."""
    return f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}"
