"""The shop's own terms: kept with the records, the same on page, phone and command line."""

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field

from valuer.domain.record import Record, wrong
from valuer.domain.shop import ShopTerms


def _shop_terms(given: dict[str, Any]) -> dict[str, Any]:
    """Only what a shop may name, each within its limits; null is no limit, or the usual."""
    unknown = [name for name in given if name not in ShopTerms.model_fields]
    if unknown:
        raise wrong(
            "unknown_term", f"no such term: {unknown[0][:40]!r}; /openapi.json lists those of ShopTerms"
        )
    ShopTerms.model_validate({"month": 1, **given})
    return given


class OwnTerms(Record):
    """The shop's own terms, the same on every device: what each question carries, and how the page speaks and looks."""

    terms: Annotated[dict[str, float | str | None], AfterValidator(_shop_terms)] = Field(
        default_factory=dict, description="terms of ShopTerms that are not the usual ones"
    )
    weeks: int = Field(12, ge=1, le=52, description="weeks within which a listed machine must be gone")
    country: str | None = Field(
        None, pattern="^[A-Z]{2}$", description="country whose law holds, two letters of ISO 3166-1"
    )
    words: Literal["british", "american"] = Field("british", description="which English the page speaks")
    theme: Literal["device", "light", "dark"] = Field("device", description="how the page looks")
