"""Looks in words of what is seen: bright, scuffed, scarred stand where clean, used, rough stood."""

import re
from hashlib import sha256

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

NOW = {"clean": "bright", "used": "scuffed", "rough": "scarred"}
LOOKS = re.compile(r'(?<!\\)("looks"\s*:\s*)"(clean|used|rough)"')
"""The name with its word as JSON has them; inside a text each of these marks would have a backslash before it."""


def upgrade() -> None:
    """Write the texts that hold machines anew, answers kept for repeated requests among them, and count one change."""
    for table, key, columns in (
        ("machines", "id", ("document",)),
        ("deeds", "id", ("before", "after")),
        ("posts", "key", ("body",)),
    ):
        _rewrite(table, key, columns)
    _rewrite_seen()
    op.execute("UPDATE changes SET number = number + 1 WHERE id = 1")


def _now(text: str | None) -> str | None:
    return None if text is None else LOOKS.sub(lambda found: f'{found[1]}"{NOW[found[2]]}"', text)


def _rewrite(name: str, key: str, columns: tuple[str, ...]) -> None:
    table = sa.table(name, sa.column(key), *(sa.column(column) for column in columns))
    for row in op.get_bind().execute(sa.select(table)).mappings().all():
        new = {column: _now(row[column]) for column in columns}
        if any(new[column] != row[column] for column in columns):
            op.execute(table.update().where(table.c[key] == row[key]).values(**new))


def _rewrite_seen() -> None:
    """Prices seen around are told apart by a hash of what they say, which changes with the word."""
    names = ("id", "content", "document", "kind", "seen_on", "price_cents")
    seen = sa.table("comparables", *(sa.column(name) for name in names))
    for row in op.get_bind().execute(sa.select(seen)).mappings().all():
        document = _now(row["document"])
        if document != row["document"]:
            told = f"{row['kind']}|{row['seen_on']}|{row['price_cents']}|{document}"
            content = sha256(told.encode()).hexdigest()
            op.execute(seen.update().where(seen.c.id == row["id"]).values(document=document, content=content))
