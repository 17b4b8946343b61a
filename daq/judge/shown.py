"""Quantities in the units of the trade: what people and machines are told in."""

from daq.judge.requirement import Quantity, Requirement
from daq.measure.reading import Reading

UNITS: dict[str, tuple[str, float]] = {
    Quantity.FLOW: ("L/h", 3.6e6),
    Quantity.PRESSURE: ("kPa", 1e-3),
    Quantity.PEAK_PRESSURE: ("kPa", 1e-3),
    Quantity.RESIDUAL_PRESSURE: ("kPa", 1e-3),
    Quantity.CURRENT: ("A", 1.0),
    Quantity.VOLTAGE: ("V", 1.0),
    Quantity.POWER: ("W", 1.0),
    Quantity.EFFICIENCY: ("%", 100.0),
    Quantity.SPEED: ("/min", 60.0),
    Quantity.FILL_TIME: ("s", 1.0),
}
"""UCUM, and what an SI value is multiplied by."""


def amount(quantity: str, value: float) -> str:
    """An SI value to four digits, with its unit."""
    unit, factor = UNITS[quantity]
    return f"{value * factor:.4g} {unit}"


def reading_text(reading: Reading) -> str:
    """A reading in a few words: its stage, quantity and value, and where or when it was read if it was at a place."""
    quantity = reading.quantity
    if not reading.is_interval:
        value = amount(quantity, reading.value)
    elif reading.low == reading.high:
        value = f"at least {amount(quantity, reading.low)}"
    else:
        value = f"{amount(quantity, reading.low)} to {amount(quantity, reading.high)}"
    return f"{stage_text(reading.stage)}: {quantity.replace('_', ' ')} {value}{_place(reading)}"


def limits_text(requirement: Requirement) -> str:
    """What is required, without its name."""
    quantity, low, high = requirement.quantity, requirement.at_least, requirement.at_most
    if low is not None and high is not None:
        return f"required {amount(quantity, low)} to {amount(quantity, high)}"
    if low is not None:
        return f"required at least {amount(quantity, low)}"
    return "nothing required" if high is None else f"required at most {amount(quantity, high)}"


def stage_text(stage: str) -> str:
    """A stage's name for people, its number behind it."""
    return stage.replace("_", " ").replace(".", " ")


def _place(reading: Reading) -> str:
    if reading.at is None:
        return ""
    if reading.quantity == Quantity.RESIDUAL_PRESSURE:
        return f" {reading.at:g} s after power-off"
    return f" at {amount(Quantity(reading.place), reading.at)}"
