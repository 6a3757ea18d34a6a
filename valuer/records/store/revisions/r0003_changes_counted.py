"""Changes are counted, so that whoever remembers something of the records knows when it is out of date."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """One table of one row; nothing there is touched."""
    op.create_table(
        "changes",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("number", sa.BigInteger, nullable=False),
        sa.Column("mark", sa.String(32), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_changes"),
    )
    op.execute("INSERT INTO changes (id, number, mark) VALUES (1, 0, '')")
