"""The flowmeter: edges carry the volume, and each comes at its tick."""

from itertools import pairwise

import pytest

from simulator.plant.meter import Meter, MeterDesign

FLAT = MeterDesign(((100.0, 4.6e6),), lag=0.15, stall_flow=2.8e-7)
TABLE = MeterDesign(((50.0, 1.985e6), (100.0, 2.0e6), (200.0, 2.006e6), (400.0, 2.004e6)))


def test_edges_over_k_are_the_volume() -> None:
    meter = Meter(FLAT)
    volume = 0.0
    for k in range(5000):
        flow = 3e-5 if k < 2500 else 2e-5
        meter.advance(flow, 0.002, 2000 * k, 2000)
        volume += flow * 0.002
    behind = (meter.flow - 0.0) * FLAT.lag  # what the lagging rotor has not yet seen
    assert meter.edges == pytest.approx((volume - behind) * 4.6e6, abs=1.0)


def test_edges_of_a_steady_flow_are_equally_far_apart() -> None:
    """100 pulses a second: an edge every 10 000 ticks of 1 µs, exact to the tick."""
    meter = Meter(FLAT, flow=100.0 / 4.6e6)
    ticks = []
    for k in range(1000):
        before = meter.edges
        meter.advance(100.0 / 4.6e6, 0.002, 2000 * k, 2000)
        if meter.edges != before:
            ticks.append(meter.last_tick)
    gaps = {b - a for a, b in pairwise(ticks)}
    assert gaps <= {9_999, 10_000, 10_001}
    assert ticks[-1] - ticks[0] == pytest.approx(10_000 * (len(ticks) - 1), abs=1)


def test_several_edges_in_one_scan_leave_the_newest() -> None:
    meter = Meter(MeterDesign(((1e4, 1e9),)), flow=2e-6)
    meter.advance(2e-6, 0.002, 0, 2000)
    assert meter.edges == 4
    assert meter.last_tick in {1999, 2000}


def test_the_rotor_follows_with_its_lag() -> None:
    """63.21 % after one time constant (1 − exp(−t/τ), textbook)."""
    meter = Meter(FLAT)
    for k in range(75):
        meter.advance(1e-5, 0.002, 2000 * k, 2000)
    assert meter.flow == pytest.approx(0.6321e-5, rel=1e-4)


def test_below_its_stall_the_rotor_stands() -> None:
    meter = Meter(FLAT, flow=2e-7)
    for k in range(5000):
        meter.advance(2e-7, 0.002, 2000 * k, 2000)
    assert meter.edges == 0
    assert meter.last_tick == -1


@pytest.mark.parametrize(("hertz", "k"), [(75.0, 1.9925e6), (10.0, 1.985e6), (900.0, 2.004e6), (100.0, 2.0e6)])
def test_k_is_interpolated_and_held_at_its_ends(hertz: float, k: float) -> None:
    """75 Hz (linear interpolation; table invented for the test)."""
    assert TABLE.k_at(hertz) == pytest.approx(k, rel=1e-9)


def test_the_meter_follows_its_table() -> None:
    meter = Meter(TABLE, flow=75.0 / 1.9925e6)
    for k in range(500):
        meter.advance(75.0 / 1.9925e6, 0.002, 2000 * k, 2000)
    assert meter.hertz == pytest.approx(75.0, rel=1e-6)


def test_an_individual_meter_has_its_own_k() -> None:
    meter = Meter(FLAT, gain=1.01, flow=2e-5)
    for k in range(5000):
        meter.advance(2e-5, 0.002, 2000 * k, 2000)
    assert meter.edges == pytest.approx(2e-5 * 10 * 4.6e6 * 1.01, abs=1)
