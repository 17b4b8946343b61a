"""What may be wrong with a unit or its supply. How much is plausible, without a source."""

from collections.abc import Callable
from dataclasses import replace

from simulator.design import UnitDesign
from simulator.errors import unknown
from simulator.mishaps import MISHAPS
from simulator.outputs import STAND_FAULTS
from simulator.plant.gerotor import Gerotor
from simulator.plant.unit import Pump
from simulator.sensor_faults import SENSOR_FAULTS
from simulator.truth import flow_at


def worn(design: UnitDesign) -> UnitDesign:
    """Wide gaps inside: less flow, more leak and, in a turbine, less head."""
    return _rebuilt(design, pump=_worn(design.unit.pump))


def _worn(pump: Pump) -> Pump:
    if isinstance(pump, Gerotor):
        return replace(pump, displacement=0.85 * pump.displacement, leak=8.0 * pump.leak)
    return replace(pump, head=0.3 * pump.head, leak=3.0 * pump.leak, flow=0.8 * pump.flow)


def seized(design: UnitDesign) -> UnitDesign:
    """The rotor is stuck."""
    return _rebuilt(design, seized=True)


def bearing_drag(design: UnitDesign) -> UnitDesign:
    """The shaft runs hard: more current for less speed."""
    motor = design.unit.motor
    return _rebuilt(design, motor=replace(motor, friction=motor.friction + 0.025))


def bad_segment(design: UnitDesign) -> UnitDesign:
    """One segment of the commutator hardly carries current: its hump is all but missing, once a turn."""
    return _rebuilt(design, motor=replace(design.unit.motor, bad_segment=0.1))


def blocked_strainer(design: UnitDesign) -> UnitDesign:
    """The strainer lets 60 % of what the pump would draw through; against a shut valve that is plenty."""
    unit, bath = design.unit, 293.15
    return _rebuilt(design, inlet=replace(unit.inlet, choke=0.6 * flow_at(unit, 0.0, design.supply.volts, bath).flow))


def air(design: UnitDesign) -> UnitDesign:
    """The inlet is not tight, and air comes with the fluid."""
    return _rebuilt(design, inlet=replace(design.unit.inlet, air=0.12))


def leaking_check_valve(design: UnitDesign) -> UnitDesign:
    """Pressure falls within seconds once power is off."""
    return _rebuilt(design, outlet=replace(design.unit.outlet, check_leak=3e-13))


def weak_relief(design: UnitDesign) -> UnitDesign:
    """The spring of the relief valve is tired: it opens far too early."""
    outlet = design.unit.outlet
    return _rebuilt(design, outlet=replace(outlet, relief=0.55 * outlet.relief))


def never_fills(design: UnitDesign) -> UnitDesign:
    """The jet of a module draws nothing in."""
    module = design.unit.module
    return design if module is None else _rebuilt(design, module=replace(module, entrainment=0.0))


def supply_sag(design: UnitDesign) -> UnitDesign:
    """A bad contact in the supply leads; the terminals are behind it."""
    worse = replace(design.supply, lead_resistance=design.supply.lead_resistance + 0.17)
    return replace(design, supply=worse)


def low_voltage(design: UnitDesign) -> UnitDesign:
    """A supply that is set too low."""
    return replace(design, supply=replace(design.supply, volts=design.supply.volts - 1.2))


def _rebuilt(design: UnitDesign, **changes: object) -> UnitDesign:
    return replace(design, unit=replace(design.unit, **changes))  # type: ignore[arg-type]  # each is what its field takes


FAULTS: dict[str, Callable[[UnitDesign], UnitDesign]] = {
    "worn": worn,
    "seized": seized,
    "bearing_drag": bearing_drag,
    "bad_segment": bad_segment,
    "blocked_strainer": blocked_strainer,
    "air": air,
    "leaking_check_valve": leaking_check_valve,
    "weak_relief": weak_relief,
    "never_fills": never_fills,
    "supply_sag": supply_sag,
    "low_voltage": low_voltage,
}
"""What is wrong with a unit or its supply, by name."""


def known_faults() -> list[str]:
    """The names of all that can be wrong, with a unit, or with the stand: sensors, switch, valve, inputs, hands."""
    return [*FAULTS, *SENSOR_FAULTS, *STAND_FAULTS, *MISHAPS]


def with_fault(design: UnitDesign, name: str) -> UnitDesign:
    """The unit with a fault of that name; one of the stand befalls it while this unit is on it.

    Raises:
        UnknownNameError: there is no such fault.
    """
    if name in SENSOR_FAULTS or name in STAND_FAULTS or name in MISHAPS:
        return replace(design, failed=(*design.failed, name))
    fault = FAULTS.get(name)
    if fault is None:
        raise unknown("fault", name, known_faults())
    return fault(design)
