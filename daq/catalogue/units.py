"""Quantities written as text with a unit, read into SI and shown again; pint does the arithmetic.

Gauge and absolute are never units here: a pressure carries its reference as an attribute. Building the registry takes
some 0.3 s, so it is made when the first value is read.
"""

import math
import re
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from daq.catalogue import spellings

if TYPE_CHECKING:
    import pint

_NUMBER_AND_UNIT = re.compile(r"\s*([+\-−]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*")
LONGEST = 60
"""Characters of a value with its unit."""
NEXT_TO_NOTHING = 1e-18
"""A value that is not zero and a smaller share of its dimension's `most` is a slip of the pen. Squares stay numbers."""
_NAME = r"[A-Za-zµμΩ°%_]+[0-9A-Za-z_]*(?:\^-?\d|\*\*-?\d|[²³]|⁻[¹²³])?"
_UNIT = re.compile(rf"(?:1|{_NAME})?(?:\s*[*/·]\s*{_NAME})*")
"""Names, powers of one digit, products and quotients: what a unit needs, and less than pint's grammar stumbles over."""


@dataclass(frozen=True, slots=True)
class Dimension:
    """What kind of value is expected: its name for people, its SI unit, the unit it is shown in, and an example."""

    name: str
    si: str
    shown: str
    example: str
    interval: bool = False
    """A difference of temperatures, where an offset unit such as degC would be ambiguous."""
    least: float = -1e12
    most: float = 1e12
    """SI. What lies beyond is no value that a test stand could have, but a slip (common practice, no source)."""


SHARE = Dimension("a share", "", "%", "0.5 %", least=0.0, most=1.0)
PRESSURE = Dimension("a pressure", "Pa", "kPa", "400 kPa", least=-110e3, most=1e9)
FLOW = Dimension("a flow", "m³/s", "L/h", "110 L/h", least=0.0, most=1.0)
CURRENT = Dimension("a current", "A", "A", "6.5 A", least=0.0, most=1e4)
VOLTAGE = Dimension("a voltage", "V", "V", "13.5 V", least=-1e4, most=1e4)
POWER = Dimension("a power", "W", "W", "90 W", least=0.0, most=1e7)
TEMPERATURE = Dimension("a temperature", "K", "degC", "40 degC", least=1.0, most=2e3)
TEMPERATURE_DIFFERENCE = Dimension("a difference of temperatures", "K", "K", "10 K", interval=True, least=0.0, most=1e3)
TIME = Dimension("a time", "s", "s", "2 s", least=0.0, most=1e7)
FREQUENCY = Dimension("a frequency", "Hz", "Hz", "40 Hz", least=0.0, most=1e9)
SPEED = Dimension("a speed in turns", "Hz", "1/min", "6000 1/min", least=0.0, most=1e5)
RESISTANCE = Dimension("a resistance", "ohm", "mohm", "5 mohm", least=0.0, most=1e9)
PULSES = Dimension("pulses per volume", "1/m³", "1/L", "4600 /L", least=0.0)
PER_KELVIN = Dimension("a share per kelvin", "1/K", "1/K", "20e-6 /K", least=-1.0, most=1.0)
VOLTS_PER_KELVIN = Dimension("a voltage per kelvin", "V/K", "mV/K", "10 mV/K", least=-1e3, most=1e3)
PRESSURE_PER_KELVIN = Dimension("a pressure per kelvin", "Pa/K", "kPa/K", "5 kPa/K", least=0.0, most=1e9)
PRESSURE_PER_TIME = Dimension("a pressure per time", "Pa/s", "kPa/s", "0.2 kPa/s", least=0.0)
DATA = Dimension("an amount of data", "B", "MB", "200 MB", least=0.0, most=1e15)
VOLTAGE_PER_TIME = Dimension("a voltage per time", "V/s", "V/s", "0.5 V/s", least=0.0, most=1e9)
COMPLIANCE = Dimension("a volume per pressure", "m³/Pa", "mL/bar", "0.15 mL/bar", least=0.0, most=1e-3)


class UnitMistakeError(ValueError):
    """Text that is not a value of the expected dimension: what was expected, what was found, and what to do."""

    def __init__(self, expected: str, found: str, do: str) -> None:
        super().__init__(f"expected {expected}, found {found}; {do}")
        self.expected, self.found, self.do = expected, found, do


def per_volt(of: Dimension) -> Dimension:
    """A sensitivity: `of` per volt of supply."""
    si = f"{of.si}/V" if of.si else "1/V"
    return Dimension(f"{of.name} per volt", si, f"{of.shown}/V", f"{of.example}/V", least=-of.most, most=of.most)


def read(text: object, dimension: Dimension) -> float:
    """The SI value of a text such as `"4 bar"`.

    Raises:
        UnitMistakeError: no text, no number, no such unit, or a unit of another dimension.
    """
    expected = f'{dimension.name} such as "{dimension.example}"'
    if not isinstance(text, str):
        raise UnitMistakeError(expected, repr(text), "write the value in quotes, with its unit")
    match = _NUMBER_AND_UNIT.fullmatch(text) if len(text) <= LONGEST else None
    if match is None:
        raise UnitMistakeError(expected, repr(text), "write a number (with a decimal point) and a unit")
    number, unit = float(match[1].replace("−", "-")), match[2]
    if not unit:
        raise UnitMistakeError(expected, f"{text!r} without a unit", "add the unit")
    if not math.isfinite(number):
        raise UnitMistakeError(expected, f"{text!r}, which is too large", "write a number that a float can hold")
    return _in_si(number, _parsed(unit, text, expected), dimension, text, expected)


