"""A brushed DC motor with permanent magnets, and the supply that feeds it."""

from dataclasses import dataclass
from math import pi

COPPER = 0.00393
"""Temperature coefficient of annealed copper at 20 °C, 1/K (IEC 60028)."""

ROOM = 293.15
"""20 °C, where the resistance of copper is stated, K."""


@dataclass(frozen=True, slots=True)
class Motor:
    """Motor constants.

    `constant` is both V·s/rad and N·m/A, which are one number in SI. `resistance` (Ω) holds at 20 °C. `inertia` (kg·m²)
    counts rotor and impeller; `friction` (N·m) is that of brushes and bearings, whatever the speed. The winding takes
    `heat_capacity` (J/K) and gives its heat to the fluid through `thermal_resistance` (K/W). `segments` on the
    commutator of a two-pole motor, of which one carries only the share `bad_segment` of what it should. The inductance
    is left out: its time constant is far below a millisecond.
    """

    constant: float
    resistance: float
    inertia: float
    friction: float
    heat_capacity: float = 60.0
    thermal_resistance: float = 1.2
    segments: int = 8
    bad_segment: float = 1.0

    def resistance_at(self, temperature: float) -> float:
        """Resistance of the winding (Ω) at its temperature (K)."""
        return self.resistance * (1.0 + COPPER * (temperature - ROOM))

    def back_emf(self, speed: float) -> float:
        """Volts induced at a speed in rad/s."""
        return self.constant * speed

    def torque(self, current: float) -> float:
        """Torque (N·m) in the air gap at a current in amperes."""
        return self.constant * current

    def current(self, volts: float, speed: float, resistance: float) -> float:
        """Amperes drawn from `volts` through `resistance` (all of the loop, Ω). A supply does not take current back."""
        return max(0.0, (volts - self.constant * speed) / resistance)

    @property
    def carried(self) -> float:
        """Mean current over what it would be with all segments sound, at the same speed and voltage: one hump, half a
        sine long, is missing by 1 − `bad_segment`."""
        return 1.0 - (1.0 - self.bad_segment) * (2.0 / pi) / self.segments

    def ripple_per_revolution(self) -> int:
        """Commutation events a revolution: as many as segments where their number is even, twice that where it is
        odd."""
        return self.segments if self.segments % 2 == 0 else 2 * self.segments


@dataclass(frozen=True, slots=True)
class Supply:
    """A supply of `volts` behind `source_resistance` and leads of `lead_resistance` (both ways together, Ω)."""

    volts: float = 13.5
    source_resistance: float = 0.004
    lead_resistance: float = 0.006

    @property
    def resistance(self) -> float:
        return self.source_resistance + self.lead_resistance
