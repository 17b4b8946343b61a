"""A gerotor pump: two rotors that carry a volume each turn, whatever the pressure, less what leaks back inside.

Flow goes with speed and leak with pressure and with how thin the fluid is. The volume does not leave evenly: with each
tooth it swells and ebbs a little, which the hose shows as a pulsation of pressure.
"""

from dataclasses import dataclass, field, replace
from math import exp, isclose


@dataclass(frozen=True, slots=True)
class Gerotor:
    """A displacement pump. `displacement` (m³/rad) goes through at no pressure; `leak` (m³/s/Pa) flows back inside in
    fluid of `reference` (K), and `thinning` (1/K) as a share more where it is warmer.

    Torque is displacement × p ÷ `efficiency` + `drag` (N·m·s) × speed, of which a pump full of air keeps `dry_drag`.
    Flow pulsates by `pulsation` (amplitude, a share of it) at `teeth` × speed.
    """

    displacement: float
    leak: float
    drag: float
    efficiency: float
    teeth: int = 6
    pulsation: float = 0.02
    reference: float = 293.15
    thinning: float = 0.022
    dry_drag: float = 0.3
    torque_factor: float = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "torque_factor", self.displacement / self.efficiency)

    def at(self, temperature: float) -> "Gerotor":
        """The same pump in fluid of another temperature (K)."""
        if isclose(temperature, self.reference, abs_tol=1e-3):
            return self
        thinner = exp(self.thinning * (temperature - self.reference))
        return replace(self, leak=self.leak * thinner, reference=temperature)

    def delivery(self, pressure: float, speed: float, wet: float = 1.0, nozzle: float = 0.0) -> tuple[float, float]:
        """Flow out of the pump (m³/s, negative where it cannot hold the pressure) and its slope by pressure.

        `wet` is the share of liquid between the rotors (0 air, 1 liquid). `nozzle` (m³/s/√Pa) feeds a jet from the
        pump's outlet and adds to the leak.
        """
        jet, slope = (0.0, 0.0) if nozzle == 0.0 else _jet(pressure, nozzle)
        return self.displacement * speed * wet - self.leak * pressure - jet, -self.leak - slope

    def head_at(self, flow: float, speed: float, wet: float = 1.0, nozzle: float = 0.0) -> float:
        """Pressure (Pa) at a flow out of the pump; the positive root of the balance, which is quadratic in √p."""
        rest = self.displacement * speed * wet - flow - nozzle
        if rest <= 0.0:
            return 0.0
        half = 0.5 * nozzle / self.leak
        return float(((half * half + rest / self.leak) ** 0.5 - half) ** 2)

    def carried(self, gas: float) -> float:
        """Liquid out for liquid that could be drawn, at a share of gas: all, since `wet` counts the gas already."""
        del gas
        return 1.0

    def damping(self, speed: float, wet: float) -> float:
        """Torque of the fluid at no pressure for each rad/s (N·m·s)."""
        del speed
        return self.drag * (self.dry_drag + (1.0 - self.dry_drag) * wet)

    def torque(self, pressure: float, speed: float, wet: float = 1.0) -> float:
        """Torque on the shaft (N·m)."""
        return self.torque_factor * pressure + self.damping(speed, wet) * speed


def _jet(pressure: float, nozzle: float) -> tuple[float, float]:
    """Flow through a nozzle and its slope, which stays finite at no pressure."""
    root = max(0.0, pressure) ** 0.5 + 1.0
    return nozzle * root, 0.5 * nozzle / root