def read_sane(text: object, dimension: Dimension) -> float:
    """As `read`, for what a test stand or a part can have.

    Raises:
        UnitMistakeError: also where the value is more or less than that, or next to nothing.
    """
    value = read(text, dimension)
    if not dimension.least <= value <= dimension.most or 0.0 < abs(value) < NEXT_TO_NOTHING * dimension.most:
        low, high = show(dimension.least, dimension), show(dimension.most, dimension)
        raise UnitMistakeError(f"{dimension.name} from {low} to {high}", repr(text), "mend the number or its unit")
    return value


def respelled(text: str) -> str | None:
    """How a value is read whose unit is spelled in another way, such as `95 L/h` for `95 LPH`; else None."""
    match = _NUMBER_AND_UNIT.fullmatch(text) if len(text) <= LONGEST else None
    if match is None or spellings.doubt(match[2]):
        return None
    unit = spellings.spelled(match[2])
    return None if unit == match[2] else f"{match[1]} {unit}"


def is_a(text: object, dimension: Dimension) -> bool:
    """Tells whether a text is a value of this dimension."""
    try:
        read(text, dimension)
    except UnitMistakeError:
        return False
    return True


def show(value: float, dimension: Dimension, digits: int = 5) -> str:
    """An SI value for people, in the dimension's usual unit: `412.7 kPa`."""
    registry = _registry()
    shown = registry.Quantity(value, registry.parse_units(dimension.si)).to(registry.parse_units(dimension.shown))
    name = {"degC": "°C", "mohm": "mΩ"}.get(dimension.shown, dimension.shown)
    return f"{shown.magnitude:.{digits}g} {name}"


@cache
def _registry() -> "pint.UnitRegistry[float]":
    import pint  # noqa: PLC0415 - building the registry is slow, and most commands read no unit

    return pint.UnitRegistry(cache_folder=None)


@cache
def _parsed(unit: str, text: str, expected: str) -> "pint.Unit":
    if re.search(r"\b(psi|bar|k?Pa)[_ (]*[ga]\)?$|gauge|absolute", unit, re.IGNORECASE):
        raise UnitMistakeError(
            expected, repr(text), "leave gauge or absolute out of the unit; the key `reference` says it"
        )
    if doubt := spellings.doubt(unit):
        raise UnitMistakeError(expected, f"{text!r}, {doubt[0]}", doubt[1])
    unit = spellings.spelled(unit)
    try:
        if _UNIT.fullmatch(unit):
            return _registry().parse_units(f"1{unit}" if unit.startswith("/") else unit)
    except (ArithmeticError, AttributeError, TypeError, ValueError):  # a name that pint does not know, a prefix alone
        pass
    do = "write a decimal point" if unit.startswith(",") else "use a unit of the expected kind"
    raise UnitMistakeError(expected, f"{text!r}, whose unit is unknown", do)


def _in_si(number: float, unit: "pint.Unit", dimension: Dimension, text: str, expected: str) -> float:
    registry = _registry()
    si = registry.parse_units(dimension.si)
    if unit.dimensionality != si.dimensionality:
        kind = str(unit.dimensionality)
        found = f"{text!r}, which is {_named(kind)}"
        raise UnitMistakeError(expected, found, f"write {dimension.name}")
    _refuse_wrong_temperature(unit, dimension, text, expected)
    if dimension is SPEED and "radian" in str(registry.Quantity(1.0, unit).to_root_units().units):
        si = registry.parse_units("turn/s")  # as a plain 1/s, pint would make 2π of a turn
    try:
        return float(registry.Quantity(number, unit).to(si).magnitude)
    except (ArithmeticError, TypeError, ValueError) as error:  # such as degC in a product
        found = f"{text!r}, whose unit cannot be turned into {dimension.shown}"
        raise UnitMistakeError(expected, found, f"write it in {dimension.shown}") from error


def _named(dimensionality: str) -> str:
    """A dimension in words: the name of one of ours where it is one, else as pint writes it."""
    registry = _registry()
    known = (SHARE, PRESSURE, FLOW, CURRENT, VOLTAGE, POWER, TEMPERATURE, TIME, RESISTANCE, PULSES)
    names = {str(registry.parse_units(d.si).dimensionality): d.name for d in known}
    names |= {"[length] ** 3": "a volume", "[length]": "a length", "[mass]": "a mass"}
    return names.get(dimensionality, f"of dimension {dimensionality}")


def _refuse_wrong_temperature(unit: "pint.Unit", dimension: Dimension, text: str, expected: str) -> None:
    """A temperature and a difference of temperatures have one dimension, but 10 degC is not 10 K."""
    if dimension.interval and str(unit).startswith("degree_"):
        raise UnitMistakeError(expected, f"{text!r}, a point on a scale", "write the difference in K")
    if dimension is TEMPERATURE and "delta" in str(unit):
        raise UnitMistakeError(expected, f"{text!r}, a difference", "write it in degC, degF or K")
