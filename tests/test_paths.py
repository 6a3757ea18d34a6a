"""Shipped data is found in a wheel and in a checkout; the cache folder follows the desktop convention."""

from pathlib import Path

import pytest

from valuer import paths


def test_the_checkout_is_used_where_no_wheel_was_installed() -> None:
    assert paths.shipped("pyproject.toml") == Path(__file__).resolve().parents[1] / "pyproject.toml"


def test_packaged_data_comes_first(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    packaged = tmp_path / "_data" / "pyproject.toml"
    packaged.parent.mkdir()
    packaged.touch()
    monkeypatch.setattr(paths, "files", lambda _: tmp_path)
    assert paths.shipped("pyproject.toml") == packaged


def test_what_is_missing_is_named() -> None:
    with pytest.raises(
        FileNotFoundError, match=r"^none\.csv is part of valuer but was not found; install valuer again$"
    ):
        paths.shipped("none.csv")


@pytest.mark.parametrize(
    ("variable", "folder"), [("/somewhere", "/somewhere/valuer"), ("", "/anybody/.cache/valuer")]
)
def test_an_empty_cache_variable_counts_as_unset(
    monkeypatch: pytest.MonkeyPatch, variable: str, folder: str
) -> None:
    # XDG Base Directory Specification: "either not set or empty" gives $HOME/.cache.
    monkeypatch.setenv("XDG_CACHE_HOME", variable)
    monkeypatch.setenv("HOME", "/anybody")
    assert paths.cache_folder() == Path(folder)
