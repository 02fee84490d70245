"""Change the safety files in every small way and see a test fail; what may live on stands here, with its reason.

It needs ``mutmut`` (``pip install mutmut``), a tool of its own that no test imports. The tool takes the ordinary tests
of these files, and begins only when they pass without a change; a change that none of them notices is a survivor, and
a survivor without a reason is a hole. A reason holds for one change of one line of one function and for nothing else;
``tests/test_mutation.py`` sees that the line still stands there. The tool changes what stands in functions and leaves
tables and numbers outside them alone; those of ``limits.py`` are worked out in ``tests/test_interlocks.py``.
"""

import re
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

from tests.campaigns.guard_removal import copy_of_the_tree
from tests.campaigns.rows import Row

FILES = (
    "firmware_bridge/interlocks.py",
    "firmware_bridge/board.py",
    "controller/control/watering.py",
    "controller/control/step.py",
    "controller/control/line.py",
    "controller/control/dose_life.py",
    "controller/control/asked_clears.py",
    "controller/control/acquaintance.py",
    "controller/control/remember.py",
    "controller/control/run_clock.py",
    "controller/control/trips.py",
)
TESTS = ("interlocks", "board", "step", "step_records", "watering", "recovery", "alarms", "deciding", "dose_life")

TOOL = Path(sys.executable).parent / "mutmut"
NOTICED = ("killed", "timeout")  # what the tool says of a change that made a test fail, or made it run without end


class Change(NamedTuple):
    """One line of one function, as it stands and as it was changed."""

    where: str  # module, class and function
    line: str
    changed: str


OVERWRITTEN = "set anew by every dose before anything reads it"
FALSY = "private, and no and nothing are the same to every place that asks"
BOARD, LAW = "firmware_bridge.board.Board.", "firmware_bridge.interlocks.Law."
ACCEPTED = {
    Change(LAW + "__init__", "self._step_phase = 0", "self._step_phase = None"): OVERWRITTEN,
    Change(LAW + "__init__", "self._step_phase = 0", "self._step_phase = 1"): OVERWRITTEN,
    Change(BOARD + "__init__", "self._report_owed = False", "self._report_owed = None"): FALSY,
    Change(BOARD + "_report", "self._report_owed = False", "self._report_owed = None"): FALSY,
    Change(BOARD + "_obey_news", "self._done_seen = False", "self._done_seen = None"): FALSY,
    Change(BOARD + "__init__", "self._save_owed = False", "self._save_owed = None"): (
        "the constructor asks for a saving in its next line"
    ),
    Change(BOARD + "__init__", "self._save_owed = False", "self._save_owed = True"): (
        "the constructor asks for a saving in its next line"
    ),
}
CALM = """
from hypothesis import HealthCheck, Phase, settings
settings.register_profile("calm", derandomize=True, max_examples=60, deadline=None, database=None,
                          phases=[Phase.explicit, Phase.generate], suppress_health_check=list(HealthCheck))
settings.load_profile("calm")
"""


def _lines(name: str, entries: list[str]) -> str:
    return f"{name}=\n" + "".join(f"    {entry}\n" for entry in entries)


def prepare(tree: Path) -> None:
    """Tell the tool what to change and which tests to ask; calm the tests that draw, so that they repeat."""
    left = [path.name for path in tree.iterdir() if path.name not in ("controller", "firmware_bridge", "tests", ".ci")]
    config = (
        "[mutmut]\n"
        + _lines("source_paths", ["controller", "firmware_bridge"])
        + _lines("only_mutate", list(FILES))
        + _lines("pytest_add_cli_args", ["-x", "-q", "-p", "no:cacheprovider"])
        + _lines("pytest_add_cli_args_test_selection", [f"tests/test_{name}.py" for name in TESTS])
        + _lines("also_copy", [*left, ".ci"])
    )
    (tree / "setup.cfg").write_text(config)
    (tree / "tests" / "conftest.py").write_text(CALM)


def where(mutant: str) -> str:
    """The function that a mutant of the tool changes, as ``module.Class.function``."""
    module, _, name = re.sub(r"__mutmut_\d+$", "", mutant).rpartition(".")
    return f"{module}.{name[2:].replace('ǁ', '.')}"  # x_name, xǁClassǁname


def change(mutant: str, shown: str) -> Change:
    """What a mutant changes, from the difference that the tool shows."""

    def side(sign: str) -> str:
        lines = [line for line in shown.splitlines() if line.startswith(sign) and not line.startswith(sign * 3)]
        return " ".join(" ".join(line[1:] for line in lines).split())

    return Change(where(mutant), side("-"), side("+"))


def outcomes(listed: str) -> dict[str, str]:
    """Mutant -> what became of it, from the tool's list."""
    return dict(re.findall(r"^\s*(\S+__mutmut_\d+): (.+?)\s*$", listed, re.MULTILINE))


def said(tree: Path, *words: str) -> str:
    """What the tool answers in this tree. It ends with an error when the unchanged code fails a test."""
    done = subprocess.run([TOOL, *words], cwd=tree, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(
            f"mutmut {' '.join(words)} failed, so nothing was tried: {(done.stdout + done.stderr)[-3000:]}"
        )
    return done.stdout


def campaign(scale: float = 1.0) -> list[Row]:
    """All of it, whatever the scale; nothing where the tool is missing. Every survivor is printed in full."""
    if not TOOL.is_file():
        return []
    with tempfile.TemporaryDirectory() as folder:
        tree = copy_of_the_tree(Path(folder))
        prepare(tree)
        said(tree, "run", "--max-children", "1")
        became = outcomes(said(tree, "results", "--all", "true"))
        alive = {
            mutant: change(mutant, said(tree, "show", mutant))
            for mutant, outcome in became.items()
            if outcome not in NOTICED
        }
    unexplained = [mutant for mutant, found in alive.items() if found not in ACCEPTED]
    for mutant, found in alive.items():
        print(f"{mutant} ({became[mutant]}): {found.line}  ->  {found.changed}  [{ACCEPTED.get(found, 'NO REASON')}]")
    for needless in ACCEPTED.keys() - set(alive.values()):
        print(f"a reason that nothing needs: {needless.where}: {needless.line}  ->  {needless.changed}")
    explained = len(alive) - len(unexplained)
    worst = "; ".join(f"{alive[each].where}: {alive[each].changed}" for each in unexplained[:3])
    worst = worst or f"{explained} live on, each with its reason in tests/campaigns/mutation.py"
    return [Row("small changes to the safety files", len(became), len(became) - len(unexplained), worst)]
