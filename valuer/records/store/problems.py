"""Every way in which a store can refuse, in one line that says what to do."""

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy.exc import DBAPIError, SQLAlchemyError


class StoreProblem(Exception):
    """The store cannot do what was asked; nothing was changed. The message is one line for the user."""


class Damaged(StoreProblem):
    """The file is not what was written."""


class NotThere(StoreProblem):
    """No such machine or sale in the records."""


class Conflict(StoreProblem):
    """What is in the records does not go with what was asked."""


class Changed(StoreProblem):
    """Somebody else changed it since it was read."""


NEWER = "was written by a newer valuer (its form is {found}, this valuer knows {known}); install that version"
_REASONS = (
    (("database is locked", "lock timeout"), "another process is writing to it; try again in a moment"),
    (
        ("readonly", "read-only", "permission denied"),
        "it cannot be written; check who may write the file and its folder",
    ),
    (
        ("disk is full", "no space left", "disk i/o error"),
        "the disk takes no more; nothing was changed, make room",
    ),
    (("unable to open", "is a directory"), "it cannot be opened; check the path and who may write there"),
    (
        (
            "connection refused",
            "connection is bad",
            "connection failed",
            "could not translate",
            "timeout expired",
        ),
        "its server does not answer",
    ),
    (("server closed", "terminating connection", "connection is lost"), "its server went away; try again"),
    (("password authentication", "does not exist"), "its server does not let us in; check the address"),
)
_DAMAGE = ("malformed", "not a database", "disk image", "unsupported file format")


@contextmanager
def plainly(name: str) -> Iterator[None]:
    """Turn what the database library raises into a StoreProblem about the store called ``name``."""
    try:
        yield
    except DBAPIError as error:
        raise told(name, str(error.orig)) from None
    except SQLAlchemyError as error:
        raise StoreProblem(f"{name}: {_one_line(str(error))}") from None


def told(name: str, words: str) -> StoreProblem:
    """What a database's own words about the store called ``name`` mean to its user."""
    low = words.lower()
    if any(sign in low for sign in _DAMAGE):
        return damaged(name, _one_line(words))
    for signs, meaning in _REASONS:
        if any(sign in low for sign in signs):
            return StoreProblem(f"{name}: {meaning}")
    return StoreProblem(f"{name}: the database refuses ({_one_line(words)}); nothing was changed")


def damaged(name: str, what: str) -> Damaged:
    """The refusal to use a damaged file, with the way out."""
    return Damaged(f"{name} is damaged ({what}); `valuer restore` lists the backups that can take its place")


def _one_line(words: str) -> str:
    return " ".join(words.split())[:200]
