"""An answer loads what it needs: no training, no tables, no database where there are no records."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

NOT_FOR_AN_ANSWER = {"sklearn", "scipy", "pandas", "joblib", "sqlalchemy", "alembic", "fastapi", "uvicorn"}
FOR_OTHER_COMMANDS = {
    "tomllib",  # the catalogue is read from its parsed copies
    "valuer.learning",  # nothing is on record
    "valuer.records.entries",
    "valuer.intake.vocabulary",  # the file says it in the catalogue's own words
    "valuer.price_model.pooled_fit",  # nothing is fitted
    "valuer.price_model.together",
}
"""What a price of a file does without."""

MACHINE = (
    '[{"id": "m1", "tier": "mid", "age_years": 6, "faults": ["no_start:serious", "weak_spark:serious"]}]'
)
OTHER_ROOMS = ("valuer.advice.deal", "valuer.advice.work.documents", "valuer.advice.sale.selling_documents")
QUESTIONS = {
    "price": (),
    "ask": (),
    "offer": ("--offer", "90"),
    "listing": (),
    "fixes": (),
    "buy": (),
    "bench": ("--hours", "6", "--cash", "100"),
}


@pytest.mark.parametrize("command", QUESTIONS)
def test_a_question_about_a_file_loads_nothing_heavy(tmp_path: Path, command: str) -> None:
    """The model is the shipped one, the records are nowhere."""
    (tmp_path / "m.json").write_text(MACHINE, "utf-8")
    surroundings = {
        **os.environ,
        "XDG_DATA_HOME": str(tmp_path / "data"),
        "XDG_CACHE_HOME": str(tmp_path / "c"),
    }
    surroundings.pop("VALUER_STORE", None)
    program = [sys.executable, "-X", "importtime", "-m", "valuer", command, str(tmp_path / "m.json")]
    ran = subprocess.run(
        [*program, *QUESTIONS[command]], env=surroundings, capture_output=True, text=True, check=True
    )
    assert "m1" in ran.stdout, "it was answered"
    lines = [line for line in ran.stderr.splitlines() if line.startswith("import time")]
    modules = {line.split("|")[-1].strip() for line in lines}
    loaded = {module.split(".")[0] for module in modules}
    assert "numpy" in loaded, "the list is one"
    assert not loaded & NOT_FOR_AN_ANSWER
    assert command != "price" or not modules & FOR_OTHER_COMMANDS
    mine = "valuer.advice.worth" if command == "price" else "valuer.advice.sale"
    strange = {module for module in modules if module.startswith(OTHER_ROOMS) and not module.startswith(mine)}
    assert command in ("fixes", "buy", "bench") or not strange, "only decisions about work take several rooms"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["m.json"], "and nothing was kept"
