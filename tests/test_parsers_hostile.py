"""Every parser meets hostile input: an object or a clean refusal comes out, never another exception."""

import pytest

from tests.campaigns import parsers

NAMES = [
    "plan file",
    "chamber file",
    "both files against each other",
    "message line",
    "stream of lines",
    "serial line and the law behind it",
    "the board's saved line",
    "frame of the air sensor",
    "request or observation",
    "option of the command line",
]


def test_every_parser_is_named_here(tmp_path):
    assert [parser.name for parser in parsers.parsers(tmp_path)] == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_hostile_input_is_refused_cleanly_or_valid(name, tmp_path):
    parser = next(each for each in parsers.parsers(tmp_path) if each.name == name)

    row = parsers.try_parser(parser, 300, seed=1)

    assert row.survived == row.tried, row.worst_case
    taken, refused = (int(word) for word in row.worst_case.split() if word.isdigit())
    assert taken > 0, "only rubbish was tried"
    assert refused > 0, "nothing was refused"


@pytest.mark.campaign
def test_a_hundred_thousand_inputs_a_parser():
    for row in parsers.campaign():
        assert row.survived == row.tried >= 100_000, row
