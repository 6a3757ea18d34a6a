"""No check from outside without code of ours in it: what tests a library or a file stands in `tests/judges`."""

import ast
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent
FILES = sorted(path for path in HERE.glob("test_*.py") if path != Path(__file__).resolve())


def reaches_us(tree: ast.Module) -> set[str]:
    """Every function of a module that uses what is imported from valuer, itself or by others of the module."""
    imported = [node for node in tree.body if isinstance(node, ast.ImportFrom) and node.module]
    ours = {name.asname or name.name for node in imported for name in node.names if _of_ours(node)}
    bodies = {node.name: node for node in tree.body if isinstance(node, ast.FunctionDef)}
    known = set(ours)
    while True:
        more = {name for name, body in bodies.items() if name not in known and _names(body) & known}
        if not more:
            return known - ours
        known |= more


def _of_ours(node: ast.ImportFrom) -> bool:
    return str(node.module).split(".")[0] in {"valuer", "api"}


def _names(node: ast.AST) -> set[str]:
    called = {each.id for each in ast.walk(node) if isinstance(each, ast.Name)}
    return called | {each.arg for each in ast.walk(node) if isinstance(each, ast.arg)}


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_every_check_from_outside_runs_code_of_ours(path: Path) -> None:
    tree = ast.parse(path.read_text("utf-8"))
    tests = {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)}
    tests = {name for name in tests if name.startswith("test_")}
    assert tests
    assert tests <= reaches_us(tree)


def test_a_check_of_a_library_alone_would_be_found() -> None:
    tree = ast.parse(
        "from numpy import mean\nfrom valuer.x import f\n"
        "def near(): return f()\ndef test_a(): near()\ndef test_b(): mean([1])\n"
    )
    assert reaches_us(tree) == {"near", "test_a"}


def test_what_stands_with_the_judges_uses_none_of_our_code() -> None:
    for path in (HERE.parent / "judges").glob("test_*.py"):
        imported = [
            node for node in ast.parse(path.read_text("utf-8")).body if isinstance(node, ast.ImportFrom)
        ]
        assert not any(_of_ours(node) for node in imported)
