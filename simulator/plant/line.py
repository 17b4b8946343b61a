"""The hose, the line back to the tank and the needle valve in it."""

from dataclasses import dataclass
from math import sqrt

SHUT = 1e-3
"""Below this travel the needle sits on its seat."""

LAMINAR = 20.0
"""Below this pressure (Pa) the line's flow goes in proportion to it, so that its slope stays finite."""


@dataclass(frozen=True, slots=True)
class Line:
    """From the pump's outlet to the tank.

    `resistance` (Pa/(m³/s)²) is that of the whole line with the valve open, of which the open valve has the share
    `valve_share`. The opening of the needle goes with the square of its travel, so that the first half of it changes
    little. `compliance` (m³/Pa) is that of hose, line and what air there is in them; `quick_compliance` what of it is
    near enough to follow a pulsation (the fluid's inertia keeps the air at the far end out of it). The line itself
    loses `leak` (m³/s/Pa) past seats and joints, and its pressure follows the temperature of the fluid in it by
    `thermal` (Pa/K), as long as it is shut.
    """

    resistance: float
    valve_share: float = 0.2
    compliance: float = 1.5e-12
    quick_compliance: float = 5.5e-14
    leak: float = 0.0
    thermal: float = 0.0

    def resistance_at(self, travel: float) -> float:
        """Resistance (Pa/(m³/s)²) at a travel of the needle, 0 shut … 1 open; infinite when shut."""
        if travel <= SHUT:
            return float("inf")
        return self.resistance * (1.0 + self.valve_share * (travel**-4 - 1.0))


def through(pressure: float, resistance: float) -> tuple[float, float]:
    """Flow (m³/s) through a resistance (Pa/(m³/s)²) and its slope by pressure."""
    if resistance == float("inf"):
        return 0.0, 0.0
    if pressure < LAMINAR:
        slope = 1.0 / sqrt(resistance * LAMINAR)
        return slope * pressure, slope
    flow = sqrt(pressure / resistance)
    return flow, 0.5 * flow / pressure
