"""A unit as it is built, from its inlet to its outlet."""

from dataclasses import dataclass, field
from math import inf, pi, sin, sqrt

from simulator.plant.gerotor import Gerotor
from simulator.plant.module import Module
from simulator.plant.motor import Motor
from simulator.plant.turbine import Outlet, Turbine

Pump = Turbine | Gerotor

GULPS = ((0.5, 0.7, 0.0), (0.3, 1.9, 1.0), (0.2, 5.3, 2.0))
"""How air that a pump draws comes and goes: (share of its mean, hertz, phase). Amounts to 44 % of the mean, as a
standard deviation; an assumption, no source."""


@dataclass(frozen=True, slots=True)
class Inlet:
    """What stands before the pump.

    A strainer lets at most `choke` (m³/s) through: to draw more, a pump would need more suction than there is
    atmosphere, and the fluid boils instead. `air` is the mean share of gas in what is drawn.
    """

    choke: float = inf
    air: float = 0.0

    def gas(self, seconds: float) -> float:
        """The share of gas at a time: 0 where none is drawn, else it comes in gulps."""
        if self.air == 0.0:
            return 0.0
        return self.air * (1.0 + sum(share * sin(2.0 * pi * hertz * seconds + at) for share, hertz, at in GULPS))


FREE_INLET = Inlet()


@dataclass(frozen=True, slots=True)
class Unit:
    """A pump or module as it is built. `seized` holds its rotor fast."""

    motor: Motor
    pump: Pump
    outlet: Outlet
    module: Module | None = None
    seized: bool = False
    inlet: Inlet = FREE_INLET
    nozzle: float = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "nozzle", self.module.nozzle if self.module else 0.0)

    def delivery(self, pump: Pump, pressure: float, speed: float, wet: float, gas: float) -> tuple[float, float, float]:
        """Flow through the check valve into a line at `pressure` (m³/s), its slope by pressure, pressure at the pump.

        `pump` is the unit's own at the temperature of its fluid; `gas` the share of gas that it draws just now.
        """
        outlet = self.outlet
        at_pump = pressure + outlet.check_cracking
        out, slope = pump.delivery(at_pump, speed, wet, self.nozzle)
        if self.inlet is not FREE_INLET:
            out, slope = self._let_in(pump, out, slope, at_pump, gas)
        over = at_pump - outlet.relief
        if over > 0.0:
            out -= outlet.relief_gradient * over
            slope -= outlet.relief_gradient
        shut = -outlet.check_leak * pressure
        if out > shut:
            return out, slope, at_pump
        return shut, -outlet.check_leak, min(at_pump, pump.head_at(0.0, speed, wet, self.nozzle))

    def _let_in(self, pump: Pump, out: float, slope: float, at_pump: float, gas: float) -> tuple[float, float]:
        """What is left of a flow by strainer and air, and its slope."""
        most = self.inlet.choke - self.nozzle * sqrt(at_pump)
        if out > most:
            out, slope = most, 0.0
        share = pump.carried(gas)
        return out * share, slope * share


PLUG = Unit(
    motor=Motor(constant=1.0, resistance=1.0, inertia=1.0, friction=1.0),
    pump=Turbine(speed=1.0, flow=1.0, head=1.0, leak=1.0, drag=1.0, efficiency=1.0),
    outlet=Outlet(relief=inf, check_leak=0.0),
    seized=True,
)
"""Nothing but a plug in the line: it never turns and lets nothing back. Its other figures mean nothing."""
