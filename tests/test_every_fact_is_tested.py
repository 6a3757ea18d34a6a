"""The trade's own list of facts, T01 to T60: each has a test that carries its number, and none is skipped."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

TESTS = Path(__file__).resolve().parent
FACTS = {f"T{number:02d}" for number in range(1, 61)}


def named_tests() -> Iterator[tuple[str, ast.FunctionDef]]:
    """Every test that is named after facts, such as test_t12_t13_an_open_gate, with each fact it names."""
    for path in sorted(TESTS.rglob("test_*.py")):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.FunctionDef) and (named := _named(node.name)):
                yield from ((fact, node) for fact in named)


def _named(name: str) -> list[str]:
    start = re.match(r"test((?:_t\d\d)+)_", name, re.IGNORECASE)
    return re.findall(r"T\d\d", start[1].upper()) if start else []


def test_every_fact_from_t01_to_t60_has_a_test_and_no_other_number_is_in_use() -> None:
    assert {fact for fact, _ in named_tests()} == FACTS


def test_every_test_of_a_fact_asserts_something_and_is_never_skipped() -> None:
    for fact, test in named_tests():
        text = ast.unparse(test)
        assert any(isinstance(node, ast.Assert) for node in ast.walk(test)) or "raises(" in text, fact
        assert not any(
            word in ast.unparse(mark) for mark in test.decorator_list for word in ("skip", "xfail")
        ), fact
