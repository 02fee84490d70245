"""Reading plan and chamber files: TOML to frozen, judged objects, or one sentence for each fault found.

Every function here raises SettingsError with all faults at once. A sentence names the file, the key with its path
(list elements counted from 1), what was found and what is allowed.
"""

import hashlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, NamedTuple, TypeVar

import tomli

from controller.bench import records as calibrations
from controller.errors import SettingsError
from controller.judging.between import BETWEEN_CHECKS
from controller.judging.inside_chamber import CHAMBER_CHECKS, FLASHED, BoardLimits
from controller.judging.inside_plan import PLAN_CHECKS, STEP_CHECKS
from controller.judging.shape import Judged, UnknownValue, judge_shape
from controller.plan import Chamber, Plan, Settings

T = TypeVar("T")
BYTE_ORDER_MARK = "\ufeff"  # some editors put it before the first character; it means nothing in UTF-8
PACKAGED = Path(__file__).parent / "_config"
IN_CHECKOUT = Path(__file__).parent.parent / "config"


class File(NamedTuple):
    """A file as it was read: its name for sentences, its text, the SHA-256 of its bytes."""

    name: str
    text: str
    sha256: str


@dataclass(frozen=True)
class Reading(Generic[T]):
    """What came of one file: everything, or its faults and what of it is good for checks against the other."""

    file: File | None
    judged: Judged[T] | None
    faults: list[str]

    def used(self) -> T:
        """The object of a file without faults; SettingsError otherwise."""
        if self.faults or self.judged is None or self.judged.value is None:
            raise SettingsError(tuple(self.faults))
        return self.judged.value


def read_plan(path: str | Path) -> Plan:
    """A plan file, judged on its own."""
    return _plan(lambda: _load(path)).used()


def read_chamber(path: str | Path, board: BoardLimits = FLASHED) -> Chamber:
    """A chamber file, judged on its own and against the limits flashed into the board."""
    return _chamber(lambda: load_chamber(path), board).used()


def read_settings(plan_path: str | Path, chamber_path: str | Path, board: BoardLimits = FLASHED) -> Settings:
    """Both files of a run, judged also against each other."""
    return _settings(_plan(lambda: _load(plan_path)), _chamber(lambda: load_chamber(chamber_path), board), board)


def chamber_from_text(text: str, name: str = "the chamber", board: BoardLimits = FLASHED) -> Chamber:
    """A chamber file from its text; the name stands in the sentences."""
    return _chamber(lambda: _file(name, text.encode()), board).used()


def settings_from_text(
    plan_text: str,
    chamber_text: str,
    plan_name: str = "the plan",
    chamber_name: str = "the chamber",
    board: BoardLimits = FLASHED,
) -> Settings:
    """The settings of a run from texts, as a journal keeps them; the names stand in the sentences."""
    plan = _plan(lambda: _file(plan_name, plan_text.encode()))
    return _settings(plan, _chamber(lambda: _file(chamber_name, chamber_text.encode()), board), board)


def example_path(name: str) -> Path:
    """Where a shipped file such as ``skerry-light.plan.toml`` is, in a checkout and when installed."""
    folder = PACKAGED if PACKAGED.is_dir() else IN_CHECKOUT
    shipped = sorted(path.name for path in folder.glob("*.toml"))
    if name not in shipped:
        raise SettingsError((f"{name} is not an example file; there are {', '.join(shipped) or 'none'}.",))
    return folder / name


# -- one file ----


def _load(path: str | Path) -> File:
    try:
        content = Path(path).read_bytes()
    except FileNotFoundError:
        raise SettingsError((f"{path}: there is no such file.",)) from None
    except IsADirectoryError:
        raise SettingsError((f"{path}: this is a folder; give a file.",)) from None
    except PermissionError:
        raise SettingsError((f"{path}: this file may not be read by this user (permission denied).",)) from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise SettingsError((f"{path}: this file cannot be read ({reason}).",)) from error
    return _file(Path(path).name, content)


def load_chamber(path: str | Path, change: calibrations.Use | None = None) -> File:
    """A chamber file with the calibrations that were put into use beside it; its digest stays that of the file.

    With ``change`` it is the file as it would be then. Nothing of it is judged but that it can be read.
    """
    file = _load(path)
    return file._replace(text=calibrations.applied(file.text, path, change))


def _file(name: str, content: bytes) -> File:
    try:
        return File(name, content.decode(), hashlib.sha256(content).hexdigest())
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        sentence = f"{name}: line {line} holds a byte that is not UTF-8 text; save the file as UTF-8."
        raise SettingsError((sentence,)) from error


def _parse(file: File) -> dict[str, Any]:
    try:
        return tomli.loads(file.text.removeprefix(BYTE_ORDER_MARK))
    except tomli.TOMLDecodeError as error:
        reason = error.msg[:1].lower() + error.msg[1:]
        where = f"line {error.lineno}, column {error.colno}"
        raise SettingsError((f"{file.name}: {where}: this is not TOML ({reason}).",)) from error
    except (RecursionError, ValueError) as error:  # thousands of brackets, or of digits
        raise SettingsError((f"{file.name}: a value in this file is too large to read.",)) from error


def _reading(
    load: Callable[[], File], table: type[T], file_kind: str, checks: Callable[[T], Iterable[Iterator[str]]]
) -> Reading[T]:
    try:
        file = load()
        judged = judge_shape(_parse(file), table, file_kind)
    except SettingsError as error:
        return Reading(None, None, list(error.sentences))
    sentences = [*judged.faults.values(), *_spoken(checks(judged.good))]
    return Reading(file, judged, [f"{file.name}: {sentence}" for sentence in sentences])


def _spoken(checks: Iterable[Iterator[str]]) -> Iterator[str]:
    """What the checks say; a check that meets a faulty value stops there."""
    for check in checks:
        try:
            yield from check
        except UnknownValue:
            continue


def _plan(load: Callable[[], File]) -> Reading[Plan]:
    return _reading(load, Plan, "plan", _plan_checks)


def _plan_checks(plan: Plan) -> Iterator[Iterator[str]]:
    for check in PLAN_CHECKS:
        yield check(plan)
    try:
        numbered = list(enumerate(plan.steps, 1))
    except UnknownValue:
        return
    for place, step in numbered:
        for step_check in STEP_CHECKS:
            yield step_check(f"steps[{place}]", step, plan)


def _chamber(load: Callable[[], File], board: BoardLimits) -> Reading[Chamber]:
    return _reading(load, Chamber, "chamber", lambda chamber: (check(chamber, board) for check in CHAMBER_CHECKS))


# -- both files ----


def _settings(plan: Reading[Plan], chamber: Reading[Chamber], board: BoardLimits) -> Settings:
    faults = plan.faults + chamber.faults
    if plan.file is not None and plan.judged is not None and chamber.judged is not None:
        good_plan, good_chamber = plan.judged.good, chamber.judged.good
        between = _spoken(check(good_plan, good_chamber, board) for check in BETWEEN_CHECKS)
        faults += [f"{plan.file.name}: {sentence}" for sentence in between]
    if faults or plan.file is None or chamber.file is None:
        raise SettingsError(tuple(faults))
    return Settings(
        plan=plan.used(),
        chamber=chamber.used(),
        plan_sha256=plan.file.sha256,
        plan_text=plan.file.text,
        chamber_text=chamber.file.text,
    )
