"""Change the safety files in every small way and see a test fail; what may live on stands here, with its reason.

It needs ``mutmut`` (``pip install mutmut``), a tool of its own that no test imports. The tool takes the ordinary tests
of these files; a change that none of them notices is a survivor, and a survivor without a reason is a hole.
"""

import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.campaigns.guard_removal import copy_of_the_tree
from tests.campaigns.rows import Row

FILES = (
    "firmware_bridge/interlocks.py",
    "firmware_bridge/board.py",
    "firmware_bridge/limits.py",
    "controller/control/watering.py",
    "controller/control/step.py",
)
TESTS = ("interlocks", "board", "step", "step_records", "watering", "recovery", "alarms", "deciding")

OVERWRITTEN = "set anew by every dose before anything reads it"
FALSY = "no and nothing are the same to every place that asks"
SENTINEL = "any number that is no duty does"
EDGE_OF_FLOATS = "the bound carries a billionth of a millilitre of slack, and no sum of real doses meets it exactly"
# a part of the changed line, after the change -> why it may live
ACCEPTED = {
    "self.dose_steps = None": OVERWRITTEN,
    "self.dose_steps = 1 ": OVERWRITTEN,
    "self.steps_per_s = None": OVERWRITTEN,
    "self.steps_per_s = 1": OVERWRITTEN,
    "self.run_ms = None": OVERWRITTEN,
    "self.run_ms = 1": OVERWRITTEN,
    "self.run_limit_ms = None": OVERWRITTEN,
    "self.run_limit_ms = 1": OVERWRITTEN,
    "self._step_phase = None": OVERWRITTEN,
    "self._step_phase = 1": OVERWRITTEN,
    'self._to_save: bytes | None = ""': "the constructor asks for a saving a moment later",
    "self.window_moved = None": FALSY,
    "law.window_moved = None": FALSY,
    "self.greeted = None": FALSY,
    "self._report_owed = None": FALSY,
    "self._done_seen = None": FALSY,
    "None, 2, interlocks.STATE_LOST]": "seen is any number above nought",
    "self._slots[self._slot] = reserved_steps": "the slot was emptied in the line before",
    "if (len(actions) == 1) and False else sorted(": "sorting one action leaves one action",
    "if len(actions) == 2 else sorted(": "two actions come in their safe order already",
    "actions = tripped": "the first trip of a sample finds an empty list",
    "actions.insert(1, m.SetStatusLamp(pattern))": "the actions are sorted afterwards",
    "dose.sent_ms if dose else 1)": "one millisecond in the first three seconds after power-on",
    'state.but(lamp_duty_fraction=None, status_pattern="")': SENTINEL,
    'state.but(lamp_duty_fraction=-2.0, status_pattern="")': SENTINEL,
    "records_failed_since_ms) / 3600001": "a millisecond in an hour, in words with one decimal",
    ">= limits.daily_max_ml + 1e-9": EDGE_OF_FLOATS,
    ">= law.total_cap_ml + 1e-9": EDGE_OF_FLOATS,
    ">= law.daily_cap_ml + 1e-9": EDGE_OF_FLOATS,
    "> limits.dose_max_ml + 1e-9": EDGE_OF_FLOATS,
    "first_wetting=None) + wanted": FALSY,
    "if rise > EFFECT_SHARE_MIN *": "a rise of exactly a fifth, in floating point",
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


def survivors(tree: Path) -> list[str]:
    """The changed line of every mutant that no test noticed."""
    tool = [shutil.which("mutmut", path=str(Path(sys.executable).parent)) or "mutmut"]
    listed = subprocess.run([*tool, "results"], cwd=tree, capture_output=True, text=True, check=True).stdout
    found = []
    for name in re.findall(r"(\S+): (?:survived|no tests)", listed):
        shown = subprocess.run([*tool, "show", name], cwd=tree, capture_output=True, text=True, check=True).stdout
        changed = [line[1:] for line in shown.splitlines() if line.startswith("+") and not line.startswith("+++")]
        found.append(f"{name}: {' '.join(changed).strip()}")
    return found


def reason(survivor: str) -> str | None:
    return next((why for part, why in ACCEPTED.items() if part in survivor), None)


def campaign(scale: float = 1.0) -> list[Row]:
    """All of it, whatever the scale; nothing where the tool is missing."""
    if shutil.which("mutmut", path=str(Path(sys.executable).parent)) is None:
        return []
    with tempfile.TemporaryDirectory() as folder:
        tree = copy_of_the_tree(Path(folder))
        prepare(tree)
        run = [str(Path(sys.executable).parent / "mutmut"), "run", "--max-children", "1"]
        told = subprocess.run(run, cwd=tree, capture_output=True, text=True, check=False).stdout
        tried = int(re.findall(r"(\d+)/\1", told)[-1])
        alive = survivors(tree)
    unexplained = [each for each in alive if reason(each) is None]
    explained = len(alive) - len(unexplained)
    worst = "; ".join(unexplained[:3]) or f"{explained} live on, each with its reason in tests/campaigns/mutation.py"
    return [Row("small changes to the safety files", tried, tried - len(unexplained), worst)]
