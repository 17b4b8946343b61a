"""Readings at a place of the pressure–flow curve: a quantity at a stated pressure, or the pressure at a stated flow."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from daq.measure.curve import At
from daq.measure.reading import Reader, Reading, Supply
from daq.measure.uncertainty import Component, combine


class Places(Protocol):
    """What knows quantities at places: a curve, or a pause at a pressure. None where it does not."""

    def flow_at(self, pressure: float) -> At | None: ...

    def pressure_at(self, flow: float) -> At | None: ...

    def current_at(self, pressure: float) -> At | None: ...

    def voltage_at(self, pressure: float) -> At | None: ...

    def voltage_at_flow(self, flow: float) -> At | None: ...


_PLACE = {"pressure": "flow"}
"""The channel that states the place, where it is not the pressure's."""


@dataclass(frozen=True, slots=True)
class Factor:
    """What a quantity is a product of: one channel at the place, to a power."""

    channel: str
    at: At
    power: int


def rated(
    curve: Places, quantity: str, at: float, reader: Reader, *, kelvins: float, span: tuple[float, float]
) -> Reading | None:
    """`quantity` (`flow`, `current`, `power`, `efficiency` at a pressure, `pressure` at a flow); None where the travels
    did not reach there.

    Doubts of the place count by the curve's slope there. What a supply off the test voltage does at a fixed place
    follows from the affinity laws: where y goes with the power a of speed and x with b, dy/d ln n = a·y − b·x·dy/dx.

    Raises:
        KeyError: a quantity that no curve gives.
    """
    found = _factors(curve, quantity, at)
    if found is None:
        return None
    place = _PLACE.get(quantity, "pressure")
    exact = 1 if quantity == "efficiency" else 0  # of hydraulic power the pressure is the place itself
    value = at**exact
    for f in found:
        value *= f.at.value**f.power
    weights = [(f, f.power * value / f.at.value) for f in found]
    parts: list[Component] = []
    hose = _through(curve, place, at)
    for f, weight in weights:
        own = (*f.at.components, *reader.doubts(f.channel, f.at.value, kelvins=kelvins, flow=hose))
        parts += [c.scaled(weight, "" if len(found) == 1 else f.channel) for c in own]
    by_place = sum(w * f.at.slope for f, w in weights) + exact * value / at
    parts += [c.scaled(by_place, place) for c in reader.doubts(place, at, kelvins=kelvins, flow=hose)]
    volts = curve.voltage_at_flow(at) if place == "flow" else curve.voltage_at(at)
    assert volts is not None, "there are factors only where there are volts"
    parts += reader.supply_doubts(volts.value, _per_volt(weights, place, at, reader.supply), kelvins)
    n = min(f.at.n for f in found)
    kept = combine([c for c in parts if c.standard > 0.0])
    return Reading(quantity, "rated", value, value, value, kept, n, float(n), span, flags=reader.flags, at=at)


def _through(curve: Places, place: str, at: float) -> float:
    """The flow through the hose at the place, which the pressure was brought to the outlet for."""
    if place == "flow":
        return at
    flow = curve.flow_at(at)
    return flow.value if flow else 0.0


def _factors(curve: Places, quantity: str, at: float) -> list[Factor] | None:
    volts = curve.voltage_at_flow(at) if quantity == "pressure" else curve.voltage_at(at)
    read = {
        "flow": (("flow", 1),),
        "pressure": (("pressure", 1),),
        "current": (("current", 1),),
        "power": (("voltage", 1), ("current", 1)),
        "efficiency": (("flow", 1), ("voltage", -1), ("current", -1)),
    }[quantity]
    of: dict[str, Callable[[float], At | None]] = {
        "flow": curve.flow_at,
        "pressure": curve.pressure_at,
        "current": curve.current_at,
        "voltage": curve.voltage_at,
    }
    found = [Factor(channel, place, power) for channel, power in read if (place := of[channel](at)) is not None]
    return found if len(found) == len(read) and volts is not None and all(f.at.value > 0.0 for f in found) else None


def _per_volt(weights: Sequence[tuple[Factor, float]], place: str, at: float, supply: Supply) -> float:
    laws = supply.laws
    at_place = [laws.get(f.channel, 0) * f.at.value - laws.get(place, 0) * at * f.at.slope for f, _ in weights]
    return sum(w * y for (_, w), y in zip(weights, at_place, strict=True)) / supply.test_voltage
