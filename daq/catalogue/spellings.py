"""Units in the spellings that people use, and those that mean two things.

One that means one thing is read, and `parts check` says how. One that may mean two is refused, with both: a gallon is
the US one (231 in³) or the imperial one (4.546 09 L), and a quart, a pint or a fluid ounce likewise.
"""

import re

_READ_AS = {
    "psi": "psi",
    "bar": "bar bars",
    "mbar": "mbar",
    "kPa": "kpa",
    "hPa": "hpa",
    "L/h": "lph l/h l/hr litre/h liter/h litres/h liters/h litre/hour liter/hour litres/hour liters/hour",
    "L/min": "lpm l/min litre/min liter/min litres/min liters/min litre/minute liter/minute litres/minute"
    " liters/minute",
    "A": "a amp amps ampere amperes",
    "V": "v vdc volt volts",
    "W": "w watt watts",
    "s": "sec secs second seconds",
    "min": "mins minute minutes",
    "h": "hr hrs hour hours",
    "Hz": "hz",
    "1/min": "rpm",
    "ohm": "ohm ohms",
    "degC": "c degc °c celsius",
    "degF": "f degf °f fahrenheit",
    "%": "pct percent",
}
READ_AS = {spelling: unit for unit, spellings in _READ_AS.items() for spelling in spellings.split()}
"""Units by the spellings that are read as them, in small letters and without blanks."""

_AS_THEY_ARE = frozenset({*_READ_AS, "l/h", "l/min", "°C", "rpm"})

ONE_OF = {"mpa": "MPa", "ma": "mA", "mv": "mV", "ml/min": "mL/min", "kg/cm²": "kgf/cm²", "kg/cm^2": "kgf/cm²"}
"""What to write instead of spellings whose capitals decide between a thousandth and a million, or that name a mass."""
_KNOWN = frozenset({"MPa", "mPa", "mA", "MA", "mV", "MV", "mL/min", "ml/min", "ML/min"})

_TWO_SIZES = re.compile(r"(?<![a-z_])(gph|gpm|gal|gals|gallons?|quarts?|qt|pints?|pt|fl_?oz|fluid_ounces?)(?![a-z])")


def spelled(unit: str) -> str:
    """The unit that a spelling stands for; itself where it is no spelling of ours."""
    if unit in _AS_THEY_ARE:
        return unit
    found = READ_AS.get(re.sub(r"\s+", "", unit).lower(), unit)
    return re.sub(r"\bUS_gallons?\b", "US_liquid_gallon", found)


def doubt(unit: str) -> tuple[str, str] | None:
    """What is doubtful about a unit, and what to write instead; None where nothing is."""
    small = re.sub(r"\s+", "", unit).lower()
    if _TWO_SIZES.search(small):
        advice = "write L/h or L/min, or say which: US_gallon/h (3.785 L) or imperial_gallon/h (4.546 L)"
        return "which is one thing in the US and another in imperial units", advice
    if small in ONE_OF and unit not in _KNOWN:
        return "whose unit is unknown", f"did you mean {ONE_OF[small]}?"
    return None
