"""Change the microcontroller's own two files in every small way and see a play in virtual time fail.

The tool of ``mutation`` puts its changes side by side in one file and chooses at run time, which MicroPython would not
follow; so here each changed file is written out and tried by itself. What may live on stands below with its reason;
``tests/test_mutation_board.py`` sees that the line still stands there.
"""

import ast
import copy
import difflib
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

from tests.campaigns.guard_removal import copy_of_the_tree
from tests.campaigns.mutation import Change
from tests.campaigns.rows import Row

FILES = ("firmware_bridge/main.py", "firmware_bridge/wire.py")
TESTS = ("board_pins", "board_program", "board_ticks")
DEADLINE_S = 300.0  # tests that run without end have noticed

MAIN, WIRE = "firmware_bridge.main", "firmware_bridge.wire.Wire."
FIRST = "ordered, turned, unsaved, ticked_ms, started_us = (0, 0, None, time.ticks_ms(), time.ticks_us())"
REST = "program.receive(line.read(1 if turned < ordered or line.unsent else (TICK_US - passed_us + 999) // 1000))"
IDENTITY = "return 1 + int.from_bytes(os.urandom(4), 'big') % 999999999"
AGAIN = "a wait that ends up to a millisecond early is followed by another look and the rest of the wait"
ACCEPTED = {
    Change(MAIN, "PULSE_SPACE_US = 500000 // limits.STEPS_PER_S_MAX",
           "PULSE_SPACE_US = 500001 // limits.STEPS_PER_S_MAX"):
        "400 goes into both as often",
    Change(MAIN + ".run", FIRST, FIRST.replace("ordered, turned", "turned, ordered")): "both begin with 0",
    Change(MAIN + ".run", FIRST, FIRST.replace("(0, 0,", "(-1, 0,")): "less than nothing is not turned either",
    Change(MAIN + ".run", FIRST, FIRST.replace("(0, 0,", "(0, 1,")):
        "to the law a step of the rotor too many: far below its tolerance, and forgiven with the first dose",
    Change(MAIN + ".run", FIRST, FIRST.replace("None", "0")): "a board that was just made has something to save",
    Change(MAIN + ".read_saved", "return None", "return 0"): "no and nothing are the same to the board that asks",
    Change(MAIN + ".new_identity", IDENTITY, IDENTITY.replace("'big'", "''")):
        "to MicroPython every word but 'little' means it",
    Change(MAIN + ".run", "rotor_steps = turned if ROTOR_PIN is None else edge_count * ROTOR_STEPS_PER_EDGE",
           "rotor_steps = turned if ROTOR_PIN is 0 else edge_count * ROTOR_STEPS_PER_EDGE"):
        "without a sensor as many steps are counted as were ordered: no surplus, with none counted neither",
    Change(MAIN + ".run", REST, REST.replace("// 1000", "// 1001")): AGAIN,
    Change(MAIN + ".run", REST, REST.replace("+ 999", "+ 998")): AGAIN,
    Change(WIRE + "__init__", "self._readable, self._writable = (select.poll(), select.poll())",
           "self._writable, self._readable = (select.poll(), select.poll())"): "two that are alike",
}  # fmt: skip

