"""How far a travel of the valve has come, as a measure of pressure that makes a kink of the curve none."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from daq.measure.convert import Floats
from daq.measure.curve_monotone import isotonic

KNOT = 0.04
"""How far apart along the travel the knots of its scale are."""
FIRM = 10.0
"""A steady reading weighs as many steps of a travel."""


@dataclass(frozen=True, slots=True, eq=False)
class Scale:
    """Pressure as a measure of how far a travel has come: `along` it at pressures `knots`, 0 at the open end.

    Where flow changes much while pressure hardly does, as behind a regulator or a relief valve, it grows quickly with
    pressure. `span` (Pa) and `most` (m³/s) are what counts as 1 of pressure and of flow.
    Nothing is known below `low` and above `high` (Pa).
    """

    knots: Floats
    along: Floats
    low: float
    high: float
    most: float

    @property
    def span(self) -> float:
        return max(self.high - self.low, 1.0)

    def of(self, pressure: Floats) -> Floats:
        """How far along, `[n]`."""
        below, above = np.minimum(pressure - self.knots[0], 0.0), np.maximum(pressure - self.knots[-1], 0.0)
        return np.asarray(np.interp(pressure, self.knots, self.along) + (below + above) / self.span)

    def at(self, along: Floats) -> Floats:
        """The pressures so far along, `[n]`, none beyond the ends."""
        return np.interp(along, self.along, self.knots)

    def share(self, pressure: Floats) -> Floats:
        """Pressure in shares of its span, `[n]`."""
        return np.asarray((pressure - self.low) / self.span)

    def flow(self, pressure: Floats) -> Floats:
        """The flow that the scale was made of, in shares of the largest, `[n]`."""
        return np.clip(1.0 + self.share(pressure) - self.of(pressure), 0.0, 1.0)

    def steepness(self, pressure: Floats, least: float) -> Floats:
        """The share of the largest flow that 1 Pa makes, over at least so many Pa to both sides, `[n]`."""
        step = max(least, 0.005 * self.span)
        return np.asarray(np.abs(self.flow(pressure + step) - self.flow(pressure - step)) / (2.0 * step))


def scale_of(steps: tuple[Floats, Floats], ends: Sequence[tuple[float, float]]) -> Scale:
    """The scale of travels whose `steps` had pressures and flows, these but roughly known (NaN: not at all); `ends` are
    steady readings of both."""
    still = np.array(ends).reshape(-1, 2)
    pressure, flow = (np.concatenate([values, still[:, k]]) for k, values in enumerate(steps))
    weights = np.concatenate([np.ones(steps[0].size), np.full(len(ends), FIRM)])
    low, high = float(pressure.min()), float(pressure.max())
    span = max(high - low, 1.0)
    order = np.argsort(pressure, kind="stable")
    order = order[np.isfinite(flow[order])]
    pressure, weights = pressure[order], weights[order]
    flow = isotonic(flow[order], weights, rising=False)
    most = float(flow[0])
    along = (pressure - low) / span + 1.0 - flow / most
    bins = np.unique(np.floor(along / KNOT), return_inverse=True)[1]
    counts = np.bincount(bins, weights)
    knots, means = (np.bincount(bins, weights * values) / counts for values in (pressure, along))
    keep = np.concatenate(([True], np.diff(np.maximum.accumulate(knots)) > 1e-6 * span))
    return Scale(knots[keep], means[keep], low, high, most)
