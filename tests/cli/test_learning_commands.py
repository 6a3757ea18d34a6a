"""`valuer learn` and `valuer accuracy`, as a user types them."""

import json
from pathlib import Path

import pytest

from tests.cli.conftest import Run

ROWS = "id,sold_on,price,prediction\n"
WIRE = {"amount": 200, "low": 160, "high": 240, "model": "m", "data_sha256": "0", "own_sales": 0}
SAID = '"' + json.dumps(WIRE).replace('"', '""') + '"'


@pytest.fixture(autouse=True)
def _own_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("VALUER_STORE", str(tmp_path / "records.sqlite"))


@pytest.fixture
def with_sales(run: Run) -> Run:
    """Twelve sales at 240, where 200 was predicted, and one gift."""
    rows = [f"m{i},2026-05-{i + 1:02d},240,{SAID}" for i in range(12)]
    rows.append(f"gift,2026-05-20,5,{SAID}")
    assert run("import", "-", stdin=(ROWS + "\n".join(rows)).encode()).code == 0
    return run


def test_learn_without_sales_says_that_nothing_is_corrected(run: Run) -> None:
    ran = run("learn")
    assert ran.code == 0
    assert ran.out.startswith("No own sales yet, so nothing is corrected.")


def test_learn_tells_what_moved_and_names_the_gift(with_sales: Run) -> None:
    out = " ".join(with_sales("learn").out.split())
    assert "From 13 own sales and 0 prices seen around: values now stand" in out
    assert "Hardly believable: gift" in out
    report = json.loads(with_sales("learn", "--json").out)
    assert report["own_sales"] == 13
    # 200 against 240 is off by 16.7 %, for 12 of the 13.
    assert report["error_before_percent"] == 16.7
    assert report["error_after_percent"] < 10


def test_accuracy_without_sales_gives_no_figure(run: Run) -> None:
    ran = run("accuracy")
    assert ran.code == 0
    assert all("not enough" in line for line in ran.out.replace("\n    ", " ").splitlines())


def test_accuracy_gives_figures_and_a_picture(with_sales: Run) -> None:
    out = with_sales("accuracy").out
    assert "median ratio: 0.83" in out
    picture = [line for line in out.splitlines() if line.startswith(("m0 ", "gift "))]
    # 240 of 200: log2 1.2 = .263, so (1 + .263) / 2 of 40 is column 25; the gift stands at the left end.
    assert picture[0][17:].index("x") == 25
    assert picture[1][17:].index("x") == 0
    assert max(map(len, out.splitlines())) <= 80


def test_a_damaged_store_does_not_keep_a_price_from_being_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from valuer.cli.model import own_records  # noqa: PLC0415 - the fixture `run` would replace what is tested

    (tmp_path / "records.sqlite").write_text("no database" * 100)
    assert own_records() is None
    assert "answering without own sales" in capsys.readouterr().err


def test_pricing_makes_no_store(tmp_path: Path) -> None:
    from valuer.cli.model import own_records  # noqa: PLC0415 - the same

    assert own_records() is None
    assert list(tmp_path.iterdir()) == []
