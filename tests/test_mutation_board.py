"""The campaign against the microcontroller's own files makes the changes it claims, and its reasons are true."""

import ast

import pytest

from tests.campaigns import mutation_board
from tests.campaigns.guard_removal import ROOT
from tests.campaigns.mutation import Change

SMALL = '''"""Text for people."""
SPACE_US = 5 // 2


class Wire:
    def read(self, wait_ms):
        """More of it."""
        while len(self.data) < SPACE_US and not self.gone:
            self.turn(wait_ms, min(3, wait_ms))
        return self.data
'''
READ = "small.Wire.read"
WHILE = "while len(self.data) < SPACE_US and (not self.gone):"
TURN = "self.turn(wait_ms, min(3, wait_ms))"


@pytest.fixture(scope="module")
def made():
    return dict(mutation_board.changes("small.py", SMALL))


def test_the_changes_are_flips_neighbours_swaps_and_lines_left_out(made):
    assert made.keys() == {
        Change("small", "SPACE_US = 5 // 2", "SPACE_US = 5 * 2"),
        Change("small", "SPACE_US = 5 // 2", "SPACE_US = 6 // 2"),
        Change("small", "SPACE_US = 5 // 2", "SPACE_US = 4 // 2"),
        Change("small", "SPACE_US = 5 // 2", "SPACE_US = 5 // 3"),
        Change("small", "SPACE_US = 5 // 2", "SPACE_US = 5 // 1"),
        Change("small", "SPACE_US = 5 // 2", "pass"),
        Change(READ, WHILE, "while len(self.data) <= SPACE_US and (not self.gone):"),
        Change(READ, WHILE, "while len(self.data) >= SPACE_US and (not self.gone):"),
        Change(READ, WHILE, "while len(self.data) < SPACE_US or not self.gone:"),
        Change(READ, WHILE, "while len(self.data) < SPACE_US and self.gone:"),
        Change(READ, WHILE, "while len(self.data) < SPACE_US:"),
        Change(READ, WHILE, "while not self.gone:"),
        Change(READ, TURN, "self.turn(min(3, wait_ms), wait_ms)"),
        Change(READ, TURN, "self.turn(wait_ms, max(3, wait_ms))"),
        Change(READ, TURN, "self.turn(wait_ms, min(4, wait_ms))"),
        Change(READ, TURN, "self.turn(wait_ms, min(2, wait_ms))"),
        Change(READ, TURN, "pass"),
        Change(READ, "return self.data", "return"),
    }


def test_each_change_stands_in_a_whole_file_of_its_own(made):
    assert len(set(made.values())) == len(made)
    for change, text in made.items():
        lines = [line.strip() for line in text.splitlines()]
        assert change.changed in lines
        assert lines.count(change.line) == 0
        assert ast.parse(text)


def test_a_change_that_may_live_on_is_one_that_the_campaign_makes_and_has_a_reason():
    every = {change for path in mutation_board.FILES for change, _ in mutation_board.changes(path, text_of(path))}
    assert len(every) > 250
    assert mutation_board.ACCEPTED.keys() <= every
    assert all(mutation_board.ACCEPTED.values())


def text_of(path):
    return (ROOT / path).read_text()


def test_the_tests_that_are_asked_exist():
    assert all((ROOT / "tests" / f"test_{name}.py").is_file() for name in mutation_board.TESTS)
