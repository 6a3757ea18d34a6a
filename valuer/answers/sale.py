"""What to ask, what to take, what to write."""

from pydantic import Field

from valuer.advice.sale.selling_documents import AskingPrice, Listing, OfferAdvice, Together
from valuer.answers import Answer


class AskingPrices(Answer):
    """The answer to: what to ask for these machines, when to cut, the least to take?"""

    asking_prices: tuple[AskingPrice, ...] = Field(description="one per machine, in the order asked")
    together: Together | None = Field(None, description="which to list now, where room was named")


class Offers(Answer):
    """The answer to: somebody offers so much; take it, name another price, or wait?"""

    offers: tuple[OfferAdvice, ...] = Field(description="one per machine, in the order asked")


class Listings(Answer):
    """The answer to: what do I write, and what must I tell the buyer?"""

    listings: tuple[Listing, ...] = Field(description="one per machine, in the order asked")
