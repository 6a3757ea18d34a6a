"""Units as people spell them, and what each is of the first unit of its kind."""

from collections.abc import Mapping

KINDS: Mapping[str, Mapping[str, float]] = {
    "length": {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4},
    "pressure": {"psi": 1.0, "kPa": 1 / 6.894757293168, "bar": 100 / 6.894757293168},
    "force": {"kgf": 1.0, "N": 1 / 9.80665, "lbf": 0.45359237},
    "mass": {"kg": 1.0, "lb": 0.45359237},
    "seconds": {"s": 1.0},
    "hours": {"h": 1.0, "min": 1 / 60},
    "age": {"years": 1.0, "months": 1 / 12},
    "speed": {"rpm": 1.0},
    "voltage": {"V": 1.0},
    "share": {"%": 1.0},
    "distance": {"miles": 1.0, "km": 1 / 1.609344},
    "pulls": {"pulls": 1.0},
    "money": {"": 1.0},
    "number": {"": 1.0},
}
"""How much of a kind's first unit one of each is. Exact factors (SI brochure; international yard: published)."""

SPELT: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "length": {
        "mm": ("mm", "mm.", "millimetre", "millimetres", "millimeter", "millimeters"),
        "cm": ("cm", "centimetre", "centimetres", "centimeter", "centimeters"),
        "m": ("m", "metre", "metres", "meter", "meters"),
        "in": ("in", "in.", "inch", "inches", "ins", '"', "''"),
    },
    "pressure": {"psi": ("psi", "lbs/in2"), "kPa": ("kpa",), "bar": ("bar", "bars")},
    "force": {
        "kgf": ("kgf", "kg", "kilo", "kilos", "kp"),
        "N": ("n", "newton", "newtons"),
        "lbf": ("lbf", "lb", "lbs", "lb.", "lbs.", "pound", "pounds"),
    },
    "mass": {
        "kg": ("kg", "kgs", "kilo", "kilos", "kilogram", "kilograms"),
        "lb": ("lb", "lbs", "lb.", "lbs.", "pound", "pounds"),
    },
    "seconds": {"s": ("s", "s.", "sec", "secs", "sec.", "second", "seconds")},
    "hours": {
        "h": ("h", "h.", "hr", "hrs", "hr.", "hrs.", "hour", "hours"),
        "min": ("min", "mins", "min.", "minute", "minutes"),
    },
    "age": {
        "years": ("years", "year", "yr", "yrs", "yr.", "yrs.", "y", "years old", "year old", "yrs old"),
        "months": ("months", "month", "mo", "mos", "mths"),
    },
    "speed": {"rpm": ("rpm", "r/min", "1/min", "/min", "revs", "rev/min", "turns a minute")},
    "voltage": {"V": ("v", "volt", "volts")},
    "share": {"%": ("%", "percent", "per cent", "pct")},
    "distance": {
        "miles": ("miles", "mile", "mi"),
        "km": ("km", "kms", "kilometre", "kilometres", "kilometer", "kilometers"),
    },
    "pulls": {"pulls": ("pulls", "pull", "x", "times")},
    "money": {},
    "number": {},
}
"""Spellings of each unit, in small letters. `mil` is none: a millimetre in one shop, .001 in in the next."""

MONEY_SIGNS: Mapping[str, frozenset[str]] = {
    **dict.fromkeys(("$", "dollar", "dollars", "bucks"), frozenset({"USD", "CAD", "AUD", "NZD"})),
    **dict.fromkeys(("€", "euro", "euros"), frozenset({"EUR"})),
    **dict.fromkeys(("£", "pound", "pounds", "quid"), frozenset({"GBP"})),
}
"""Which currencies a sign or a word may stand for (ISO 4217 codes)."""
