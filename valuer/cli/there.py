"""The records where a command finds them, and nothing where there are none: no question makes a store."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from valuer.clock import now

if TYPE_CHECKING:
    from valuer.records.store.store import Store


@contextmanager
def records_there(where: str | None = None) -> "Iterator[Store | None]":
    """The store at an address, closed afterwards; None where nothing was ever written down. Raises StoreProblem."""
    from valuer.records.store.opening import address, file_of
    from valuer.records.store.store import open_store

    file = file_of(address(where))
    if file and not file.exists():
        yield None
        return
    store = open_store(now(), where)
    try:
        yield store
    finally:
        store.close()


def own_terms(where: str | None = None) -> dict[str, Any]:
    """The shop's own terms as page and phone set them; those that are the usual ones are left out.

    Terms of `ShopTerms`, and ``weeks``. Nothing where there are no records, or none that can be read: the command
    then says so by itself.
    """
    from valuer.records.store.place import none_there

    if where is None and none_there():
        return {}

    from valuer.records.store.problems import StoreProblem

    try:
        with records_there(where) as store:
            kept = store.own_terms().document if store else {}
    except StoreProblem:
        return {}
    beside = {name: kept[name] for name in ("words", "weeks") if name in kept}
    return {name: value for name, value in (kept.get("terms", {}) | beside).items() if value is not None}
