"""A session at the bench as the pages show it, and what a form about it holds: masses and conditions, kept as typed."""

import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from starlette.datastructures import FormData

from controller.bench.balance import balance_on
from controller.bench.session_file import (
    CONDITIONS,
    SHOWN,
    TYPED,
    WEIGHED,
    Kept,
    add_row,
    given_portions,
    kept_masses,
    rows_of,
)
from controller.control import model as m
from controller.control.photoperiod import utc_ms
from controller.plan import Chamber
from controller.records.journal import Journal
from controller.settings import read_chamber, settings_from_text
from controller.web.forms import FormFault, number_of, word_of
from controller.web.session_process import SESSION_NAME
from controller.web.site import Site

MASS_MAX_G = 1_000.0
PORTIONS_MAX = 200
FIELDS_MAX = PORTIONS_MAX + 20  # of one form
TEXT_MAX, INSTRUMENTS_MAX = 40, 300
FIELDS = (("water_c", "--water-c", 5.0, 40.0), ("pressure_kpa", "--pressure-kpa", 60.0, 110.0),
          ("evaporated_g", "--evaporated-g", 0.0, 1.0), ("resolution_g", "--resolution-g", 0.0, 1.0))  # fmt: skip
DEFAULTS = {"evaporated_g": "0", "resolution_g": "0.01"}


@dataclass(frozen=True)
class BenchSession:
    """A session, and the portions (dose id, steps) that it gave to be weighed. ``chamber`` is the one it works with."""

    folder: Path
    when: str
    simulated: bool
    chamber: Chamber
    portions: list[tuple[int, int]]
    is_pouring: bool

    @property
    def name(self) -> str:
        return self.folder.name

    def masses(self) -> list[Kept]:
        """What is kept of each portion, in their order."""
        kept = kept_masses(self.folder)
        return [kept.get(place, Kept("", None)) for place in range(1, len(self.portions) + 1)]

    def conditions(self) -> dict[str, str]:
        """The conditions as they were typed last."""
        rows = rows_of(self.folder, CONDITIONS)
        typed = {name: str(text) for name, text in rows[-1].get("texts", {}).items()} if rows else {}
        names = (*(name for name, *_ in FIELDS), "instruments")
        return {name: typed.get(name, DEFAULTS.get(name, "")) for name in names}

    def has_balance(self, chamber: Chamber) -> bool:
        """Whether a mass can be read: simulated balances can, real ones by the chamber file as it stands."""
        return self.simulated or chamber.balance is not None


def session_of(site: Site, name: str) -> BenchSession | None:
    """One session of the chamber's folder, or None where there is none of that name."""
    folder = site.bench().folder / name
    if not SESSION_NAME.fullmatch(name) or not (folder / "journal.sqlite").is_file():
        return None
    began = datetime.strptime(name.removeprefix("session-")[:15], "%Y%m%dT%H%M%S").replace(tzinfo=UTC)
    journal = Journal.open(folder / "journal.sqlite")
    try:
        row = journal.run_row()
        begun = {each.dose_id for each in journal.records(m.DoseIntended)}
        closed = journal.outcomes().keys()
    finally:
        journal.close()
    chamber = settings_from_text(str(row["plan_text"]), str(row["chamber_text"])).chamber
    portions = given_portions(folder) if (folder / "bench.jsonl").is_file() else []
    return BenchSession(
        folder, site.local(utc_ms(began)), bool(row["simulated"]), chamber, portions, bool(begun - closed)
    )


def keep_typed(found: BenchSession, form: FormData, by: str) -> None:
    """Keep every mass and condition of a form that is new, at once and for good, even one that cannot be meant."""
    for place, (kept, (dose_id, _)) in enumerate(zip(found.masses(), found.portions, strict=True), 1):
        name = f"mass_{place}_g"
        text = word_of(form, name, TEXT_MAX)
        if name not in form or text == kept.text:
            continue
        add_row(found.folder, _now_utc_ms(), by, TYPED, portion=place, dose_id=dose_id, text=text)
        try:
            mass_g = number_of(form, name, 0.0, MASS_MAX_G)
        except FormFault:
            continue  # it stands on the page as it was typed, and is named when it is to be worked out
        if mass_g:
            _keep_mass(found, place, mass_g, by)
    before = found.conditions()
    texts = before | {
        name: word_of(form, name, INSTRUMENTS_MAX if name == "instruments" else TEXT_MAX)
        for name in before
        if name in form
    }
    if texts != before:
        add_row(found.folder, _now_utc_ms(), by, CONDITIONS, texts=texts)


def read_balance(site: Site, found: BenchSession, place: int, by: str) -> None:
    """Read the balance for a portion and keep the mass; FormFault, or its own ChamberError, when it gives none.

    A simulated session has a balance of its own, which wrote down what it showed.
    """
    if found.simulated:
        shown = [float(row["mass_g"]) for row in rows_of(found.folder, SHOWN) if row["portion"] == place]
        if not shown:
            raise FormFault("bench.nothing_shown", n=place)
        mass_g = shown[-1]
    else:
        line = read_chamber(site.bench().chamber_path).balance
        if line is None:
            raise FormFault("bench.no_balance")
        balance = balance_on(line)
        try:
            mass_g = balance.read_g()
        finally:
            balance.close()
    if not 0.0 < mass_g <= MASS_MAX_G:
        raise FormFault("bench.not_a_portion", g=mass_g, most=MASS_MAX_G)
    dose_id, text = found.portions[place - 1][0], repr(mass_g)
    add_row(found.folder, _now_utc_ms(), by, TYPED, portion=place, dose_id=dose_id, text=text, source="balance")
    _keep_mass(found, place, mass_g, by)


def _keep_mass(found: BenchSession, place: int, mass_g: float, by: str) -> None:
    dose_id, steps = found.portions[place - 1]
    add_row(found.folder, _now_utc_ms(), by, WEIGHED, portion=place, dose_id=dose_id, steps=steps, mass_g=mass_g)


def options_of(found: BenchSession, form: FormData) -> list[str]:
    """The conditions of a form as the terminal's options; FormFault for one that is missing or outside its bounds."""
    options = [f"--session={found.folder}"]
    for name, option, low, high in FIELDS:
        value = number_of(form, name, low, high)
        if value is None:
            raise FormFault("fault.needed", field=name, low=low, high=high)
        options.append(f"{option}={value!r}")
    options.append(f"--instruments={word_of(form, 'instruments', INSTRUMENTS_MAX)}")
    return options + (["--simulated"] if found.simulated else [])


def _now_utc_ms() -> int:
    return time.time_ns() // 1_000_000
