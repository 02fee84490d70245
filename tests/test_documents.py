"""What the documents say is so."""

import re
from pathlib import Path

import click
import pytest

from controller.chamber.faults import FAULTS
from controller.cli import main
from controller.commands.telling import CAUTION
from controller.commands.terminal import Exit
from firmware_bridge import interlocks

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text()
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()
HAZARDS = (ROOT / "hardware" / "HAZARDS.md").read_text()


def commands_of(group):
    return {name: group.get_command(click.Context(group), name) for name in group.list_commands(click.Context(group))}


def options_of(command):
    inner = commands_of(command).values() if isinstance(command, click.Group) else ()
    return {option for p in command.params for option in p.opts} | {o for each in inner for o in options_of(each)}


def test_the_readme_shows_every_command_but_none_that_is_not():
    shown = set(re.findall(r"^    wardian (\w+)", README, re.MULTILINE))

    assert shown == set(commands_of(main))


def test_options_in_the_readme_exist():
    assert set(re.findall(r"--[a-z][a-z-]+", README.split("## What a person does")[1])) <= options_of(main)


def test_faults_in_the_readme_exist():
    assert set(re.findall(r"--fault ([a-z-]+)@", README)) <= set(FAULTS)


def test_the_readme_tells_every_exit_code():
    sentence = next(line for line in README.splitlines() if "A command ends with 0" in line)

    assert {int(number) for number in re.findall(r"\b\d\b", sentence)} == {int(c) for c in Exit} - {Exit.FAULT}


def test_continuous_integration_installs_as_the_readme_does():
    script = (ROOT / ".ci" / "run").read_text()

    for piece in ("pip install -q -r tests/requirements.lock", "pip install -q --no-deps -e .", "-m pytest"):
        assert piece in script
        assert piece in README


@pytest.mark.parametrize("name", re.findall(r"python -m (tests\.benchmarks\.\w+)", DEVELOPERS))
def test_benchmarks_that_are_named_exist(name):
    assert (ROOT / name.replace(".", "/")).with_suffix(".py").is_file()


def test_every_module_of_the_host_is_on_the_map():
    for path in ROOT.glob("controller/*.py"):
        if path.stem not in ("__init__", "rehearse_files"):
            assert path.stem in DEVELOPERS, path.stem


def test_hazards_have_ids_of_their_own_in_order():
    ids = [int(number) for number in re.findall(r"^\| H(\d+) \|", HAZARDS, re.MULTILINE)]

    assert ids == list(range(1, len(ids) + 1))


@pytest.mark.guards("H14", "host", "f1e56875")
@pytest.mark.guards("H15", "host", "f934bc5d")
@pytest.mark.parametrize("words", ["extra-low", "mains", "into the lamp", "codes"])
def test_readme_and_command_line_carry_the_cautions(words):
    """Common practice, no source: low voltage near water, no mains, no look into the lamp, local codes first."""
    assert words in README
    assert words in CAUTION


def test_every_trip_has_plain_words():
    from controller.control.words import TRIP_WORDS

    assert set(interlocks.TRIP_REASONS) <= set(TRIP_WORDS)


def test_the_lock_file_holds_hashes_and_no_addresses():
    lock = (ROOT / "tests" / "requirements.lock").read_text()

    assert "--hash=sha256:" in lock
    assert "://" not in lock
    assert "index-url" not in lock
