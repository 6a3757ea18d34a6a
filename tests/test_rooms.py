"""The rooms of the house: imports point inward, and what is heavy or outside stays in its room."""

import ast
import shutil
import subprocess
from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
GIT = shutil.which("git")

# What each room may import of the project. cli may start the API's server; nobody else looks outward.
MAY_IMPORT = {
    "valuer.domain": {"valuer.domain"},
    "valuer.paths": set(),
    "valuer.clock": set(),
    "valuer.advice": {"valuer.advice", "valuer.domain"},
    "valuer.market": {"valuer.market", "valuer.domain", "valuer.paths"},
    "valuer.price_model": {
        "valuer",
        "valuer.price_model",
        "valuer.market",
        "valuer.intake",
        "valuer.domain",
        "valuer.paths",
        "valuer.advice.ports",
    },
    "valuer.intake": {"valuer.intake", "valuer.domain"},
    "valuer.records": {"valuer.records", "valuer.intake", "valuer.domain", "valuer.paths"},
    "valuer.demo": {"valuer.records", "valuer.domain"},
    "valuer.answers": {"valuer.answers", "valuer.advice", "valuer.domain"},
    "valuer.adviser": {
        "valuer.answers",
        "valuer",
        "valuer.learning",
        "valuer.advice",
        "valuer.price_model",
        "valuer.records",
        "valuer.domain",
        "valuer.paths",
    },
    "valuer.upkeep": {"valuer.advice.ports", "valuer.records", "valuer.domain", "valuer.paths"},
    "valuer.learning": {"valuer.advice", "valuer.price_model", "valuer.records", "valuer.domain"},
    "valuer.__main__": {"valuer.cli"},
    "valuer.cli": {
        "valuer",
        "valuer.cli",
        "valuer.adviser",
        "valuer.answers",
        "valuer.learning",
        "valuer.upkeep",
        "valuer.advice",
        "valuer.price_model",
        "valuer.market",
        "valuer.records",
        "valuer.demo",
        "valuer.intake",
        "valuer.domain",
        "valuer.clock",
        "valuer.paths",
        "api",
    },
    "api": {
        "api",
        "valuer",
        "valuer.adviser",
        "valuer.answers",
        "valuer.learning",
        "valuer.upkeep",
        "valuer.intake",
        "valuer.records",
        "valuer.domain",
        "valuer.clock",
    },
}

# Libraries that stay in the rooms named: elsewhere they would slow a start or tie the inside to the outside.
ONLY_IN = {
    "pandas": {"valuer.price_model", "valuer.market", "valuer.records"},
    "sklearn": {"valuer.price_model"},
    "joblib": {"valuer.price_model"},
    "rapidfuzz": {"valuer.intake"},
    "fastapi": {"api"},
    "starlette": {"api"},
    "uvicorn": {"valuer.cli"},
    "click": {"valuer.cli"},
    "rich": {"valuer.cli"},
    "sqlalchemy": {"valuer.records"},
    "alembic": {"valuer.records"},
    "numpy": {"valuer.learning", "valuer.price_model", "valuer.market", "valuer.advice", "valuer.records"},
    "scipy": {"valuer.price_model", "valuer.market", "valuer.advice"},
}
NOT_IN_DOMAIN = {"time", "datetime", "os", "pathlib", "urllib", "http", "socket", "subprocess", "random"}


def modules() -> list[str]:
    """Every module of the product, by dotted name."""
    files = [file for top in ("valuer", "api") for file in (ROOT / top).rglob("*.py")]
    names = [".".join(file.relative_to(ROOT).with_suffix("").parts) for file in files]
    return sorted(name.removesuffix(".__init__") for name in names)


def room(module: str) -> str:
    """The innermost room that a module stands in; the package valuer itself is no room."""
    inside = [name for name in MAY_IMPORT if module == name or module.startswith(f"{name}.")]
    return max(inside, key=len, default=module)


def imports(module: str) -> list[str]:
    """The dotted names a module imports, wherever in it the import stands."""
    path = ROOT.joinpath(*module.split("."))
    source = path / "__init__.py" if path.is_dir() else path.with_suffix(".py")
    return list(imports_in(source.read_text("utf-8")))


def imports_in(source: str) -> Iterator[str]:
    """The dotted names that a source text imports; ``from valuer import market`` is an import of the room."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "import by the whole name, not by relative path"
            whole = [f"{node.module}.{alias.name}" for alias in node.names]
            yield from [name for name in whole if room(name) in MAY_IMPORT] or [node.module or ""]


def test_every_module_stands_in_a_room() -> None:
    homeless = [module for module in modules() if room(module) not in MAY_IMPORT and module != "valuer"]
    assert not homeless, "give it a room in MAY_IMPORT, or put it into one"


def outward(module: str, names: Iterable[str]) -> list[str]:
    """Those of the imported names that the module's room may not look at."""
    allowed = MAY_IMPORT.get(room(module), set())
    ours = [name for name in names if name.split(".")[0] in {"valuer", "api"}]
    return [name for name in ours if name not in allowed and not _within(name, allowed)]


def _within(name: str, allowed: set[str]) -> bool:
    # "valuer" alone stands for the version in valuer/__init__.py, not for every room below it.
    return any(name.startswith(f"{room}.") for room in allowed - {"valuer"})


@pytest.mark.parametrize("module", modules())
def test_imports_point_inward(module: str) -> None:
    assert not outward(module, imports(module)), f"may import {MAY_IMPORT.get(room(module))} of ours"


@pytest.mark.parametrize(
    "source",
    [
        "import valuer.advice.work.bench",
        "from valuer.cli import show",
        "from valuer import market",
        "def f():\n import api",
    ],
)
def test_an_outward_import_would_be_found(source: str) -> None:
    assert outward("valuer.domain.faults", imports_in(source))


@pytest.mark.parametrize("module", modules())
def test_libraries_stay_in_their_rooms(module: str) -> None:
    strayed = [
        name
        for name in imports(module)
        if room(module) not in ONLY_IN.get(name.split(".")[0], {room(module)})
    ]
    assert not strayed


@pytest.mark.parametrize("module", [module for module in modules() if room(module) == "valuer.domain"])
def test_the_domain_has_no_clock_no_files_and_no_network(module: str) -> None:
    assert not [name for name in imports(module) if name.split(".")[0] in NOT_IN_DOMAIN]


TOP_LEVEL = {
    "README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE", "CHANGELOG.md",
    "valuer", "api", "datasets", "tests", "model_cards",
}  # fmt: skip
"""What stands there by the owner's card, dot-files besides."""


@pytest.mark.skipif(not (GIT and (ROOT / ".git").exists()), reason="what is kept is known in a checkout only")
def test_nothing_else_is_kept_at_the_top_level() -> None:
    """A file that a test had left in the folder it ran in was committed once."""
    kept = subprocess.run([str(GIT), "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    tops = {line.split("/")[0] for line in kept.splitlines()}
    assert {name for name in tops if not name.startswith(".")} == TOP_LEVEL
