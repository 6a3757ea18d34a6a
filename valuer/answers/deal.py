"""What to pay, and what to tell an owner."""

from pydantic import Field

from valuer.advice.deal.documents import PurchaseLimit, RepairQuote
from valuer.advice.deal.repair_quote import Quote
from valuer.advice.work.documents import WorkList
from valuer.answers import Answer


class PurchaseLimits(Answer):
    """The answer to: what is the most to pay for these machines?"""

    purchase_limits: tuple[PurchaseLimit, ...] = Field(description="one per machine, in the order asked")


class RepairQuotes(Answer):
    """The answer to an owner: repair it, sell it as it stands, or replace it?"""

    repair_quotes: tuple[RepairQuote, ...] = Field(description="one per machine, in the order asked")
    quoted: tuple[Quote, ...] = Field(description="the figures behind each of them, in the same order")
    usual: tuple[str, ...] = Field(
        description="machines whose parts or hours are usual ones, because no shop's were given"
    )
    work_lists: tuple[WorkList, ...] = Field(
        description="what somebody who repairs to sell would do with each, in the same order: as /v1/work-lists"
    )
