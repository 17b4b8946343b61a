"""What may be wrong with a unit or its supply. How much is plausible, without a source."""

from collections.abc import Callable
from dataclasses import replace

from simulator.design import UnitDesign
from simulator.errors import unknown


def worn(design: UnitDesign) -> UnitDesign:
    """Wide gaps inside: less head, less flow, more leak."""
    old = design.unit.turbine
    turbine = replace(old, head=0.3 * old.head, leak=3.0 * old.leak, flow=0.8 * old.flow)
    return replace(design, unit=replace(design.unit, turbine=turbine))


def seized(design: UnitDesign) -> UnitDesign:
    """The rotor is stuck."""
    return replace(design, unit=replace(design.unit, seized=True))


def supply_sag(design: UnitDesign) -> UnitDesign:
    """A bad contact in the supply leads; the terminals are behind it."""
    worse = replace(design.supply, lead_resistance=design.supply.lead_resistance + 0.17)
    return replace(design, supply=worse)


def low_voltage(design: UnitDesign) -> UnitDesign:
    """A supply that is set too low."""
    return replace(design, supply=replace(design.supply, volts=design.supply.volts - 1.2))


def never_fills(design: UnitDesign) -> UnitDesign:
    """The jet of a module draws nothing in."""
    module = design.unit.module
    if module is None:
        return design
    return replace(design, unit=replace(design.unit, module=replace(module, entrainment=0.0)))


FAULTS: dict[str, Callable[[UnitDesign], UnitDesign]] = {
    "worn": worn,
    "seized": seized,
    "supply_sag": supply_sag,
    "low_voltage": low_voltage,
    "never_fills": never_fills,
}


def with_fault(design: UnitDesign, name: str) -> UnitDesign:
    """The unit with a fault of that name.

    Raises:
        UnknownNameError: there is no such fault.
    """
    fault = FAULTS.get(name)
    if fault is None:
        raise unknown("unit fault", name, list(FAULTS))
    return fault(design)
