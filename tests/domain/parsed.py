"""The parsed copies that the catalogue is read from; ``python -m tests.domain.parsed`` writes them anew."""

import json
import tomllib
from pathlib import Path

from valuer.domain import catalogue

FOLDER = Path(catalogue.__file__).parent


def copy(text: str) -> str:
    """What stands in the copy of a table."""
    tables = {"of": catalogue.check_sum(text), "tables": tomllib.loads(text)}
    return json.dumps(tables, ensure_ascii=False, separators=(",", ":"))


if __name__ == "__main__":
    for path in FOLDER.glob("*.toml"):
        (FOLDER / catalogue.copy_of(path.name)).write_text(copy(path.read_text("utf-8")), "utf-8")