ANOTHER: dict[type[ast.AST], tuple[type[ast.AST], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
    ast.And: (ast.Or,),
    ast.Or: (ast.And,),
    ast.Add: (ast.Sub,),
    ast.Sub: (ast.Add,),
    ast.Mult: (ast.FloorDiv,),
    ast.FloorDiv: (ast.Mult,),
    ast.Mod: (ast.FloorDiv,),
    ast.RShift: (ast.LShift,),
}
OTHER_NAME = {"min": "max", "max": "min"}


def other_operators(node: ast.AST) -> Iterator[ast.AST]:
    for other in ANOTHER.get(type(node), ()):
        yield other()


def other_values(node: ast.AST) -> Iterator[ast.AST]:
    """A number that is one off, a text or bytes that are empty or are not, nothing that is something, min for max."""
    if isinstance(node, ast.Name) and node.id in OTHER_NAME:
        yield ast.Name(OTHER_NAME[node.id], node.ctx)
    if not isinstance(node, ast.Constant):
        return
    if node.value is None:
        yield ast.Constant(0)
    elif isinstance(node.value, bool):
        yield ast.Constant(not node.value)
    elif isinstance(node.value, int):
        yield ast.Constant(node.value + 1)
        yield ast.Constant(node.value - 1)
    elif isinstance(node.value, str):
        yield ast.Constant("" if node.value else "x")
    elif isinstance(node.value, bytes):
        yield ast.Constant(b"" if node.value else b"x")


def swapped(node: ast.AST) -> Iterator[ast.AST]:
    """Two neighbours of a tuple, or of what is called with, in each other's place; the branches of a choice."""
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in OTHER_NAME:
        return  # the same either way round
    if isinstance(node, ast.Tuple | ast.Call):
        name = "elts" if isinstance(node, ast.Tuple) else "args"
        for place in range(len(getattr(node, name)) - 1):
            other = copy.deepcopy(node)
            values = getattr(other, name)
            values[place], values[place + 1] = values[place + 1], values[place]
            yield other
    elif isinstance(node, ast.IfExp):
        yield ast.IfExp(node.test, node.orelse, node.body)


def turned_round(node: ast.AST) -> Iterator[ast.AST]:
    """A condition that is a name or ``not``, the other way round."""
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        yield node.operand
    elif isinstance(node, ast.If | ast.IfExp | ast.While) and isinstance(node.test, ast.Name | ast.Attribute):
        other = copy.deepcopy(node)
        other.test = ast.UnaryOp(ast.Not(), node.test)
        yield other
    elif isinstance(node, ast.BoolOp):
        for place in range(len(node.values)):  # a part that does not count
            left = [*node.values[:place], *node.values[place + 1 :]]
            yield ast.BoolOp(node.op, left) if len(left) > 1 else left[0]


def dropped(node: ast.AST) -> Iterator[ast.AST]:
    """A line that is not there."""
    documents = isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    if isinstance(node, ast.Expr | ast.Assign | ast.AugAssign | ast.Delete | ast.Break) and not documents:
        yield ast.Pass()
    elif isinstance(node, ast.Return) and node.value is not None and not _is_nothing(node.value):
        yield ast.Return(None)


def _is_nothing(node: ast.expr) -> bool:
    return isinstance(node, ast.Constant) and node.value is None


KINDS: tuple[Callable[[ast.AST], Iterator[ast.AST]], ...] = (
    other_operators,
    other_values,
    swapped,
    turned_round,
    dropped,
)


def places(tree: ast.Module) -> Iterator[tuple[ast.AST, str, int | None]]:
    """Where a node hangs: its parent, the field, and the place if that is a list. A syntax tree uses the node of an
    operator in many places, so the node alone does not say where."""
    for parent in ast.walk(tree):
        for name, value in ast.iter_fields(parent):
            if isinstance(value, ast.AST):
                yield parent, name, None
            elif isinstance(value, list):
                yield from ((parent, name, place) for place in range(len(value)))


def node_at(parent: ast.AST, name: str, place: int | None) -> ast.AST:
    value = getattr(parent, name)
    return value if place is None else value[place]


def changed_trees(tree: ast.Module) -> Iterator[ast.Module]:
    """The tree with one small change, for every small change there is."""
    for number, (parent, *hanging) in enumerate(places(tree)):
        if isinstance(parent, ast.Expr) and isinstance(parent.value, ast.Constant):
            continue  # text for people
        for new in (new for kind in KINDS for new in kind(node_at(parent, *hanging))):
            other = copy.deepcopy(tree)
            other_parent, name, place = next(each for at, each in enumerate(places(other)) if at == number)
            if place is None:
                setattr(other_parent, name, new)
            else:
                getattr(other_parent, name)[place] = new
            yield ast.fix_missing_locations(other)


def function_at(text: str, line: int) -> str:
    """The function in which a line stands, as ``Class.function``, or an empty text outside them."""
    found = ""

    def go_in(node: ast.AST, name: str) -> None:
        nonlocal found
        for each in ast.iter_child_nodes(node):
            if isinstance(each, ast.FunctionDef | ast.ClassDef) and each.lineno <= line <= (each.end_lineno or 0):
                found = f"{name}.{each.name}".lstrip(".")
                go_in(each, found)

    go_in(ast.parse(text), "")
    return found


def changes(path: str, text: str) -> Iterator[tuple[Change, str]]:
    """Every small change of a file, and the whole file with it. Lines are as the syntax tree writes them."""
    tree = ast.parse(text)
    plain = ast.unparse(tree)
    module = path.removesuffix(".py").replace("/", ".")
    for other in changed_trees(tree):
        after = ast.unparse(other)
        if after == plain:
            continue
        hunks = [hunk for hunk in difflib.SequenceMatcher(None, plain.splitlines(), after.splitlines()).get_opcodes()
                 if hunk[0] != "equal"]  # fmt: skip
        _, first, last, _, _ = hunks[0]
        before = " ".join(line.strip() for line in plain.splitlines()[first:last])
        now = " ".join(line.strip() for line in after.splitlines()[hunks[0][3] : hunks[0][4]])
        where = f"{module}.{function_at(plain, first + 1)}".rstrip(".")
        yield Change(where, before, now), after + "\n"


def noticed(tree: Path) -> str:
    """The first test that fails in this tree, or an empty text."""
    command = [sys.executable, "-m", "pytest", "-o", "addopts=", "-x", "-q", "-p", "no:cacheprovider"]
    surroundings = {**os.environ, "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1", "PYTHONPATH": str(tree)}
    try:
        done = subprocess.run(
            [*command, *(f"tests/test_{name}.py" for name in TESTS)],
            cwd=tree, env=surroundings, capture_output=True, text=True, check=False, timeout=DEADLINE_S,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return "tests without end"
    if done.returncode == 0:
        return ""
    failed = [line for line in done.stdout.splitlines() if line.startswith("FAILED")]
    if done.returncode != 1 or not failed:
        raise RuntimeError(f"the tests could not be run, so nothing was tried: {(done.stdout + done.stderr)[-3000:]}")
    return failed[0].removeprefix("FAILED ").split(" - ")[0]


def campaign(scale: float = 1.0) -> list[Row]:
    """Every survivor is printed in full."""
    tried, alive = 0, []
    with tempfile.TemporaryDirectory() as folder:
        tree = copy_of_the_tree(Path(folder))
        texts = {path: (tree / path).read_text() for path in FILES}
        for path, whole in texts.items():
            (tree / path).write_text(ast.unparse(ast.parse(whole)))  # as the changed ones are written
        already = noticed(tree)
        if already:
            raise RuntimeError(f"{already} fails without any change, so nothing was tried")
        for path, whole in texts.items():
            for change, text in list(changes(path, whole))[:: round(1 / scale)]:
                tried += 1
                (tree / path).write_text(text)
                by = noticed(tree)
                reason = "" if by else ACCEPTED.get(change, "NO REASON")
                print(f"{change.where}: {change.line}  ->  {change.changed}  [{by or reason}]", flush=True)
                if not by:
                    alive.append(change)
            (tree / path).write_text(whole)
    if scale == 1.0:
        for needless in ACCEPTED.keys() - set(alive):
            print(f"a reason that nothing needs: {needless.where}: {needless.line}  ->  {needless.changed}")
    unexplained = [change for change in alive if change not in ACCEPTED]
    worst = "; ".join(f"{change.where}: {change.changed}" for change in unexplained[:3])
    worst = worst or f"{len(alive)} live on, each with its reason in tests/campaigns/mutation_board.py"
    return [Row("small changes to the microcontroller's own files", tried, tried - len(unexplained), worst)]
