"""ShopTerms: what the repairer's hour, trips, storage and sales cost."""

import re
from collections.abc import Mapping
from functools import cache
from typing import Annotated, Any, Literal, get_args

from pydantic import AfterValidator, Field, model_validator

from valuer.domain.bounds import MOST_MONEY
from valuer.domain.catalogue import Mark, by_id, load_catalogue
from valuer.domain.english import English
from valuer.domain.machine import Machine
from valuer.domain.record import Record, word_of, wrong
from valuer.domain.words import shown

Hemisphere = Literal["north", "south"]


class TermDefault(Record):
    """The default of one term and where it comes from. ``money`` defaults are dollars at price level 1."""

    id: str
    default: float
    money: bool = False
    mark: Mark


@cache
def term_defaults() -> dict[str, TermDefault]:
    """Return the default of every numeric term, by name, each with its mark."""
    return load_catalogue("shop.toml", by_id(TermDefault))


def _term(name: str, high: float, description: str, low: float = 0.0) -> Any:
    return Field(term_defaults()[name].default, ge=low, le=high, description=description)


def _code(currency: str) -> str:
    if not re.fullmatch("[A-Z]{3}", currency):
        raise wrong("currency_form", f"currency must be three capital letters, got {shown(currency)}")
    return currency


_HOURS = 1_000.0


class ShopTerms(Record):
    """The terms under which one shop works. Only the month must be given.

    Money is own money. ``price_level`` is own money per dollar of the synthetic market: it multiplies model
    values, catalogue costs, and every money default of this record that is not given.
    """

    month: int = Field(ge=1, le=12, description="month of the sale, 1 January to 12 December")
    hemisphere: Annotated[Hemisphere, word_of("hemisphere", get_args(Hemisphere))] = Field(
        "north", description="south shifts the season by six months"
    )
    words: Annotated[English, word_of("words", get_args(English))] = Field(
        "british", description="English of the answers: carburettor and petrol, or carburetor and gas"
    )
    currency: Annotated[str, AfterValidator(_code)] = Field(
        "USD",
        description="three letters, ISO 4217; a label, never a conversion",
        json_schema_extra={"pattern": "^[A-Z]{3}$"},
    )
    price_level: float = _term(
        "price_level", 10_000, "own money per synthetic dollar; above 10,000 count in thousands", low=0.001
    )
    hour_value: float = _term(
        "hour_value", MOST_MONEY, "what an hour of own time is worth, money; 0 is allowed"
    )
    hours: float | None = Field(None, ge=0, le=10_000, description="bench hours free; absent: no limit")
    cash: float | None = Field(None, ge=0, le=1e9, description="money free for parts; absent: no limit")
    margin: float = _term(
        "margin", MOST_MONEY, "return a fix must clear before it is called worth doing, money"
    )
    own_parts: dict[str, Annotated[float, Field(ge=0, le=MOST_MONEY)]] = Field(
        default_factory=dict, description="what the parts of a fix cost in this shop, own money, by fix"
    )
    own_hours: dict[str, Annotated[float, Field(ge=0, le=100)]] = Field(
        default_factory=dict, description="own hours of a fix in this shop, strip-down apart, by fix"
    )
    trip_miles: float = _term("trip_miles", 5_000, "round trip to fetch a machine, miles")
    mile_cost: float = _term("mile_cost", MOST_MONEY, "cost of a mile, money")
    trip_hours: float = _term("trip_hours", _HOURS, "time of a trip to fetch a machine")
    wasted_trips: float = _term("wasted_trips", 1, "share of trips that bring nothing home")
    triage_hours: float = _term("triage_hours", _HOURS, "first look at every machine, rejects included")
    consumables: float = _term(
        "consumables", MOST_MONEY, "cleaner, rags, gloves, test fuel for one machine, money"
    )
    tool_wear: float = _term("tool_wear", MOST_MONEY, "wear of special tools for one machine, money")
    part_order: float = _term("part_order", MOST_MONEY, "postage or minimum order, money an order")
    wrong_part: float = _term("wrong_part", 1, "share of parts that are wrong or dead on arrival")
    listing_hours: float = _term("listing_hours", _HOURS, "photos, text, putting up the ad")
    enquiry_hours: float = _term("enquiry_hours", _HOURS, "answering one enquiry")
    enquiries: float = _term("enquiries", 1_000, "enquiries until it sells")
    no_shows: float = _term("no_shows", 1, "share of appointments nobody keeps")
    no_show_hours: float = _term("no_show_hours", _HOURS, "time lost to one of them")
    showing_hours: float = _term("showing_hours", _HOURS, "demonstration and hand-over")
    fee_share: float = _term("fee_share", 1, "marketplace fee as a share of the price")
    fee_fixed: float = _term("fee_fixed", MOST_MONEY, "marketplace fee, money a sale")
    storage_per_week: float = _term("storage_per_week", MOST_MONEY, "one machine standing a week, money")
    winter_care: float = _term("winter_care", MOST_MONEY, "drain, fog, cover, money")
    winter_care_hours: float = _term("winter_care_hours", _HOURS, "drain, fog, cover")
    tied_up_a_year: float = _term(
        "tied_up_a_year", 1, "what money tied up in a machine would bring elsewhere in a year, as a share"
    )
    keeping_loss: float = _term(
        "keeping_loss", 1, "share lost by keeping a machine over winter: damage, theft"
    )
    come_backs: float = _term("come_backs", 1, "share of sales that come back")
    come_back_cost: float = _term("come_back_cost", 1, "share of the price a come-back costs")
    shop_rate: float = _term("shop_rate", MOST_MONEY, "an hour at a repair shop, money, for an owner's quote")
    diagnosis_fee: float = _term(
        "diagnosis_fee", MOST_MONEY, "what a shop asks for looking, money, for an owner's quote"
    )
    parts_markup: float = _term("parts_markup", 5, "what a shop adds to parts, as a share")
    blade_stop_limit_s: float = _term(
        "blade_stop_limit_s",
        10,
        "seconds within which the blade must stop where the machine is sold",
        low=0.5,
    )

    @model_validator(mode="before")
    @classmethod
    def _scale_money_defaults(cls, data: Any) -> Any:
        if not isinstance(data, Mapping):
            return data
        given = {name: value for name, value in data.items() if value is not None}
        level = given.get("price_level", 1.0)
        if not isinstance(level, int | float) or isinstance(level, bool):
            return given
        money = {name: term.default * level for name, term in term_defaults().items() if term.money}
        return {**money, **given}


