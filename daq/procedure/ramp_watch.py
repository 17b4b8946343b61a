"""What pressure does while a valve moves: how quickly it changes, and how much for the travel made."""

import math
from collections import deque

from daq.measure.convert import BITS, Column
from daq.measure.steps import STEP_S, Step

SLOPE = 4
"""Pressure's rate of change is the slope of a straight line through so many steps."""
LATE = 4
"""It answers to where the valve was told to be so many steps earlier: block, link, actuator, hose and the slope itself.
An assumption of some 0.2 s, no source; a stand that answers sooner or later is seen a little too steep or too flat."""
MEMORY = SLOPE + LATE
GAP_S = 2.5 * STEP_S
"""Steps further apart say nothing of each other: then the watch begins anew."""
FORGET = 0.8
"""What was seen counts so much less with every step, so that steepness is that of the last quarter of a second."""
STANDING = 1e-4
"""A valve that travels less than this share of its way in a second stands still, and shows no steepness."""


class Watch:
    """The newest steps and where the valve was told to be in each.

    `gap` is the time since the step before (s, 0 after a break), `rate` pressure's rate of change (Pa/s). `steepness`
    is how far pressure moves for the travel made, in Pa for the whole of it: never negative, 0 while nothing is known.
    """

    def __init__(self) -> None:
        self._steps: deque[tuple[float, float, float]] = deque(maxlen=MEMORY)
        self._risen = self._travelled = 0.0
        self.gap = self.rate = self.steepness = 0.0

    def feed(self, step: Step, position: float) -> bool:
        """Takes a step, the valve told to be at `position` until now; False while there is too little to go by, and
        whenever pressure or flow cannot be believed."""
        last = self._steps[-1][0] if self._steps else step.t
        self.gap = step.t - last
        if not believable(step) or not 0.0 <= self.gap <= GAP_S:
            self._steps.clear()
        if not believable(step) or (self._steps and self.gap == 0.0):
            self.gap = 0.0
            return False
        self.gap = self.gap if self._steps else 0.0
        self._steps.append((step.t, step.pressure, position))
        if len(self._steps) < MEMORY:
            return False
        self.rate = self._slope()
        self._compare()
        return True

    @property
    def pressure(self) -> float:
        """The mean over what is kept, Pa."""
        return sum(p for _, p, _ in self._steps) / len(self._steps)

    @property
    def soon(self) -> float:
        """Pressure as it is by the end of the newest step, along its slope, Pa."""
        newest = list(self._steps)[-SLOPE:]
        return sum(p for _, p, _ in newest) / SLOPE + self.rate * 0.5 * (newest[-1][0] - newest[0][0])

    def forget(self) -> None:
        """What steepness was seen no longer counts: the valve turns round."""
        self._risen = self._travelled = self.steepness = 0.0

    def _slope(self) -> float:
        newest = list(self._steps)[-SLOPE:]
        t0 = sum(t for t, _, _ in newest) / SLOPE
        across = sum((t - t0) ** 2 for t, _, _ in newest)
        return sum((t - t0) * p for t, p, _ in newest) / across

    def _compare(self) -> None:
        """Pressure's change against the travel that caused it, both signed: closing travels down, pressure up."""
        (t0, _, x0), (t1, _, x1) = self._steps[0], self._steps[SLOPE - 1]
        speed = (x0 - x1) / (t1 - t0)
        if abs(speed) < STANDING:
            return
        way = 1.0 if speed > 0.0 else -1.0
        self._risen = FORGET * self._risen + way * self.rate * self.gap
        self._travelled = FORGET * self._travelled + abs(speed) * self.gap
        self.steepness = max(0.0, self._risen) / self._travelled


def believable(step: Step) -> bool:
    """Whether pressure is believed and a number, and flow at least an interval."""
    if step.faulty & BITS[Column.PRESSURE]:
        return False
    numbers = (step.t, step.pressure, step.flow.low, step.flow.high)
    return not any(math.isnan(n) for n in numbers) and math.isfinite(step.pressure)
