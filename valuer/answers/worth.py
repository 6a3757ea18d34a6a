"""What machines are worth."""

from pydantic import Field

from valuer.advice.worth.documents import Valuation
from valuer.answers import Answer


class Valuations(Answer):
    """The answer to: what are these machines worth, and what does each fault take off?"""

    valuations: tuple[Valuation, ...] = Field(description="one per machine, in the order asked")