def at_price_level(machine: Machine, price_level: float) -> Machine:
    """Return the machine as the synthetic market knows it: its money divided by the price level."""
    if machine.new_price is None or price_level == 1:
        return machine
    return machine.model_copy(update={"new_price": machine.new_price / price_level})


def season_month(terms: ShopTerms) -> int:
    """Return the month of the northern year that has the same season, 1 to 12."""
    return terms.month if terms.hemisphere == "north" else (terms.month + 5) % 12 + 1


def trip_cost(terms: ShopTerms, miles: float | None = None) -> float:
    """Return what fetching one machine costs, own time and wasted trips included, money."""
    one_way_out = (terms.trip_miles if miles is None else miles) * terms.mile_cost
    return (one_way_out + terms.trip_hours * terms.hour_value) / (1.0 - min(terms.wasted_trips, 0.99))


def selling_hours(terms: ShopTerms) -> float:
    """Return the hours from the first photo to the hand-over of one machine."""
    missed = terms.no_shows / (1.0 - min(terms.no_shows, 0.99)) * terms.no_show_hours
    return terms.listing_hours + terms.enquiries * terms.enquiry_hours + missed + terms.showing_hours


def selling_cost(terms: ShopTerms, price: float) -> float:
    """Return what selling one machine at ``price`` costs, own time, fees and come-backs included, money."""
    share = terms.fee_share + terms.come_backs * terms.come_back_cost
    return selling_hours(terms) * terms.hour_value + terms.fee_fixed + share * price


def handling_cost(terms: ShopTerms) -> float:
    """Return the first look, consumables and tool wear of one machine, money."""
    return terms.triage_hours * terms.hour_value + terms.consumables + terms.tool_wear


def storage_cost(terms: ShopTerms, weeks: float) -> float:
    """Return what a machine costs by standing for some weeks, money."""
    return terms.storage_per_week * weeks
