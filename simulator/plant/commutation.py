"""The current of a brushed motor as its commutator shapes it: a hump for each commutation."""

from collections.abc import Sequence
from math import pi

import numpy as np
from numpy.typing import NDArray

from simulator.plant.motor import Motor

RIPPLE = 0.12
"""Ripple of the current from commutation, peak to peak, as a share of it; an assumption, no source."""
UNEVEN = 0.03
"""Standard deviation of the humps' heights from segment to segment, as a share; an assumption, no source."""

Floats = NDArray[np.float64]


class Commutation:
    """Shapes the current of a motor whose segments have these relative `heights`, one each, 1 on average."""

    def __init__(self, motor: Motor, heights: Sequence[float]) -> None:
        self._motor = motor
        self._events = motor.ripple_per_revolution()
        turns = self._events // motor.segments
        # Of an odd number of segments the second brush commutes half a turn behind the first, between its segments.
        which = [(e if turns == 1 else e * (motor.segments + 1) // 2) % motor.segments for e in range(self._events)]
        scaled = np.asarray(heights) / np.mean(heights)
        self._heights = RIPPLE * scaled[which]
        self._missing = np.where(np.asarray(which) == 0, 1.0 - motor.bad_segment, 0.0)

    def shape(self, angle: Floats) -> Floats:
        """Current over its mean at angles of the rotor (rad)."""
        turned = angle * (self._events / (2.0 * pi))
        nearest = np.rint(turned)
        hump = np.cos(pi * (turned - nearest))
        event = nearest.astype(np.int64) % self._events
        whole = 1.0 + self._heights[event] * (hump - 2.0 / pi)
        shaped: Floats = whole * (1.0 - self._missing[event] * hump) / self._motor.carried
        return shaped


def draw_heights(motor: Motor, generator: np.random.Generator) -> list[float]:
    """Heights of a motor's humps as they come out of the factory."""
    return [float(x) for x in generator.normal(1.0, UNEVEN, motor.segments)]
