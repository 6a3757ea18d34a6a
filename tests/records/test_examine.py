"""A store looked at without changing it: its form, its machines, its newest change, and what is wrong with it."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import URL

from tests.records.bench import NOW, entry, full_entry
from valuer.records.store.examine import Examined, examine
from valuer.records.store.migrate import upgrade
from valuer.records.store.opening import address
from valuer.records.store.problems import Damaged
from valuer.records.store.store import open_store
from valuer.records.store.tables import HEAD


def there(file: Path) -> URL:
    """The address of the store in a file."""
    return address(str(file))


def test_what_stands_in_a_store_is_told_with_its_newest_moment_in_utc_and_nothing_is_made(file: Path) -> None:
    assert examine(there(file)) is None
    assert not file.exists()
    store = open_store(NOW, str(file))
    assert examine(there(file)) == Examined(HEAD, 0, None)
    store.take(entry(), NOW)
    store.take(full_entry("grey-2"), NOW)
    assert examine(there(file)) == Examined(HEAD, 2, NOW)
    store.close()


def test_a_row_that_nobody_wrote_is_named(file: Path) -> None:
    store = open_store(NOW, str(file))
    store.take(full_entry(), NOW)
    store.close()
    with closing(sqlite3.connect(file)) as connection:
        connection.execute("UPDATE sales SET price_cents = 'dear'")
        connection.commit()
    with pytest.raises(Damaged, match="table sales, row 'green-1'"):
        examine(there(file))


def test_a_store_of_an_older_form_is_told_by_it_and_not_read_by_the_present_one(file: Path) -> None:
    upgrade(there(file), to="0001")
    assert examine(there(file)) == Examined("0001", 0, None)
