"""Try the cheap repair first, or fit the sure part at once? The odds at which the answer turns."""

from valuer.advice.work.bay import Bay
from valuer.advice.work.reasons import Option


def break_even_odds(cost: float, gain: float, rest: float) -> float | None:
    """Return the odds above which a try of ``cost`` is worth making first; None when nothing makes it so.

    ``gain`` is the money a cure brings, ``rest`` the expected return of what would be done otherwise. Trying
    first brings -cost + p gain + (1 - p) rest, so it pays if p > cost / (gain - rest). With a sure
    replacement of cost c2, rest = gain - c2 and this is cost / c2: 18 against 45 turns at .40.

    >>> break_even_odds(18.0, 200.0, 200.0 - 45.0)
    0.4
    """
    if gain <= rest or cost >= gain - rest:
        return None
    return cost / (gain - rest)


def break_even(bay: Bay, option: Option) -> str | None:
    """Return the break-even odds of a try against the next one in the trade's order, in one sentence."""
    shop = bay.case.shop
    chain = _following(bay, option.place, option.axis)
    if not chain or option.gain <= 0:
        return None
    name = shop.fixes[shop.names[option.place]].name
    following = shop.fixes[shop.names[chain[0]]].name
    rest = 0.0
    for place in reversed(chain):
        chance = float(bay.case.odds[option.axis, place])
        cost = float(shop.parts[place]) * bay.case.price_level + shop.hours_alone(place) * bay.case.hour_value
        rest = max(0.0, -cost + chance * option.gain + (1 - chance) * rest)
    cost = option.parts + option.hours * bay.case.hour_value
    odds = break_even_odds(cost, option.gain, rest)
    if rest == 0:
        return None
    if odds is None:
        return f'{name}: never worth a try before "{following}"; it costs as much.'
    return f'{name}: worth a try before "{following}" at odds above {odds:.0%}; yours is {option.odds:.0%}.'


def _following(bay: Bay, place: int, axis: int) -> list[int]:
    shop, fault = bay.case.shop, bay.lattice.findings[axis].fault
    chain, name = [place], shop.names[place]
    while True:
        cure = shop.fixes[name].cures.get(fault)
        if cure is None or cure.next not in shop.names:
            return chain[1:]
        name = cure.next
        following = shop.names.index(name)
        if following in chain or not bay.case.odds[axis, following]:
            return chain[1:]
        chain.append(following)
