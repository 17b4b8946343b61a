"""The law of a pressure that dies away: p(t) = rest + height·exp(−t/τ), found by least squares."""

from dataclasses import dataclass

import numpy as np

from daq.measure.convert import Floats

_GRID = np.geomspace(0.1, 1e5, 61)
"""Time constants looked at first, s: from faster than a step can show to slower than anybody waits."""
_REFINED = 24
"""Halvings of the golden section, which leave 1e-5 of the grid's interval."""
_GOLDEN = (5**0.5 - 1) / 2


@dataclass(frozen=True, slots=True)
class Decay:
    """The fitted law; `residual` is the root mean square of what it leaves, Pa, and judges nothing.

    A pressure that hardly falls is as well described by many pairs of `height` and `tau`; `at` and `rate` are sure then
    too. A rising pressure has a negative `height`.
    """

    rest: float
    height: float
    tau: float
    residual: float

    def at(self, t: float) -> float:
        return float(self.rest + self.height * np.exp(-t / self.tau))

    def curve(self, t: Floats) -> Floats:
        """As `at`, for many times."""
        return np.asarray(self.rest + self.height * np.exp(-t / self.tau))

    def rate(self, t: float) -> float:
        """How fast it falls at `t`, Pa/s."""
        return float(self.height / self.tau * np.exp(-t / self.tau))


def decay_of(t: Floats, pressure: Floats, floor: float = 0.0) -> Decay:
    """The law of at least three values at different times, `t` in seconds.

    For each time constant the rest is linear least squares (variable projection, Golub and Pereyra 1973); the time
    constant is found on a grid and then by golden section. A rest below `floor`, where no pressure is left, is no
    pressure's: it is held there.
    """
    cost = [_law(t, pressure, tau, floor).residual for tau in _GRID]
    best = int(np.argmin(cost))
    low, high = np.log(_GRID[max(best - 1, 0)]), np.log(_GRID[min(best + 1, len(_GRID) - 1)])
    for _ in range(_REFINED):
        left, right = high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)
        if _law(t, pressure, np.exp(left), floor).residual <= _law(t, pressure, np.exp(right), floor).residual:
            high = right
        else:
            low = left
    return _law(t, pressure, float(np.exp(0.5 * (low + high))), floor)


def _law(t: Floats, pressure: Floats, tau: float, floor: float) -> Decay:
    """The best law with this time constant."""
    shape = np.exp(-t / tau)
    off = shape - shape.mean()
    spread = float(off @ off)
    height = float(off @ (pressure - pressure.mean())) / spread if spread > 0.0 else 0.0
    rest = float(pressure.mean() - height * shape.mean())
    if rest < floor or spread == 0.0:
        # long after the beginning of a short decay nothing of it is left
        power = float(shape @ shape)
        rest, height = floor, float(shape @ (pressure - floor)) / power if power > 0.0 else 0.0
    left = pressure - rest - height * shape
    return Decay(rest, height, float(tau), float(np.sqrt(left @ left / left.size)))
