"""Where the records stand, told without the library that opens them: most questions have none to open."""

import os
from pathlib import Path

from valuer.paths import data_folder

FILE = "records.sqlite"


def where(given: str | None = None) -> str:
    """What was given, else the variable VALUER_STORE, else a file in the data folder: a path or an address."""
    return given or os.environ.get("VALUER_STORE") or str(data_folder() / FILE)


def none_there() -> bool:
    """Whether the usual place is a path where no file is."""
    return "://" not in where() and not Path(where()).exists()
