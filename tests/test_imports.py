"""The import rules of the house, read from the syntax trees. DEVELOPERS.md has the map."""

import ast
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
FILES = sorted([*ROOT.glob("controller/**/*.py"), *ROOT.glob("firmware_bridge/*.py")])
SHARED = ["limits", "interlocks", "messages", "board"]  # run on both computers, ground first
BOARD_ONLY = ["main", "wire"]
PURE_LIBRARY = {
    "__future__", "collections", "dataclasses", "datetime", "decimal", "enum", "fractions", "functools", "itertools",
    "math", "re", "statistics", "types", "typing", "zoneinfo",
}  # fmt: skip
PURE_FOLDERS = (ROOT / "controller/control", ROOT / "controller/science")
PURE_FILES = {
    "controller/plan.py",
    "controller/errors.py",
    *(str(path.relative_to(ROOT)) for folder in PURE_FOLDERS for path in folder.rglob("*.py")),
}
# imported where they are used, because they are heavy or belong to hardware that a desk has not
LATE = {
    "matplotlib", "jinja2", "PIL", "smbus2", "gpiozero.pins.lgpio", "scipy.special", "weasyprint", "uvicorn",
    "controller.web", "apprise", "controller.parcels.unsealing",
}  # fmt: skip
ONLY_IN = {
    "serial": {"firmware_bridge/link.py", "controller/bench/balance.py"},
    "machine": {"firmware_bridge/main.py"},
    "sqlite3": {"controller/records/"},
    "gpiozero": {"controller/chamber/pins.py", "controller/chamber/real.py", "controller/chamber/box.py"},
    "adafruit_sht31d": {"controller/chamber/air_sensor.py"},
    "smbus2": {"controller/chamber/real.py"},
    "apscheduler": {"controller/schedule.py"},
    "tomli": {"controller/settings.py", "controller/judging/"},
    "rich": {"controller/commands/"},
    "click": {"controller/cli.py", "controller/commands/"},
}


def name_of(path):
    return str(path.relative_to(ROOT))


def module_of(path):
    parts = list(path.relative_to(ROOT).with_suffix("").parts)
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {module_of(path): path for path in FILES}


def imports_of(path, *, late):
    """Modules that a file imports: at its top (late=False) or inside functions (late=True)."""
    tree = ast.parse(path.read_text())
    inside = {
        node
        for function in ast.walk(tree)
        if isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef)
        for node in ast.walk(function)
    }
    found = set()
    for node in ast.walk(tree):
        if (node in inside) != late:
            continue
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name_of(path)}: write imports in full"
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                found.add(whole if whole in MODULES else node.module)
    return found


def own(names):
    return {name for name in names if name in MODULES}


def is_under(name, roots):
    return any(name == root or name.startswith(root + ".") for root in roots)


def test_there_are_files_to_read():
    assert len(FILES) > 30


def test_there_are_no_circles():
    graph = {module: own(imports_of(path, late=False)) - {module} for module, path in MODULES.items()}
    done = set()
    while ready := {module for module, wants in graph.items() if module not in done and wants <= done}:
        done |= ready

    assert set(graph) - done == set()


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_only_heavy_and_hardware_libraries_are_imported_inside_functions(path):
    assert {name for name in imports_of(path, late=True) if not is_under(name, LATE)} == set()


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_libraries_with_a_place_of_their_own_stay_there(path):
    for name in imports_of(path, late=False) | imports_of(path, late=True):
        for library, places in ONLY_IN.items():
            if is_under(name, {library}):
                assert any(name_of(path).startswith(place) for place in places), f"{library} in {name_of(path)}"


def test_the_board_never_knows_the_host():
    for path in ROOT.glob("firmware_bridge/*.py"):
        assert not any(is_under(name, {"controller"}) for name in imports_of(path, late=False))


def test_shared_files_import_only_shared_files_that_stand_before_them():
    for number, name in enumerate(SHARED):
        wanted = imports_of(ROOT / f"firmware_bridge/{name}.py", late=False) - {"firmware_bridge", "binascii"}
        assert wanted <= {f"firmware_bridge.{before}" for before in SHARED[:number]}, name


@pytest.mark.parametrize("name", sorted(PURE_FILES))
def test_pure_files_import_only_pure_things(name):
    numeric = {"numpy", "scipy"} if name.startswith("controller/science/") else set()
    shared = {f"firmware_bridge.{each}" for each in SHARED}
    for wanted in imports_of(ROOT / name, late=False):
        allowed = (
            is_under(wanted, PURE_LIBRARY | numeric | shared)
            or wanted == "firmware_bridge"
            or (name == "controller/plan.py" and wanted == "annotated_types")
            or (wanted in MODULES and name_of(MODULES[wanted]) in PURE_FILES)
            or wanted in ("controller", "controller.control", "controller.science")
        )
        assert allowed, f"{name} imports {wanted}"


def test_control_knows_nothing_of_what_stands_above_it():
    above = (
        "controller.chamber",
        "controller.records",
        "controller.run",
        "controller.rehearse",
        "controller.cli",
        "controller.commands",
    )
    for path in ROOT.glob("controller/control/*.py"):
        assert not any(is_under(name, above) for name in imports_of(path, late=False))


def test_printing_is_left_to_the_command_line():
    for path in FILES:
        if name_of(path).startswith("controller/commands/"):
            continue
        calls = [node.func for node in ast.walk(ast.parse(path.read_text())) if isinstance(node, ast.Call)]
        assert not any(isinstance(call, ast.Name) and call.id == "print" for call in calls), name_of(path)


def test_file_names_say_what_is_inside():
    vague = {"utils", "util", "helpers", "helper", "common", "misc", "manager", "base", "core"}

    assert {path.stem for path in FILES} & vague == set()


def test_nothing_here_shadows_a_library():
    libraries = set(sys.stdlib_module_names) | {"serial", "click", "rich", "numpy", "scipy", "pydantic"}

    assert {path.name for path in ROOT.iterdir() if path.is_dir()} & libraries == set()
