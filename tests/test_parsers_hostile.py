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
    "book of seed lots",
    "file of alerts",
    "calibration record",
    "portions of a session",
    "record of acceptance tests",
    "codes of the page",
    "memory of the alerts",
    "simulated world",
    "tokens of a collector",
    "manifest of a parcel",
    "table of a parcel",
    "cells parted by commas, and their procedures",
    "picture",
    "option --fault",
    "options --from, --to, --start",
    "option --every",
    "option --quiet",
    "option --positions",
    "option --volumes-ml",
    "options that are figures",
    "typed mass",
    "line of a balance, by any expression",
    "counts of the moisture probe",
    "fields of a form",
    "address of a download",
    "head of a request",
    "names of a parcel's address",
]


def test_every_parser_is_named_here(tmp_path):
    assert [parser.name for parser in parsers.parsers(tmp_path)] == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_hostile_input_is_refused_cleanly_or_valid(name, tmp_path):
    parser = next(each for each in parsers.parsers(tmp_path) if each.name == name)

    row = parsers.try_parser(parser, 300, seed=1)

    assert row.survived == row.tried, row.worst_case
    taken, refused = (int(word) for word in row.worst_case.partition(";")[0].split() if word.isdigit())
    assert taken > 0, "only rubbish was tried"
    assert refused > 0, "nothing was refused"


@pytest.mark.campaign
def test_a_hundred_thousand_inputs_a_parser():
    for row in parsers.campaign():
        assert row.survived == row.tried >= 100_000, row


def test_an_input_that_hangs_is_a_failure(mocker):
    def judge(given):
        while True:
            pass

    mocker.patch.object(parsers, "INPUT_CPU_S_MAX", 0.05)

    row = parsers.try_parser(parsers.Parser("hangs", lambda chance: b"", judge), 2)

    assert row.survived == 0
    assert "HungError" in row.worst_case
