"""Where shipped data and the user's cache are found, in a wheel and in a checkout alike."""

import os
from importlib.resources import files
from pathlib import Path

CHECKOUT = Path(__file__).resolve().parent.parent


def shipped(relative: str) -> Path:
    """Path of a shipped file or folder, such as ``datasets/synthetic_mower_listings.csv``.

    An installed wheel carries them under ``valuer/_data``; an editable install does not see those, so the
    checkout is looked at next. Raises FileNotFoundError, saying what to do, when neither has it.

    >>> shipped("model_cards").name
    'model_cards'
    """
    packaged = Path(str(files("valuer"))) / "_data" / relative
    for place in (packaged, CHECKOUT / relative):
        if place.exists():
            return place
    raise FileNotFoundError(f"{relative} is part of valuer but was not found; install valuer again")


def cache_folder() -> Path:
    """Folder for what can be made again (the trained model); a set but empty variable counts as unset."""
    base = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    return Path(base) / "valuer"


def data_folder() -> Path:
    """Folder for what cannot be made again (the records); a set but empty variable counts as unset."""
    base = os.environ.get("XDG_DATA_HOME") or str(Path.home() / ".local" / "share")
    return Path(base) / "valuer"
