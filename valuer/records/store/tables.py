"""The tables of the store. Money is whole cents, hours are whole hundredths, moments are UTC."""

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    BigInteger,
    Boolean,
    CheckConstraint,
    Column,
    Date,
    DateTime,
    Float,
    ForeignKey,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    TypeDecorator,
    UniqueConstraint,
)

HEAD = "0005"
"""The revision that this valuer writes; `revisions/` leads up to it."""

NAMES = {
    "ix": "ix_%(column_0_label)s",
    "uq": "uq_%(table_name)s_%(column_0_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s",
    "pk": "pk_%(table_name)s",
}


class Moment(TypeDecorator[datetime]):
    """A moment kept in UTC: SQLite forgets the zone, so it is put back on the way out."""

    impl = DateTime
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Any) -> datetime | None:  # noqa: ARG002
        """To UTC, without the zone; a moment without a zone is refused."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("expected a moment with a time zone, got one without; give UTC")
        return value.astimezone(UTC).replace(tzinfo=None)

    def process_result_value(self, value: datetime | None, dialect: Any) -> datetime | None:  # noqa: ARG002
        """With the zone put back."""
        return None if value is None else value.replace(tzinfo=UTC)


metadata = MetaData(naming_convention=NAMES)


def _of_machine(*, primary: bool = False) -> Column[str]:
    return Column(
        "machine_id",
        String(64),
        ForeignKey("machines.id", ondelete="CASCADE"),
        primary_key=primary,
        nullable=False,
    )


machines = Table(
    "machines",
    metadata,
    Column("id", String(64), primary_key=True),
    Column("document", Text, nullable=False),
    Column("taken_on", Date, nullable=False),
    Column("paid_cents", Integer),
    Column("hours_x100", Integer),
    Column("version", Integer, nullable=False),
    Column("recorded_at", Moment, nullable=False),
    Column("changed_at", Moment, nullable=False),
    CheckConstraint("version >= 1", name="version"),
)

fixes_done = Table(
    "fixes_done",
    metadata,
    _of_machine(primary=True),
    Column("place", Integer, primary_key=True),
    Column("fix", String(64), nullable=False),
    Column("fault", String(64), nullable=False),
    Column("cured", Boolean, nullable=False),
    Column("done_on", Date, nullable=False),
    Column("parts_cents", Integer),
    Column("hours_x100", Integer),
    Column("snag", Boolean),
    Column("promised_cents", BigInteger),
    Column("odds", Float),
    Column("gain_cents", BigInteger),
    Column("note", Text),
)

listing_weeks = Table(
    "listing_weeks",
    metadata,
    _of_machine(primary=True),
    Column("week_of", Date, primary_key=True),
    Column("ask_cents", Integer, nullable=False),
    Column("offers_cents", Text, nullable=False),
    Column("enquiries", Integer),
    Column("no_shows", Integer),
)

sales = Table(
    "sales",
    metadata,
    _of_machine(primary=True),
    Column("sold_on", Date, nullable=False, index=True),
    Column("price_cents", Integer, nullable=False),
    Column("sold_as", String(16), nullable=False),
    Column("fees_cents", Integer),
    Column("hours_x100", Integer),
    Column("predicted_cents", BigInteger),
    Column("predicted_low_cents", BigInteger),
    Column("predicted_high_cents", BigInteger),
    Column("predicted_by", String(200)),
    Column("predicted_data", String(64)),
    Column("predicted_own_sales", Integer),
    CheckConstraint("price_cents > 0", name="price"),
)

comparables = Table(
    "comparables",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("content", String(64), nullable=False),
    Column("document", Text, nullable=False),
    Column("kind", String(16), nullable=False),
    Column("seen_on", Date, nullable=False),
    Column("price_cents", Integer, nullable=False),
    Column("recorded_at", Moment, nullable=False),
    UniqueConstraint("content"),
)

posts = Table(
    "posts",
    metadata,
    Column("key", String(200), primary_key=True),
    Column("request", String(64), nullable=False),
    Column("status", Integer, nullable=False),
    Column("body", Text, nullable=False),
    Column("version", Integer),
    Column("recorded_at", Moment, nullable=False),
)

own_terms = Table(
    "own_terms",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("document", Text, nullable=False),
    Column("version", Integer, nullable=False),
    Column("changed_at", Moment, nullable=False),
)
"""One row at most: the shop's own terms as JSON."""

pictures = Table(
    "pictures",
    metadata,
    Column("machine_id", String(64), primary_key=True),
    Column("name", String(64), primary_key=True),
    Column("shows", String(16), nullable=False),
    Column("media_type", String(32), nullable=False),
    Column("content", LargeBinary, nullable=False),
    Column("recorded_at", Moment, nullable=False),
)
"""No foreign key: a change writes the machine's row anew, and one removed by mistake comes back with its pictures."""

deeds = Table(
    "deeds",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("machine_id", String(64), nullable=False),
    Column("done_at", Moment, nullable=False, index=True),
    Column("before", Text),
    Column("after", Text),
    Column("undone_at", Moment),
)
"""What was changed lately, as entries before and after; absent before it was taken in, after it was removed."""

changes = Table(
    "changes",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("number", BigInteger, nullable=False),
    Column("mark", String(32), nullable=False),
)
"""One row: how many changes there were, and a mark drawn anew with each, so that a count that a copy put back is not
mistaken for the same state."""
