"""The units of a blind population: each built so that its true values lie where a draw has put them.

The part's limits are fixed: they are what the scenario's own good unit does at test voltage. Units are drawn around
them, each requirement by itself, and the design of each is turned until it does what was drawn.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from daq.judge.requirement import Mode, Quantity, Requirement
from daq.procedure.plan import Kind, Part, Principle, Sensitivity
from simulator.design import Scenario, UnitDesign
from simulator.plant.line import Line
from simulator.plant.unit import Unit
from simulator.truth import steady

Floats = NDArray[np.float64]

SPREAD = 0.03
"""Standard deviation of a truth about its limit, as a share of the limit."""
BAND = 0.05
"""A band reaches from its lower limit to so much above it, as a share."""
REFERENCE = 296.15
"""Temperature of fluid and winding (K) at which the limits are what the good unit does."""
PROBE_V = 0.1
SOLVED = 1e-4
ROUNDS = 25


@dataclass(frozen=True, slots=True)
class Aim:
    """One requirement of a study's part, and the property of a unit that moves it.

    `field` is that of `steady`'s answer, `scaled` gives the unit with the property multiplied.
    """

    name: str
    quantity: Quantity
    stage: str
    at_least: bool
    field: str
    scaled: Callable[[Unit, float], Unit]

    @property
    def open(self) -> bool:
        return self.stage == "free_flow"


def _pump(name: str) -> Callable[[Unit, float], Unit]:
    def scaled(unit: Unit, factor: float) -> Unit:
        pump = unit.pump
        return replace(unit, pump=replace(pump, **{name: factor * getattr(pump, name)}))

    return scaled


def _relief(unit: Unit, factor: float) -> Unit:
    return replace(unit, outlet=replace(unit.outlet, relief=factor * unit.outlet.relief))


def _regulated(unit: Unit, factor: float) -> Unit:
    assert unit.module is not None, "a bare pump has no regulator"
    return replace(unit, module=replace(unit.module, regulated=factor * unit.module.regulated))


def _costly(unit: Unit, factor: float) -> Unit:
    """More torque for the same head."""
    return replace(unit, pump=replace(unit.pump, efficiency=unit.pump.efficiency / factor))


FLOW = Aim("free flow", Quantity.FLOW, "free_flow", True, "flow", _pump("flow"))
CURRENT = Aim("current, free flow", Quantity.CURRENT, "free_flow", False, "current", _pump("drag"))
PEAK = Aim("shutoff pressure", Quantity.PEAK_PRESSURE, "shutoff", True, "pressure", _relief)
REGULATED = Aim("regulated pressure", Quantity.PEAK_PRESSURE, "shutoff", True, "pressure", _regulated)
LOADED = Aim("current, shutoff", Quantity.CURRENT, "shutoff", False, "current", _costly)
CARRIED = replace(FLOW, scaled=_pump("displacement"))
AIMS = {
    (Kind.PUMP, Principle.TURBINE): (FLOW, CURRENT, PEAK, LOADED),
    (Kind.PUMP, Principle.DISPLACEMENT): (CARRIED, CURRENT, PEAK, LOADED),
    (Kind.MODULE, Principle.TURBINE): (FLOW, CURRENT, REGULATED),
}
"""By kind and principle; other units make no population."""


class Population:
    """Units of one part about the scenario's unit `base`, on the scenario's line.

    `part` is that of the catalogue with requirements of the study's own: one limit for each aim, but a band for a
    module's regulated pressure. What it says of the supply (`sensitivity`) is what the good unit does, in doubt by how
    far units of the population differ in it.
    """

    def __init__(self, scenario: Scenario, base: str, part: Part, mode: Mode, seed: int) -> None:
        self.scenario, self.design = scenario, scenario.unit(base)
        self.aims = AIMS[part.kind, part.principle]
        self._volts = part.test_voltage
        self.limits = self.truths(self.design.unit)
        self._slopes = self._slopes_of(self.design.unit)
        stated = self._sensitivities(np.random.default_rng((seed, 0)))
        kept = tuple(r for r in part.requirements if r.stage not in ("free_flow", "shutoff"))
        mine = tuple(self._requirement(k, mode) for k in range(len(self.aims)))
        self.part = replace(part, requirements=(*kept, *mine), sensitivity=stated, segments=None)

    def _requirement(self, k: int, mode: Mode) -> Requirement:
        aim, limit = self.aims[k], float(self.limits[k])
        low = limit if aim.at_least else None
        high = None if aim.at_least else limit
        if aim is REGULATED:
            high = (1.0 + BAND) * limit
        return Requirement(aim.name, aim.quantity, aim.stage, at_least=low, at_most=high, mode=mode)

    def draw(self, generator: np.random.Generator) -> Floats:
        """True values for one unit, in the order of `aims`: normal about the limits, about either end of a band."""
        centre = self.limits.copy()
        for k, aim in enumerate(self.aims):
            if aim is REGULATED and generator.random() < 0.5:
                centre[k] *= 1.0 + BAND
        return np.asarray(centre * (1.0 + SPREAD * generator.standard_normal(len(self.aims))))

    def better(self, margin: float) -> Floats:
        """True values so many times better than the limits; of a band its middle."""
        shares = [0.5 * BAND + 1.0 if a is REGULATED else margin if a.at_least else 1.0 / margin for a in self.aims]
        return np.asarray(self.limits * shares)

    @property
    def usual_current(self) -> float:
        """Mean current of a unit in its stages, in amperes: a person sets the supply so that no stage is far off."""
        return float(np.mean([x for x, aim in zip(self.limits, self.aims, strict=True) if aim in (CURRENT, LOADED)]))

    def build(self, wanted: Floats, name: str, fluid: float = REFERENCE) -> UnitDesign:
        """A unit that does what was drawn in fluid of a temperature (K), within SOLVED of it.

        Raises:
            ValueError: no unit of this kind can do that.
        """
        factors = np.zeros(len(self.aims))
        for _ in range(ROUNDS):
            unit = self._scaled(factors)
            missing = np.log(wanted / self.truths(unit, fluid=fluid))
            if np.abs(missing).max() < SOLVED:
                return replace(self.design, name=name, unit=unit)
            factors = factors + np.linalg.solve(self._slopes, missing)
        raise ValueError(f"population about {self.design.name}: no unit found for true values {wanted.tolist()}")

    def truths(self, unit: Unit, volts: float | None = None, fluid: float = REFERENCE) -> Floats:
        """What a unit really does, at test voltage where no other is said, in the order of `aims`; its winding is as
        warm as the fluid."""
        at = {
            travel: steady(unit, self.scenario.line, volts or self._volts, travel, fluid, fluid)
            for travel in (1.0, 0.0)
        }
        return np.array([getattr(at[1.0 if aim.open else 0.0], aim.field) for aim in self.aims])

    def _scaled(self, factors: Floats) -> Unit:
        unit = self.design.unit
        for aim, factor in zip(self.aims, np.exp(factors).tolist(), strict=True):
            unit = aim.scaled(unit, factor)
        return unit

    def _slopes_of(self, unit: Unit) -> Floats:
        """d ln(truth)/d ln(property), `[aim, property]`, at the base unit."""
        h = 1e-3
        columns = []
        for k in range(len(self.aims)):
            up, down = (self.aims[k].scaled(unit, float(np.exp(s * h))) for s in (1.0, -1.0))
            columns.append(np.log(self.truths(up) / self.truths(down)) / (2.0 * h))
        return np.array(columns).T

    def _sensitivities(self, generator: np.random.Generator, units: int = 40) -> dict[str, Sensitivity]:
        """How the quantities follow the voltage, as a laboratory would state it: from some units of this kind.

        A sensitivity holds for a quantity in whatever stage, so stages add to its doubt.
        """
        seen: dict[str, list[float]] = {}
        for number in range(units):
            unit = self.build(self.draw(generator), str(number)).unit
            up, down = (self.truths(unit, self._volts + s * PROBE_V) for s in (1.0, -1.0))
            for aim, slope in zip(self.aims, ((up - down) / (2.0 * PROBE_V)).tolist(), strict=True):
                seen.setdefault(aim.quantity.value, []).append(slope)
        seen["pressure"] = seen["peak_pressure"]
        return {name: Sensitivity(float(np.mean(x)), float(np.std(x, ddof=1))) for name, x in seen.items()}


@dataclass(frozen=True, slots=True)
class State:
    """What a unit's steady signals depend on: volts at its terminals, whether the valve is wide `opened` or shut, and
    how warm fluid and winding are (K)."""

    volts: float
    opened: bool
    fluid: float
    winding: float


def signals_at(unit: Unit, line: Line, state: State) -> dict[str, float]:
    """What a unit's steady signals are, SI, by quantity."""
    now = steady(unit, line, state.volts, 1.0 if state.opened else 0.0, state.fluid, state.winding)
    return {"flow": now.flow, "pressure": now.pressure, "peak_pressure": now.pressure, "current": now.current}
