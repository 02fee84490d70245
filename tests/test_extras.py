"""The extras of the package: each brings what its commands load, and a command without its extra names it."""

import re
import subprocess
import sys
import tomllib
from importlib.metadata import PackageNotFoundError, packages_distributions, requires
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from controller.cli import COMMANDS, EXTRAS

PROJECT = tomllib.loads((Path(__file__).parent.parent / "pyproject.toml").read_text())["project"]
# loads a command where only some modules can be found, as on a computer where only they were installed
LOAD = """
import sys
hidden = set(sys.argv[2].split(","))
class Hide:
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] in hidden:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)
sys.meta_path.insert(0, Hide())
import importlib
for late in sys.argv[3].split():
    importlib.import_module(late)
from controller.cli import main
main([sys.argv[1], "--help"], prog_name="wardian")
"""
# what a command loads only once it begins
LATE = {"serve": "controller.web.app uvicorn", "code": "controller.web.codes", "alert": "apprise controller.web.texts"}


def brought_by(wanted):
    """Names of the distributions that these requirements install, with what those require in their turn."""
    found, waiting = set(), [Requirement(each) for each in wanted]
    while waiting:
        requirement = waiting.pop()
        name = canonicalize_name(requirement.name)
        asked = [(name, extra) for extra in ("", *sorted(requirement.extras))]
        if set(asked) <= found:
            continue
        found |= set(asked)
        try:
            needed = requires(name) or []
        except PackageNotFoundError:
            continue  # for another computer
        for each in map(Requirement, needed):
            if each.marker is None or any(each.marker.evaluate({"extra": extra}) for _, extra in asked):
                waiting.append(each)
    return {name for name, _ in found}


def load(command, extras, late=""):
    """What a command says of itself where the package was installed with these extras, after loading ``late``."""
    wanted = PROJECT["dependencies"] + [each for name in extras for each in PROJECT["optional-dependencies"][name]]
    there = brought_by(wanted)
    hidden = {
        module
        for module, names in packages_distributions().items()
        if not {canonicalize_name(name) for name in names} & (there | {"wardian"})
    }
    hidden -= {"pip", "setuptools", "pkg_resources", "_distutils_hack", "controller", "firmware_bridge"}
    command_line = [sys.executable, "-c", LOAD, command, ",".join(sorted(hidden)), late]
    return subprocess.run(command_line, capture_output=True, text=True, check=False)


@pytest.mark.parametrize("command", COMMANDS)
def test_the_extra_that_a_command_names_brings_what_it_loads(command):
    extras = EXTRAS[command].split(",") if command in EXTRAS else []
    done = load(command, extras, LATE.get(command, ""))

    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith(f"Usage: wardian {command}")


@pytest.mark.parametrize("command", sorted(EXTRAS.keys() - {"serve", "code"}))  # these say so once they begin
def test_a_command_without_its_extra_says_in_one_line_what_to_install(command):
    done = load(command, [])

    assert done.returncode == 1
    assert re.fullmatch(
        rf"Error: wardian {command} needs [\w.]+: install wardian\[{EXTRAS[command]}\]\.\n", done.stderr
    )
