"""Readings at a place of the curve: which doubts are in them."""

import math
from dataclasses import replace

import numpy as np
import pytest

from daq.measure.curve import Curve, curve_of
from daq.measure.rated import rated
from daq.measure.reading import Reader, Reading, Supply
from tests.daq.measure.blocks import CHANNELS, PRESSURE
from tests.daq.measure.travels import COMPLIANCE, LAG, travel, unit_current, unit_flow

LSB = np.array([48.0, 8e-4, 8e-4, np.nan, np.nan])
HOSE = 3e3 / float(unit_flow(200e3)) ** 2
"""Half-width of the hose's factor: 3 kPa at the flow that the unit gives at 200 kPa."""


def curve() -> Curve:
    return curve_of(
        [travel(closing=True, noise=1e-8), travel(closing=False, noise=1e-8, seed=2)],
        lag=LAG,
        lag_doubt=0.3,
        compliance=COMPLIANCE,
        compliance_doubt=0.3,
    )


def read(quantity: str, at: float, place: str = "pressure") -> Reading:
    channels = replace(CHANNELS, pressure=replace(PRESSURE, k_outlet_doubt=HOSE))
    reading = rated(
        curve(), quantity, at, Reader(channels, LSB, {}, Supply(13.5)), place=place, kelvins=2.0, span=(1.0, 9.0)
    )
    assert reading is not None
    return reading


def hose(reading: Reading) -> float:
    return math.hypot(*(c.standard for c in reading.combined.components if c.source.endswith("hose")))


def test_the_hoses_doubt_is_in_a_pressure_at_a_flow() -> None:
    assert hose(read("pressure", float(unit_flow(200e3)), "flow")) == pytest.approx(3e3, rel=1e-6)


def test_the_hoses_doubt_is_in_a_flow_at_a_pressure_by_the_curves_slope() -> None:
    slope = float(unit_flow(201e3) - unit_flow(199e3)) / 2e3
    assert hose(read("flow", 200e3)) == pytest.approx(3e3 * abs(slope), rel=0.1)


def test_a_place_that_was_not_swept_gives_nothing() -> None:
    reader = Reader(CHANNELS, LSB, {}, Supply(13.5))
    assert rated(curve(), "flow", 700e3, reader, place="pressure", kelvins=2.0, span=(1.0, 9.0)) is None


def efficiency(pressure: float) -> float:
    """Of the unit on paper, whose supply falls by 0.02 V for each ampere."""
    amperes = float(unit_current(pressure))
    return pressure * float(unit_flow(pressure)) / ((13.5 - 0.02 * amperes) * amperes)


@pytest.mark.parametrize("at", [150e3, 300e3])
def test_the_hoses_doubt_is_in_an_efficiency_by_how_that_follows_pressure(at: float) -> None:
    """A wrong pressure is a wrong place, and it is a factor of the hydraulic power besides."""
    reading = read("efficiency", at)
    assert reading.value == pytest.approx(efficiency(at), rel=5e-3)
    slope = (efficiency(at + 1e3) - efficiency(at - 1e3)) / 2e3
    through = 3e3 * (float(unit_flow(at)) / float(unit_flow(200e3))) ** 2
    assert hose(reading) == pytest.approx(through * abs(slope), rel=0.1)
