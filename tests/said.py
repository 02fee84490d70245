"""Every sentence that a source file can say, read from its syntax tree: f-strings become patterns with places."""

import ast
import re
from itertools import product
from pathlib import Path

PLACE = "\0"  # stands for whatever an f-string puts there
COMBINATIONS_MAX = 64
WORDS = re.compile(r"[A-Za-z]{2,}")


def sentences_of(path: Path) -> set[str]:
    """Every pattern of a text in a file, with ``PLACE`` for each place; no docstrings."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found: set[str] = set()
    _Reader(found, _assigned(tree.body, {})).visit(tree)
    return found


def is_prose(pattern: str) -> bool:
    """Whether a pattern holds words that somebody reads, and not a name, a format or a path."""
    words = WORDS.findall(pattern.replace(PLACE, " "))
    return len(words) >= 2 and " " in pattern


def _assigned(body: list[ast.stmt], outer: dict[str, list[str]]) -> dict[str, list[str]]:
    """Names that stand for texts here: everything each of them is set to."""
    known = dict(outer)
    own: dict[str, list[str]] = {}
    for statement in body:
        for node in _inside(statement):
            if isinstance(node, ast.Assign) and len(node.targets) == 1 and isinstance(node.targets[0], ast.Name):
                texts = texts_of(node.value, known)
                if texts is not None:
                    name = node.targets[0].id
                    own.setdefault(name, []).extend(texts)
                    known[name] = own[name]
    for name in _bound_otherwise(body) & own.keys():
        known[name] = [*own[name], PLACE]
    return known


def _bound_otherwise(body: list[ast.stmt]) -> set[str]:
    """Names that are also set in another way than to one value: parts of a tuple, of a loop, what is added to them."""
    found: set[str] = set()
    for statement in body:
        for node in _inside(statement):
            targets = node.targets if isinstance(node, ast.Assign) else []
            if isinstance(node, ast.For | ast.AugAssign | ast.comprehension):
                targets = [node.target]
            for target in targets:
                if not isinstance(target, ast.Name) or not isinstance(node, ast.Assign):
                    found |= {each.id for each in ast.walk(target) if isinstance(each, ast.Name)}
    return found


def _inside(statement: ast.stmt) -> list[ast.AST]:
    """The statement and what is in it, without what is in functions of its own."""
    found: list[ast.AST] = [statement]
    if isinstance(statement, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
        return found
    for child in ast.iter_child_nodes(statement):
        found += _inside(child)  # type: ignore[arg-type]
    return found


def texts_of(node: ast.AST, known: dict[str, list[str]]) -> list[str] | None:
    """What an expression can say, or None where it is no text that stands in the source."""
    if isinstance(node, ast.Constant):
        return [node.value] if isinstance(node.value, str) else None
    if isinstance(node, ast.Name):
        return known.get(node.id)
    if isinstance(node, ast.IfExp):
        texts = [texts_of(each, known) for each in (node.body, node.orelse)]
        return None if all(each is None for each in texts) else [t for each in texts for t in (each or [PLACE])]
    if isinstance(node, ast.BoolOp) and isinstance(node.op, ast.Or):
        texts = [texts_of(each, known) for each in node.values]
        if all(each is None for each in texts):
            return None
        return [text for each in texts for text in (each or [PLACE]) if text] or [""]
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
        left, right = texts_of(node.left, known), texts_of(node.right, known)
        if left is None and right is None:
            return None
        return _joined([left or [PLACE], right or [PLACE]])
    if isinstance(node, ast.JoinedStr):
        return _joined([_part(each, known) for each in node.values])
    return None


def _part(node: ast.expr, known: dict[str, list[str]]) -> list[str]:
    if isinstance(node, ast.FormattedValue):
        return [PLACE] if node.conversion != -1 else (texts_of(node.value, known) or [PLACE])
    return texts_of(node, known) or [PLACE]


def _joined(parts: list[list[str]]) -> list[str]:
    found = [re.sub(f"{PLACE}+", PLACE, "".join(each)) for each in product(*parts)]
    assert len(found) <= COMBINATIONS_MAX, found[0]
    return list(dict.fromkeys(found))


class _Reader(ast.NodeVisitor):
    """Collects every largest text expression, outside docstrings and annotations."""

    def __init__(self, found: set[str], known: dict[str, list[str]]) -> None:
        self._found = found
        self._known = known
        self._depth = 0  # of functions; what a whole file knows by a name may be said by another file

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        outer = self._known
        given = {each.arg for each in (*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs)}
        self._known = _assigned(node.body, {name: texts for name, texts in outer.items() if name not in given})
        self._depth += 1
        for statement in node.body:
            self.visit(statement)
        self._depth -= 1
        self._known = outer

    visit_AsyncFunctionDef = visit_FunctionDef  # type: ignore[assignment]

    def visit_ClassDef(self, node: ast.ClassDef) -> None:
        for statement in node.body:
            self.visit(statement)

    def visit_Expr(self, node: ast.Expr) -> None:
        if not isinstance(node.value, ast.Constant):
            self.generic_visit(node)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value is not None:
            self.visit(node.value)

    def visit_Assign(self, node: ast.Assign) -> None:
        plain = self._depth > 0 and len(node.targets) == 1 and isinstance(node.targets[0], ast.Name)
        if not plain or texts_of(node.value, self._known) is None:
            self.visit(node.value)  # a text with a name is collected where the name is used

    def generic_visit(self, node: ast.AST) -> None:
        if isinstance(node, ast.expr):
            texts = texts_of(node, self._known)
            if texts is not None:
                self._found.update(texts)
                self._below(node)
                return
        super().generic_visit(node)

    def _below(self, node: ast.AST) -> None:
        """Texts inside the places of an f-string, such as those of a call."""
        for child in ast.walk(node):
            if isinstance(child, ast.Call):
                self.visit(child)

    visit_Name = visit_Constant = visit_JoinedStr = visit_BinOp = visit_IfExp = visit_BoolOp = generic_visit
