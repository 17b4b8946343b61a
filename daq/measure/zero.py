"""The zero of pressure and shunt, taken at rest and nowhere else."""

import math
from collections.abc import Mapping

import numpy as np

from daq.measure.channels import Channels
from daq.measure.convert import BITS, Column, Zero
from daq.measure.steps import Step
from daq.measure.uncertainty import mean_of

REST_S = 5.0
"""No edge and no current for so long is rest."""


class AtRest:
    """Watches the steps before a run's first power-on for `REST_S` of rest with the line open.

    Rest: no current beyond the zero limit, no edge, pressure steady and within the limit of the calibrated zero.
    `lsb` is the converter's step in SI by channel. `zero` is the newest one found, `shifted` names the channel whose
    rest value lies beyond its limit: a stand fault. `resting` is True while nothing disturbs the rest that gave
    `zero`.
    """

    def __init__(self, channels: Channels, lsb: Mapping[str, float]) -> None:
        self._lsb = lsb.get("pressure", 0.0), lsb.get("current", 0.0)
        self._edges = 0
        self._limits = channels.pressure.zero_limit, channels.shunt.zero_limit
        self._floor = channels.floor
        self._pressure: list[float] = []
        self._current: list[float] = []
        self._since = 0.0
        self.zero: Zero | None = None
        self.shifted: str | None = None
        self.resting = False

    def feed(self, step: Step) -> None:
        """Takes a step converted with the calibrated zero. Time that begins anew begins a new watch, no more."""
        moved, self._edges = step.edges != self._edges, step.edges
        broken = step.faulty & (BITS[Column.PRESSURE] | BITS[Column.CURRENT])
        disturbed = step.lost or broken or moved or abs(step.current) > 5 * self._limits[1]
        if disturbed:
            self.resting, self.shifted = False, None
        if disturbed or not self._pressure or step.t < self._since:
            self._restart(step.t)
        self._pressure.append(step.pressure)
        self._current.append(step.current)
        if step.t - self._since >= REST_S:
            self._take()
            self._restart(step.t)

    def disturb(self) -> None:
        """The rest so far tells nothing: whoever knows says that the line was not open."""
        self.zero, self.shifted, self.resting = None, None, False
        self._pressure.clear()
        self._current.clear()

    def _restart(self, t: float) -> None:
        self._pressure.clear()
        self._current.clear()
        self._since = t

    def _take(self) -> None:
        pressure, current = np.array(self._pressure), np.array(self._current)
        half = len(pressure) // 2
        self.resting, self.shifted = False, None
        if abs(pressure[:half].mean() - pressure[half:].mean()) > self._floor.pressure:
            return
        shift, leak = float(pressure.mean()), float(current.mean())
        if abs(shift) > self._limits[0]:
            self.shifted = "pressure"
        elif abs(leak) > self._limits[1]:
            self.shifted = "current"
        else:
            self.resting = True
            doubts = [mean_of(x, lsb=lsb).standard for x, lsb in zip((pressure, current), self._lsb, strict=True)]
            self.zero = Zero(shift, leak, doubts[0], doubts[1], taken=True)


HELD = 4.0
"""More pressure than so many times the zero's limit is one that the line holds. Common practice, no source."""
VENTS_S = 0.5
"""A line that is opened loses its pressure within so long; one that leaks takes longer. Common practice, no source."""


class Vent:
    """Watches for a line that is opened to the air: pressure that falls to its zero at once, and stays there.

    `zero_limit` (Pa) is the largest shift of the zero that is no fault. `opened` is True from then on until pressure
    rises above it again.
    """

    def __init__(self, zero_limit: float, opened: bool = False) -> None:
        self._limit, self.opened = zero_limit, opened
        self._held_at = -math.inf

    def feed(self, step: Step) -> None:
        """Takes a step; one that cannot be believed tells nothing."""
        if step.lost or step.faulty & BITS[Column.PRESSURE]:
            self._held_at = -math.inf
        elif step.pressure > HELD * self._limit:
            self._held_at, self.opened = step.t, False
        elif step.pressure > self._limit:
            self.opened = False
        elif step.t - self._held_at <= VENTS_S:
            self.opened = True
