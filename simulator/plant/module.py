"""What a pump module adds to its pump: a reservoir that fills itself, and a pressure regulator."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Module:
    """A pump module standing in the bath.

    The reservoir holds `volume` (m³); the foot valve fills it up to the share `foot_level` at `foot_flow` (m³/s) when
    empty. A jet driven with `nozzle` (m³/s/√Pa) from the pump's outlet draws `entrainment` times its own flow in from
    the bath. Below the share `inlet_level` the pump draws air. The regulator opens at `regulated` (Pa), passes
    `regulator_gradient` (m³/s/Pa) above, and spills into the reservoir.
    """

    volume: float
    regulated: float
    regulator_gradient: float = 3.0e-9
    nozzle: float = 7.0e-9
    entrainment: float = 10.0
    foot_level: float = 0.12
    foot_flow: float = 1.2e-5
    inlet_level: float = 0.02

    def spill(self, pressure: float) -> tuple[float, float]:
        """Flow (m³/s) through the regulator and its slope by pressure."""
        over = pressure - self.regulated
        return (self.regulator_gradient * over, self.regulator_gradient) if over > 0.0 else (0.0, 0.0)

    def drawn_in(self, level: float, root_pressure: float) -> float:
        """Flow (m³/s) from the bath into the reservoir at a level (share) and √(pressure at the pump, Pa)."""
        foot = self.foot_flow * (1.0 - level / self.foot_level) if level < self.foot_level else 0.0
        return foot + self.entrainment * self.nozzle * root_pressure
