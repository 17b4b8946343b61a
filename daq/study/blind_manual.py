"""The manual way beside which the stand is judged: a dial gauge and a float flowmeter, each read once.

What it takes: 10 s of running in free flow and 10 s at shutoff before each reading. Its instruments err within what
their class allows and in no other way; the person errs in nothing.
"""

from dataclasses import dataclass, replace

import numpy as np

from daq.procedure.plan import Part
from daq.study.blind_population import State, signals_at
from simulator.plant.line import Line
from simulator.plant.unit import Unit

WAIT_S = 10.0
"""A person waits so long for a reading to calm down. Common practice, no source."""
STAGES = ("free_flow", "shutoff")
SECONDS = WAIT_S * len(STAGES)


@dataclass(frozen=True, slots=True)
class Instruments:
    """Spans (Pa, m³/s) and largest errors as shares of them: a class 2.5 gauge (the classes are those of EN 837-1, from
    memory) and a ±4 % flowmeter. Spans are the usual ones that hold a good unit's reading below three quarters."""

    gauge_span: float = 1.0e6
    gauge_error: float = 0.025
    meter_span: float = 200.0 / 3.6e6
    meter_error: float = 0.04


@dataclass(frozen=True, slots=True)
class ByHand:
    """A requirement judged by hand: whether it was accepted, and whether the truth at that moment meets it."""

    requirement: str
    accepted: bool
    true: bool


def by_hand(
    part: Part,
    unit: Unit,
    line: Line,
    generator: np.random.Generator,
    *,
    volts: float,
    fluid: float,
    tools: Instruments,
) -> tuple[ByHand, ...]:
    """What the manual way says of a unit whose terminals really are at `volts`, in fluid of a temperature (K).

    Errors are rectangular within the class, drawn for each unit: as little is known of an instrument as its class says.
    """
    errors = {
        "free_flow": tools.meter_error * tools.meter_span * float(generator.uniform(-1.0, 1.0)),
        "shutoff": tools.gauge_error * tools.gauge_span * float(generator.uniform(-1.0, 1.0)),
    }
    shown = {"free_flow": "flow", "shutoff": "peak_pressure"}
    said, winding = [], fluid
    for stage in STAGES:
        state = State(volts, stage == "free_flow", fluid, winding)
        really, winding = _after_waiting(unit, line, state)
        meant = signals_at(unit, line, State(part.test_voltage, state.opened, fluid, winding))
        for need in part.requirements:
            if need.stage == stage and need.quantity.value == shown[stage]:
                truth, read = meant[shown[stage]], really[shown[stage]] + errors[stage]
                low = -np.inf if need.at_least is None else need.at_least
                high = np.inf if need.at_most is None else need.at_most
                said.append(ByHand(need.name, bool(low <= read <= high), bool(low <= truth <= high)))
    return tuple(said)


def _after_waiting(unit: Unit, line: Line, begun: State) -> tuple[dict[str, float], float]:
    """The steady signals after the wait, and how warm the winding is then.

    The winding's time constant is far longer than the wait, so the heat at its beginning is taken for all of it.
    """
    motor = unit.motor
    current = signals_at(unit, line, begun)["current"]
    heat = current**2 * motor.resistance_at(begun.winding) - (begun.winding - begun.fluid) / motor.thermal_resistance
    warm = begun.winding + heat * WAIT_S / motor.heat_capacity
    return signals_at(unit, line, replace(begun, winding=warm)), warm
