"""The first form of the store."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables. They are written out here, for the tables of today may differ from those of then."""
    op.create_table(
        "machines",
        sa.Column("id", sa.String(64), nullable=False),
        sa.Column("document", sa.Text, nullable=False),
        sa.Column("taken_on", sa.Date, nullable=False),
        sa.Column("paid_cents", sa.Integer),
        sa.Column("hours_x100", sa.Integer),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("recorded_at", sa.DateTime, nullable=False),
        sa.Column("changed_at", sa.DateTime, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_machines"),
        sa.CheckConstraint("version >= 1", name="ck_machines_version"),
    )
    _work()
    _selling()
    _around()


def _of_machine(table: str) -> sa.ForeignKeyConstraint:
    name = f"fk_{table}_machine_id"
    return sa.ForeignKeyConstraint(["machine_id"], ["machines.id"], name=name, ondelete="CASCADE")


def _work() -> None:
    op.create_table(
        "fixes_done",
        sa.Column("machine_id", sa.String(64), nullable=False),
        sa.Column("place", sa.Integer, nullable=False),
        sa.Column("fix", sa.String(64), nullable=False),
        sa.Column("fault", sa.String(64), nullable=False),
        sa.Column("cured", sa.Boolean, nullable=False),
        sa.Column("done_on", sa.Date, nullable=False),
        sa.Column("parts_cents", sa.Integer),
        sa.Column("hours_x100", sa.Integer),
        sa.Column("snag", sa.Boolean),
        sa.Column("promised_cents", sa.BigInteger),
        sa.Column("note", sa.Text),
        sa.PrimaryKeyConstraint("machine_id", "place", name="pk_fixes_done"),
        _of_machine("fixes_done"),
    )


def _selling() -> None:
    op.create_table(
        "listing_weeks",
        sa.Column("machine_id", sa.String(64), nullable=False),
        sa.Column("week_of", sa.Date, nullable=False),
        sa.Column("ask_cents", sa.Integer, nullable=False),
        sa.Column("offers_cents", sa.Text, nullable=False),
        sa.Column("enquiries", sa.Integer),
        sa.Column("no_shows", sa.Integer),
        sa.PrimaryKeyConstraint("machine_id", "week_of", name="pk_listing_weeks"),
        _of_machine("listing_weeks"),
    )
    op.create_table(
        "sales",
        sa.Column("machine_id", sa.String(64), nullable=False),
        sa.Column("sold_on", sa.Date, nullable=False),
        sa.Column("price_cents", sa.Integer, nullable=False),
        sa.Column("sold_as", sa.String(16), nullable=False),
        sa.Column("fees_cents", sa.Integer),
        sa.Column("hours_x100", sa.Integer),
        sa.Column("predicted_cents", sa.BigInteger),
        sa.Column("predicted_low_cents", sa.BigInteger),
        sa.Column("predicted_high_cents", sa.BigInteger),
        sa.Column("predicted_by", sa.String(200)),
        sa.Column("predicted_data", sa.String(64)),
        sa.Column("predicted_own_sales", sa.Integer),
        sa.PrimaryKeyConstraint("machine_id", name="pk_sales"),
        sa.CheckConstraint("price_cents > 0", name="ck_sales_price"),
        _of_machine("sales"),
    )
    op.create_index("ix_sales_sold_on", "sales", ["sold_on"])


def _around() -> None:
    op.create_table(
        "comparables",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("content", sa.String(64), nullable=False),
        sa.Column("document", sa.Text, nullable=False),
        sa.Column("kind", sa.String(16), nullable=False),
        sa.Column("seen_on", sa.Date, nullable=False),
        sa.Column("price_cents", sa.Integer, nullable=False),
        sa.Column("recorded_at", sa.DateTime, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_comparables"),
        sa.UniqueConstraint("content", name="uq_comparables_content"),
    )
    op.create_table(
        "posts",
        sa.Column("key", sa.String(200), nullable=False),
        sa.Column("request", sa.String(64), nullable=False),
        sa.Column("status", sa.Integer, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.Column("version", sa.Integer),
        sa.Column("recorded_at", sa.DateTime, nullable=False),
        sa.PrimaryKeyConstraint("key", name="pk_posts"),
    )
