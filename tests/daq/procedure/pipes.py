"""A unit against valves of several kinds: no simulator of this project's, and coarse, so that a ramp is no fit to one.

Pressure is what the hose has taken up; the unit gives less flow the more pressure stands against it, its relief valve
or regulator lets off what is too much (as soon as it lifts off its seat), and the valve follows its command after a
delay with a travel of its own.
"""

import math
import random
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from daq.measure.flow import Flow
from daq.measure.steps import STEP_S, Step

LITRES_PER_HOUR = 1.0 / 3.6e6
TICK = 1e-3
LEAST_FLOW = 32.0 * LITRES_PER_HOUR
"""The meter tells nothing exactly below this …"""
SILENT_FLOW = 2.0 * LITRES_PER_HOUR
"""… and below this it stands."""
LINE = 12e3 / (120.0 * LITRES_PER_HOUR) ** 2
"""Resistance of the line with the valve open, of which the valve has a fifth (Pa/(m³/s)²)."""
OPENINGS: dict[str, Callable[[float], float]] = {
    "needle": lambda x: x * x,
    "linear": lambda x: x,
    "late seat": lambda x: (max(0.0, x - 0.15) / 0.85) ** 2,
    "equal shares": lambda x: 50.0 ** (x - 1.0) if x > 0.01 else 0.0,
}
"""How far a valve is open at a travel. The last gives with each part of travel an equal share more, as many do, and has
no seat: at the end of its travel it shuts off a fiftieth of its opening at once."""


@dataclass(frozen=True, slots=True)
class Made:
    """A unit: flow against nothing (m³/s), the pressure that stops it, and its relief valve or regulator (Pa, m³/s/Pa,
    s until it lifts off its seat, when pressure has passed that)."""

    free_flow: float
    head: float
    relief: float
    gradient: float = 5e-10
    late: float = 0.0


TURBINE = Made(125 * LITRES_PER_HOUR, 1800e3, 590e3)
DISPLACEMENT = Made(110 * LITRES_PER_HOUR, 4000e3, 550e3)
WEAK = Made(106 * LITRES_PER_HOUR, 720e3, 590e3)
REGULATED = Made(105 * LITRES_PER_HOUR, 1700e3, 393e3, 3e-9)
STICKING = Made(110 * LITRES_PER_HOUR, 4000e3, 550e3, 3e-9, late=0.2)


class Pipe:
    """One unit that runs against one valve. `pressure` and `travel` are what truly is; `step` moves on by a step, the
    valve told to be at `position` from its beginning."""

    def __init__(
        self,
        made: Made,
        opening: str = "needle",
        *,
        actuator: float = 4.0,
        delay: float = 0.1,
        noise: float = 0.001,
        travel: float = 1.0,
    ) -> None:
        self.made, self.travel, self.t = made, travel, 0.0
        self.pressure = self.flow = self._over_for = 0.0
        self._opening, self._actuator, self._noise = OPENINGS[opening], actuator, noise
        self._aim, self._delay, self._told = travel, delay, deque[tuple[float, float]]()
        self._rng, self._number = random.Random(5), 0

    def step(self, position: float) -> Step:
        self._told.append((self.t + self._delay, position))
        total = 0.0
        for _ in range(round(STEP_S / TICK)):
            self._tick()
            total += self.pressure * TICK / STEP_S
        self._number += 1
        shown = total * (1.0 + self._noise * self._rng.gauss(0.0, 1.0))
        return step_of(self._number, self.t, shown, self.flow)

    def wait(self, seconds: float, position: float) -> list[Step]:
        return [self.step(position) for _ in range(round(seconds / STEP_S))]

    def _tick(self) -> None:
        self.t += TICK
        while self._told and self._told[0][0] < self.t:
            self._aim = self._told.popleft()[1]
        most = TICK / self._actuator
        self.travel += min(max(self._aim - self.travel, -most), most)
        opening = self._opening(self.travel)
        conductance = 1.0 / math.sqrt(LINE * (0.8 + 0.2 / opening**2)) if opening > 1e-4 else 0.0
        self._push(conductance)

    def _push(self, conductance: float) -> None:
        """One implicit step: the flows and their slopes at the pressure as it is."""
        made, p = self.made, max(self.pressure, 100.0)
        self.flow = conductance * math.sqrt(p)
        over = made.gradient * max(0.0, p - made.relief)
        self._over_for = self._over_for + TICK if over > 0.0 else 0.0
        lets_off = self._over_for > made.late
        off, slope = (over, made.gradient) if lets_off else (0.0, 0.0)
        net = made.free_flow * (1.0 - p / made.head) - self.flow - off
        stiff = 1.5e-12 / TICK + made.free_flow / made.head + 0.5 * self.flow / p + slope
        self.pressure = max(0.0, p + net / stiff)


def step_of(number: int, t: float, pressure: float, flow: float, *, faulty: int = 0) -> Step:
    """A step of a running unit that shows this pressure and this flow."""
    if flow >= LEAST_FLOW:
        told = Flow(flow, flow, flow)
    else:
        told = Flow(math.nan, 0.0, LEAST_FLOW if flow >= SILENT_FLOW else SILENT_FLOW, flow < SILENT_FLOW)
    return Step(
        number=number,
        t=t,
        pressure=pressure,
        voltage=13.5,
        current=5.0,
        temperature=295.0,
        level=math.nan,
        flow=told,
        flow_step=None,
        lost=False,
        faulty=faulty,
        above=0,
        top=pressure,
    )
