"""Readings where the valve pauses: a quantity at a stated pressure, from a steady window close to it.

It answers as a `Curve` does, so that everything which follows from a place (slopes, supply, hose) follows alike.
"""

import math
from collections.abc import Sequence

import numpy as np

from daq.measure.convert import Floats
from daq.measure.curve import At
from daq.measure.reading import FEWEST_STEPS, Window, as_array
from daq.measure.steps import Step
from daq.measure.uncertainty import Component, Mean, mean_of

SLOPE_DOUBT = 0.5
"""How far a slope may be off, as a share of it: a travel bends it, the meter's lag and the hose shift it. What it is
used for is less than a percent of the pressure."""
NEAR = (0.6, 1.2)
"""A slope is that between these shares of the pressure: the curve of a pump is nearly straight so far."""
FEWEST_NEAR = 4


class Pause:
    """A steady window with the valve held near a pressure. `pressure` is its mean at the unit's outlet.

    `travel` are the steps of the valve's way there, which give the slopes. Quantities at a stated flow are None: the
    valve is held at pressures only.
    """

    def __init__(self, window: Window, to_outlet: float, travel: Sequence[Step], looks: int, lsb: float) -> None:
        self._window, self._looks = window, looks
        self._pressure = mean_of(window.pressure, looks=looks, lsb=lsb)
        self.pressure = self._pressure.value + to_outlet
        near = [s for s in travel if NEAR[0] * self.pressure <= s.pressure <= NEAR[1] * self.pressure]
        self._at = as_array([s.pressure for s in near])
        self._near = near

    def flow_at(self, pressure: float) -> At | None:
        """The flow at a pressure; None where it is only known to be small."""
        w = self._window
        if math.isnan(w.flow.value) or w.flow_steps.size < FEWEST_STEPS or not np.isfinite(w.flow_steps).all():
            return None
        mean = mean_of(w.flow_steps, looks=self._looks, known=w.flow_usual, noise=w.flow_noise)
        slope = self._slope(as_array([s.flow.value for s in self._near]), w.flow.value)
        return self._placed(w.flow.value, mean, slope, pressure)

    def current_at(self, pressure: float) -> At | None:
        """The current at a pressure."""
        return self._electric(self._window.current, "current", pressure)

    def voltage_at(self, pressure: float) -> At | None:
        """The voltage at a pressure."""
        return self._electric(self._window.voltage, "voltage", pressure)

    def pressure_at(self, flow: float) -> At | None:
        return None

    def _electric(self, values: Floats, name: str, pressure: float) -> At:
        mean = mean_of(values, looks=self._looks)
        slope = self._slope(as_array([getattr(s, name) for s in self._near]), mean.value)
        return self._placed(mean.value, mean, slope, pressure)

    def _slope(self, values: Floats, mean: float) -> float:
        """d/dp by least squares over the way there; where too little is known of it, what would end at nothing."""
        known = np.isfinite(values)
        p = self._at[known]
        if p.size < FEWEST_NEAR or np.ptp(p) < 0.05 * self.pressure:
            return -mean / self.pressure
        return float(np.polyfit(p - p.mean(), values[known], 1)[0])

    def _placed(self, value: float, mean: Mean, slope: float, pressure: float) -> At:
        off = pressure - self.pressure
        components = (
            mean.component(),
            self._pressure.component("scatter, pressure").scaled(slope),
            Component.rectangular("slope", SLOPE_DOUBT * slope, off),
        )
        return At(value + slope * off, slope, components, mean.n)
