"""Own terms, pictures of machines, and what was changed lately."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Three tables beside those there are; nothing there is touched."""
    op.create_table(
        "own_terms",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("document", sa.Text, nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("changed_at", sa.DateTime, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_own_terms"),
    )
    op.create_table(
        "pictures",
        sa.Column("machine_id", sa.String(64), nullable=False),
        sa.Column("name", sa.String(64), nullable=False),
        sa.Column("shows", sa.String(16), nullable=False),
        sa.Column("media_type", sa.String(32), nullable=False),
        sa.Column("content", sa.LargeBinary, nullable=False),
        sa.Column("recorded_at", sa.DateTime, nullable=False),
        sa.PrimaryKeyConstraint("machine_id", "name", name="pk_pictures"),
    )
    op.create_table(
        "deeds",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("machine_id", sa.String(64), nullable=False),
        sa.Column("done_at", sa.DateTime, nullable=False),
        sa.Column("before", sa.Text),
        sa.Column("after", sa.Text),
        sa.Column("undone_at", sa.DateTime),
        sa.PrimaryKeyConstraint("id", name="pk_deeds"),
    )
    op.create_index("ix_deeds_done_at", "deeds", ["done_at"])
