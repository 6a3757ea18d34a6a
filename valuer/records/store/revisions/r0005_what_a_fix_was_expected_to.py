"""A try keeps the odds and the gain that were expected of it that day; tries before have neither."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Two columns; nothing there is touched."""
    op.add_column("fixes_done", sa.Column("odds", sa.Float))
    op.add_column("fixes_done", sa.Column("gain_cents", sa.BigInteger))
