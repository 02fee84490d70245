"""The list of changes that may go unnoticed is itself true: each names a line that stands, and has one reason."""

import inspect
from functools import reduce
from importlib import import_module

import pytest

from tests.campaigns import mutation
from tests.campaigns.guard_removal import ROOT

MODULES = [path.removesuffix(".py").replace("/", ".") for path in mutation.FILES]


def function_of(where):
    (module,) = [each for each in MODULES if where.startswith(each + ".")]
    return reduce(getattr, where.removeprefix(module + ".").split("."), import_module(module))


@pytest.mark.parametrize("change", mutation.ACCEPTED, ids=lambda change: f"{change.where}: {change.changed}")
def test_a_change_with_a_reason_is_one_of_a_line_that_stands_in_its_function(change):
    lines = [" ".join(line.split()) for line in inspect.getsource(function_of(change.where)).splitlines()]
    assert lines.count(change.line) == 1
    assert change.changed not in lines
    assert mutation.ACCEPTED[change]


def test_the_files_that_are_changed_and_the_tests_that_are_asked_exist():
    assert all((ROOT / path).is_file() for path in mutation.FILES)
    assert all((ROOT / "tests" / f"test_{name}.py").is_file() for name in mutation.TESTS)


@pytest.mark.parametrize(
    ("mutant", "where"),
    [
        ("controller.control.step.x__started__mutmut_12", "controller.control.step._started"),
        ("controller.control.trips.x_latch__mutmut_1", "controller.control.trips.latch"),
        ("firmware_bridge.board.xǁBoardǁ__init____mutmut_89", "firmware_bridge.board.Board.__init__"),
    ],
)
def test_a_mutant_tells_which_function_it_changes(mutant, where):
    assert mutation.where(mutant) == where
    assert callable(function_of(where))


def test_a_reason_holds_for_its_own_function_its_own_line_and_its_own_change_only():
    shown = """# firmware_bridge.board.xǁBoardǁ_report__mutmut_4: survived
--- firmware_bridge/board.py
+++ firmware_bridge/board.py
@@ -3,7 +3,7 @@
             return
-        self._report_owed = False
+        self._report_owed = None
         self._since_report_ms = 0
"""
    change = mutation.change("firmware_bridge.board.xǁBoardǁ_report__mutmut_4", shown)
    assert change in mutation.ACCEPTED
    assert change._replace(where="firmware_bridge.board.Board.tick") not in mutation.ACCEPTED
    assert change._replace(line="self._report_owed = True") not in mutation.ACCEPTED
    assert change._replace(changed="self._report_owed = None or True") not in mutation.ACCEPTED


def test_a_change_that_was_not_tried_is_not_taken_for_noticed():
    listed = """
    firmware_bridge.board.x__lost__mutmut_1: killed
    firmware_bridge.board.xǁBoardǁtick__mutmut_24: not checked
    controller.control.step.x_trip__mutmut_1: no tests
"""
    became = mutation.outcomes(listed)
    assert list(became.values()) == ["killed", "not checked", "no tests"]
    assert [outcome in mutation.NOTICED for outcome in became.values()] == [True, False, False]
