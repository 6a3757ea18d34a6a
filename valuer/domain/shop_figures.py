"""ShopFigures: what an owner knows of a shop's quote, which may be all of it, a part, or nothing."""

from pydantic import Field

from valuer.domain.bounds import MOST_MONEY
from valuer.domain.record import Record, Several


class ShopFigures(Record):
    """Figures of a shop's quote; money in own money. What is absent is taken from usual figures."""

    parts: float | None = Field(
        None, ge=0, le=MOST_MONEY, description="price of the parts, as the shop charges them"
    )
    hours: float | None = Field(None, ge=0, le=1_000, description="shop hours")
    rate: float | None = Field(None, ge=0, le=MOST_MONEY, description="price of a shop hour")
    diagnosis_fee: float | None = Field(
        None,
        ge=0,
        le=MOST_MONEY,
        description="fee for looking; absent: none where parts and hours are given, else the usual one",
    )
    fee_paid: bool = Field(default=False, description="the fee is paid already: it is gone either way")
    cures: Several[str] | None = Field(None, description="faults it will cure; absent: all but trim")
    new_price: float | None = Field(None, gt=0, le=MOST_MONEY, description="a comparable new machine")

    @property
    def whole(self) -> bool:
        """Whether parts and hours are both the shop's own."""
        return self.parts is not None and self.hours is not None
