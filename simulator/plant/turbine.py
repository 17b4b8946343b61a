"""A regenerative turbine pump with its relief valve and check valve.

The head falls in a straight line with the flow through the impeller, as is usual for this kind; what leaks back inside
follows the square root of the pressure. Every term of pressure goes with the square of speed and every term of flow
with speed, so the affinity laws follow and are stated nowhere.
"""

from dataclasses import dataclass, field
from math import sqrt

BACKWARDS = -1.0
"""Flow (m³/s) of a pump that cannot hold the pressure: more than any check valve leaks, so that it shuts."""


@dataclass(frozen=True, slots=True)
class Turbine:
    """A turbine by its figures at `speed` (rad/s).

    `flow` (m³/s) goes through the impeller against no head; `head` (Pa) stands at no flow through the impeller;
    `leak` (m³/s) flows back inside at that head. `drag` (N·m) is the torque of the fluid at no head, and `efficiency`
    tells how much torque the head costs: T = displacement × p ÷ efficiency + drag. A pump full of air keeps
    `dry_drag` of its drag.
    """

    speed: float
    flow: float
    head: float
    leak: float
    drag: float
    efficiency: float
    dry_drag: float = 0.1
    per_speed: float = field(init=False)
    head_factor: float = field(init=False)
    leak_factor: float = field(init=False)
    drag_factor: float = field(init=False)
    torque_factor: float = field(init=False)

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "per_speed", self.flow / self.speed)
        put(self, "head_factor", self.head / self.speed**2)
        put(self, "leak_factor", self.leak / sqrt(self.head))
        put(self, "drag_factor", self.drag / self.speed**2)
        put(self, "torque_factor", self.flow / self.speed / self.efficiency)

    def delivery(self, pressure: float, speed: float, wet: float = 1.0, nozzle: float = 0.0) -> tuple[float, float]:
        """Flow out of the pump (m³/s, negative where it cannot hold the pressure) and its slope by pressure.

        `wet` is the share of liquid in the impeller (0 air, 1 liquid): head goes with density. `nozzle`
        (m³/s/√Pa) feeds a jet from the pump's outlet and adds to the leak.
        """
        top = self.head_factor * speed * wet
        if top * speed <= pressure:
            return BACKWARDS, 0.0
        root = sqrt(pressure) + 1.0
        through = self.per_speed / top
        loss = self.leak_factor + nozzle
        return self.per_speed * speed - through * pressure - loss * root, -through - 0.5 * loss / root

    def head_at(self, flow: float, speed: float, wet: float = 1.0, nozzle: float = 0.0) -> float:
        """Pressure (Pa) at a flow out of the pump; the positive root of the balance, which is quadratic in √p."""
        if speed <= 0.0 or wet <= 0.0:
            return 0.0
        top = self.head_factor * speed * wet
        half = 0.5 * top * (self.leak_factor + nozzle) / self.per_speed
        rest = top * speed - top * flow / self.per_speed - 2.0 * half
        return float((sqrt(half * half + rest) - half) ** 2) if rest > 0.0 else 0.0

    def at(self, temperature: float) -> "Turbine":
        """The same pump in fluid of another temperature: its flow hangs on density, not on viscosity."""
        del temperature
        return self

    def carried(self, gas: float) -> float:
        """Liquid out for liquid that could be drawn, at a share of gas: gas takes the liquid's room in the impeller."""
        return 1.0 - gas

    def damping(self, speed: float, wet: float) -> float:
        """Torque of the fluid at no head for each rad/s (N·m·s)."""
        return self.drag_at(wet) * speed

    def drag_at(self, wet: float) -> float:
        """Drag factor (N·m·s²) at a share of liquid."""
        return self.drag_factor * (self.dry_drag + (1.0 - self.dry_drag) * wet)

    def torque(self, pressure: float, speed: float, wet: float = 1.0) -> float:
        """Torque on the shaft (N·m)."""
        return self.torque_factor * pressure + self.drag_at(wet) * speed * speed


@dataclass(frozen=True, slots=True)
class Outlet:
    """What stands between impeller and line.

    The relief valve opens at `relief` (Pa) and passes `relief_gradient` (m³/s/Pa) above; the check valve opens at
    `check_cracking` (Pa) and lets `check_leak` (m³/s/Pa) back when shut.
    """

    relief: float
    relief_gradient: float = 5.0e-10
    check_cracking: float = 4.0e3
    check_leak: float = 2.0e-16
