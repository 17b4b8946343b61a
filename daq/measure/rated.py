"""Readings at a place of the pressure–flow curve: a quantity at a stated pressure, or at a stated flow."""

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


_POWERS: dict[str, dict[str, int]] = {
    "flow": {"flow": 1},
    "pressure": {"pressure": 1},
    "current": {"current": 1},
    "power": {"voltage": 1, "current": 1},
    "efficiency": {"pressure": 1, "flow": 1, "voltage": -1, "current": -1},
}
"""What a quantity is a product of: channels, each to a power."""


@dataclass(frozen=True, slots=True)
class Factor:
    """One channel of a product at the place: `value`, and `slope` its derivative by what the place is stated in.

    `along` is that by the pressure there, `weight` the product's by this value. `own` is what the curve doubts."""

    channel: str
    value: float
    slope: float
    along: float
    weight: float
    own: tuple[Component, ...]


def rated(
    curve: Places, quantity: str, at: float, reader: Reader, *, place: str, kelvins: float, span: tuple[float, float]
) -> Reading | None:
    """`quantity` (`flow`, `pressure`, `current`, `power`, `efficiency`) where `place` (`pressure` or `flow`) is `at`;
    None where the travels did not reach there.

    The flow's place on the curve is a pressure, found with doubts of its own, which count in all that is read there.
    Doubts of the place's channel count by the slope. What a supply off the test voltage does at a fixed place follows
    from the affinity laws: where y goes with the power a of speed and x with b, dy/d ln n = a·y − b·x·dy/dx.

    Raises:
        KeyError: a quantity that no curve gives.
    """
    where = At(at, 1.0, (), 0) if place == "pressure" else curve.pressure_at(at)
    told = None if where is None else _told(curve, _POWERS[quantity], where, place, at)
    volts = None if where is None else curve.voltage_at(where.value)
    if where is None or told is None or volts is None:
        return None
    value, factors, n = told
    alone = len(_POWERS[quantity]) == 1
    through = at if place == "flow" else _flow(curve, at)
    parts: list[Component] = []
    for f in factors:
        doubts = reader.doubts(f.channel, f.value, kelvins=kelvins, flow=through)
        parts += [c.scaled(f.weight, "" if alone else f.channel) for c in (*f.own, *doubts)]
    parts += [c.scaled(sum(f.weight * f.along for f in factors), "" if alone else "place") for c in where.components]
    exact = _POWERS[quantity].get(place, 0) * value / at
    by_place = sum(f.weight * f.slope for f in factors) + exact
    parts += [c.scaled(by_place, place) for c in reader.doubts(place, at, kelvins=kelvins, flow=through)]
    parts += reader.supply_doubts(volts.value, _per_volt(factors, place, at, reader.supply), kelvins)
    kept = combine([c for c in parts if c.standard > 0.0])
    return Reading(
        quantity,
        "rated",
        value,
        value,
        value,
        kept,
        n,
        float(n),
        span,
        flags=reader.flags,
        at=at,
        at_flow=place == "flow",
    )


def _told(
    curve: Places, powers: dict[str, int], where: At, place: str, at: float
) -> tuple[float, list[Factor], int] | None:
    """The product at a pressure, what it is made of but for the place itself, and how many means shaped it."""
    of = {"flow": curve.flow_at, "current": curve.current_at, "voltage": curve.voltage_at}
    found = {c: where if c == "pressure" else of[c](where.value) for c in powers if c != place}
    known = {c: told for c, told in found.items() if told is not None and told.value > 0.0}
    if len(known) < len(found):
        return None
    value = at ** powers.get(place, 0)
    for channel, told in known.items():
        value *= told.value ** powers[channel]
    factors = []
    for channel, told in known.items():
        itself = channel == "pressure"
        along = 1.0 if itself else told.slope
        slope = along * where.slope
        weight = powers[channel] * value / told.value
        factors.append(Factor(channel, told.value, slope, along, weight, () if itself else told.components))
    return value, factors, min(told.n for told in known.values())


def _flow(curve: Places, pressure: float) -> float:
    """The flow through the hose at a pressure, which that was brought to the outlet for."""
    flow = curve.flow_at(pressure)
    return flow.value if flow else 0.0


def _per_volt(factors: list[Factor], place: str, at: float, supply: Supply) -> float:
    laws = supply.laws
    at_place = [laws.get(f.channel, 0) * f.value - laws.get(place, 0) * at * f.slope for f in factors]
    return sum(f.weight * y for f, y in zip(factors, at_place, strict=True)) / supply.test_voltage
