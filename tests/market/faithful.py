"""The home market with records that are right and whole: where what stands on record and what is true must agree."""

from valuer.market.assumptions import Assumptions, assumptions


def faithful() -> Assumptions:
    """Assumptions under which nothing is recorded wrong and every fault is stated."""
    home = assumptions()
    right = {name: entry | {"value": 0.0} for name, entry in home.raw["record"].items()}
    for name in ("stated_untested", "stated_tested"):
        right[name] = right[name] | {"value": 1.0}
    for name in ("age_log_sd", "new_price_log_sd"):
        right[name] = right[name] | {"value": 1e-6}
    right["wrong_class"] = right["wrong_class"] | {"value": 1e-9}
    return Assumptions(home.raw | {"record": right})
