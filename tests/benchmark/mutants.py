"""Single small changes of a source file, each of which a test should notice: what may be changed, and how.

A mutant is named by its file, the function it stands in, what stood there and what stands there now, so that its
name outlives changes elsewhere in the file.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from copy import deepcopy
from pathlib import Path
from typing import NamedTuple

COMPARED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.In: ast.NotIn, ast.NotIn: ast.In, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
}  # fmt: skip
RECKONED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.FloorDiv: ast.Mult,
    ast.BitOr: ast.BitAnd, ast.BitAnd: ast.BitOr, ast.Pow: ast.Mult, ast.Mod: ast.Mult,
}  # fmt: skip
SWAPPED = {"min": "max", "max": "min", "any": "all", "all": "any"}
NO_DECISION = {
    "Field",
    "wrong",
    "Problem",
    "StoreProblem",
    "Refusal",
    "BadFile",
    "cast",
    "TypeVar",
    "getLogger",
}
"""Calls whose arguments are words or bounds of the description, not a decision."""


class Mutant(NamedTuple):
    """One change: of which file (relative), in which function, from what to what; ``text`` is the whole new file.

    ``lines`` are those of what is changed: a test that runs none of them cannot notice.
    """

    file: str
    where: str
    before: str
    after: str
    text: str
    lines: range

    @property
    def name(self) -> str:
        """What it is called wherever it is written down."""
        return f"{self.file} {self.where}: {self.before} -> {self.after}"


Change = tuple[ast.AST, ast.AST]


def mutants(root: Path, file: str) -> Iterator[Mutant]:
    """Every mutant of one file, in the order of the text."""
    text = (root / file).read_text("utf-8")
    tree = ast.parse(text)
    seen: dict[tuple[str, str, str], int] = {}
    for where, before, after in _changes(tree, "", decides=False):
        made = _replaced(text, before, after)
        if made is None:
            continue
        names = where, _short(before), _short(after)
        seen[names] = seen.get(names, 0) + 1
        again = f" (no. {seen[names]})" if seen[names] > 1 else ""
        yield Mutant(file, where, names[1], names[2] + again, made, _lines(before))


def _short(node: ast.AST) -> str:
    return " ".join(ast.unparse(node).split())[:100]


def _lines(node: ast.AST) -> range:
    first: int = getattr(node, "lineno", 1)
    return range(first, (getattr(node, "end_lineno", None) or first) + 1)


def _replaced(text: str, before: ast.AST, after: ast.AST) -> str | None:
    """The text with one node written anew in brackets; None where that is no Python."""
    spot = before if isinstance(before, ast.expr | ast.stmt) else None
    if spot is None or spot.end_lineno is None or spot.end_col_offset is None:
        return None
    lines = text.encode().split(b"\n")
    start = sum(len(line) + 1 for line in lines[: spot.lineno - 1]) + spot.col_offset
    end = sum(len(line) + 1 for line in lines[: spot.end_lineno - 1]) + spot.end_col_offset
    new = ast.unparse(after)
    piece = new if isinstance(after, ast.stmt) else f"({new})"
    data = text.encode()
    made = (data[:start] + piece.encode() + data[end:]).decode()
    try:
        ast.parse(made)
    except SyntaxError:
        return None
    return made


def _changes(node: ast.AST, where: str, *, decides: bool) -> Iterator[tuple[str, ast.AST, ast.AST]]:
    """Changes below a node; only inside functions, for what stands in a class describes."""
    for child in _children(node):
        named, inside = where, decides
        if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            named, inside = f"{where}.{child.name}".lstrip("."), not isinstance(child, ast.ClassDef)
        elif decides:
            yield from ((where, before, after) for before, after in _of(child))
        yield from _changes(child, named, decides=inside)


def _children(node: ast.AST) -> Iterator[ast.AST]:
    """The parts of a node that decide: no annotations, decorators, docstrings, messages."""
    for name, value in ast.iter_fields(node):
        if name in {"annotation", "returns", "decorator_list", "type_comment", "keywords"} and not (
            name == "keywords" and isinstance(node, ast.Call)
        ):
            continue
        for each in value if isinstance(value, list) else [value]:
            if isinstance(each, ast.AST) and not _is_words(each):
                yield each


def _is_words(node: ast.AST) -> bool:
    called = node.func if isinstance(node, ast.Call) else node.exc if isinstance(node, ast.Raise) else None
    called = called.func if isinstance(called, ast.Call) else called
    return (
        isinstance(node, ast.JoinedStr | ast.Assert)
        or (isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant))
        or (isinstance(node, ast.Call) and isinstance(called, ast.Name) and called.id in NO_DECISION)
    )


def _of(node: ast.AST) -> Iterator[Change]:
    """The changes of one node itself."""
    if isinstance(node, ast.IfExp | ast.If | ast.While):
        yield node.test, ast.UnaryOp(ast.Not(), deepcopy(node.test))
    elif isinstance(node, ast.comprehension):
        yield from ((test, ast.Constant(value=True)) for test in node.ifs)
    elif isinstance(node, ast.Raise | ast.Expr | ast.AugAssign | ast.Delete):
        yield node, ast.Pass()
    elif isinstance(node, ast.expr):
        yield from ((node, changed) for changed in _reckoned(node))


def _reckoned(node: ast.expr) -> Iterator[ast.expr]:
    """What else an expression might have been."""
    if isinstance(node, ast.Compare):
        for place, sign in enumerate(node.ops):
            signs = [*node.ops[:place], COMPARED[type(sign)](), *node.ops[place + 1 :]]
            yield ast.Compare(node.left, signs, node.comparators)
    elif isinstance(node, ast.BinOp) and type(node.op) in RECKONED:
        yield ast.BinOp(node.left, RECKONED[type(node.op)](), node.right)
    elif isinstance(node, ast.BoolOp):
        yield ast.BoolOp(ast.Or() if isinstance(node.op, ast.And) else ast.And(), node.values)
        yield from node.values
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub):
        yield node.operand
    elif isinstance(node, ast.Constant) and isinstance(node.value, bool):
        yield ast.Constant(value=not node.value)
    elif isinstance(node, ast.Constant) and isinstance(node.value, int | float):
        yield ast.Constant(value=node.value + 1)
    elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in SWAPPED:
        yield ast.Call(ast.Name(SWAPPED[node.func.id], ast.Load()), node.args, node.keywords)
