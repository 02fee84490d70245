"""Which tests guard which hazard: the table of hardware/HAZARDS.md against the marks in the tests.

``python -m tests.hazards`` lists them; ``--renew H3`` puts the row's present fingerprint into its marks, once a person
has read its tests against the changed row.
"""

import ast
import hashlib
import re
import sys
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).parent.parent
TABLE = ROOT / "hardware" / "HAZARDS.md"
SIDES = ("host", "board")  # what software can prove; the third, hardware, is for the bench
MARK = re.compile(r'(pytest\.mark\.guards\(\s*"(H\d+)",\s*"(\w+)",\s*")([0-9a-f]*)(")')


class Hazard(NamedTuple):
    id: str
    hazard: str
    causes: str
    harm: str
    host: str
    board: str
    hardware: str
    remains: str

    @property
    def fingerprint(self) -> str:
        """Eight digits of the SHA-256 of the row's text."""
        return hashlib.sha256("|".join(self).encode()).hexdigest()[:8]


class Mark(NamedTuple):
    """One test that claims to guard a hazard on a side."""

    test: str
    hazard_id: str
    side: str
    fingerprint: str


def hazards(text: str | None = None) -> list[Hazard]:
    """The rows of the table, in its order."""
    lines = (TABLE.read_text() if text is None else text).splitlines()
    rows = [[cell.strip() for cell in line.strip().strip("|").split("|")] for line in lines if line.startswith("| H")]
    return [Hazard(*row) for row in rows]


def marks(folder: Path = ROOT / "tests") -> list[Mark]:
    """The marks of every test, read from the syntax trees."""
    found = []
    for path in sorted(folder.glob("**/test_*.py")):
        module = ast.parse(path.read_text())
        whole = [value for node in module.body for value in _of_module(node)]
        for node in ast.walk(module):
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
                for call in [*node.decorator_list, *whole]:
                    values = _guards(call)
                    if values is not None:
                        found.append(Mark(f"{path.name}::{node.name}", *values))
    return found


def _of_module(node: ast.stmt) -> list[ast.expr]:
    if not isinstance(node, ast.Assign) or [ast.unparse(target) for target in node.targets] != ["pytestmark"]:
        return []
    return node.value.elts if isinstance(node.value, ast.List) else [node.value]


def _guards(call: ast.expr) -> tuple[str, str, str] | None:
    if not isinstance(call, ast.Call) or ast.unparse(call.func) != "pytest.mark.guards":
        return None
    hazard_id, side, fingerprint = (ast.literal_eval(argument) for argument in call.args)
    return hazard_id, side, fingerprint


def renew(hazard_id: str) -> int:
    """Put the row's present fingerprint into its marks; answers how many were changed."""
    (row,) = [each for each in hazards() if each.id == hazard_id]
    changed = 0
    for path in sorted((ROOT / "tests").glob("**/test_*.py")):
        before = path.read_text()
        after = MARK.sub(
            lambda found: f"{found[1]}{row.fingerprint}{found[5]}" if found[2] == hazard_id else found[0], before
        )
        if after != before:
            path.write_text(after)
            changed += 1
    return changed


if __name__ == "__main__":
    if sys.argv[1:2] == ["--renew"]:
        for each_id in sys.argv[2:]:
            print(f"{each_id}: {renew(each_id)} files")
    else:
        given = marks()
        for each in hazards():
            print(f"{each.id} {each.hazard} ({each.fingerprint})")
            for side in SIDES:
                for mark in given:
                    if (mark.hazard_id, mark.side) == (each.id, side):
                        print(f"    {side}: {mark.test}")
