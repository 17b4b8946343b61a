"""A pulse counter window by window, worked out by hand: ticks are microseconds, the meter has 3600 pulses a litre."""

import math

import numpy as np
import pytest

from daq.measure.channels import FlowInput
from daq.stand.pulse_watch import PulseWatch
from daq.stand.seen import PulseSeen
from drivers.block import Block, PulseRole
from tests.daq.measure.blocks import identity

METER = FlowInput(((10.0, 3.6e6), (100.0, 3.6e6)), silence=1.0, stall_flow=5e-7)
LITRE_PER_HOUR = 1 / 3.6e6


def watch(role: int = PulseRole.FLOW) -> PulseWatch:
    return PulseWatch(0, role, identity())


def feed(pulses: PulseWatch, *moments: tuple[float, int, float]) -> None:
    """Blocks that end at a moment, with so many edges by then and the newest at a time, in seconds."""
    for end, edges, newest in moments:
        counted, last = np.array([edges]), np.array([round(newest * 1e6)])
        pulses.feed(Block(1, 0, 0, np.zeros((1, 5), np.int16), counted, last), end)


def test_frequency_and_flow_are_taken_between_edges() -> None:
    """Edges 4 to 24, from 0.125 s to 0.525 s: 20 in 0.4 s are 50 Hz, which at 3600 pulses a litre are 50 L/h."""
    pulses = watch()
    feed(pulses, (0.05, 2, 0.03), (0.15, 4, 0.125), (0.55, 24, 0.525))
    seen = pulses.seen(METER)
    assert (seen.edges, seen.new) == (24, 22)
    assert seen.hertz == pytest.approx(50.0)
    assert seen.quiet == pytest.approx(0.025)
    assert seen.flow is not None
    assert seen.flow.value == pytest.approx(50.0 * LITRE_PER_HOUR)


def test_the_next_window_goes_on_at_the_newest_edge() -> None:
    """From the edge at 0.525 s, which the first window saw, to 0.925 s: 10 edges in 0.4 s."""
    pulses = watch()
    feed(pulses, (0.05, 2, 0.03), (0.55, 24, 0.525))
    pulses.begin()
    feed(pulses, (0.95, 34, 0.925))
    seen = pulses.seen(METER)
    assert (seen.new, seen.hertz) == (10, pytest.approx(25.0))


def test_a_silence_before_the_window_is_no_interval() -> None:
    """No edge from 0.5 s to 2.0 s: the first one after it only begins to count."""
    pulses = watch()
    feed(pulses, (0.5, 10, 0.5), (1.9, 10, 0.5))
    pulses.begin()
    feed(pulses, (2.05, 11, 2.0))
    assert pulses.seen(METER).hertz is None
    feed(pulses, (2.25, 16, 2.2))
    assert pulses.seen(METER).hertz == pytest.approx(25.0)


@pytest.mark.parametrize(
    ("moments", "low", "high", "silent"),
    [
        # never an edge, or none for a second: below what the meter stalls at, 5e-7 m³/s
        ([(0.5, 0, 0.0), (1.0, 0, 0.0)], 0.0, 5e-7, True),
        ([(0.5, 7, 0.5), (1.6, 7, 0.5)], 0.0, 5e-7, True),
        # 5 Hz, below its table, which begins at 10 Hz, so at 10 L/h
        ([(0.1, 7, 0.1), (0.3, 8, 0.3), (0.9, 11, 0.9)], 0.0, 10.0 * LITRE_PER_HOUR, False),
        # 200 Hz, above its table
        ([(0.1, 7, 0.1), (0.2, 8, 0.2), (0.3, 28, 0.3)], 200.0 * LITRE_PER_HOUR, math.inf, False),
    ],
)
def test_what_is_known_of_a_flow_without_a_value(
    moments: list[tuple[float, int, float]], low: float, high: float, silent: bool
) -> None:
    pulses = watch()
    feed(pulses, *moments)
    flow = pulses.seen(METER).flow
    assert flow is not None
    assert math.isnan(flow.value)
    assert (flow.low, flow.high, flow.silent) == (pytest.approx(low), pytest.approx(high), silent)


def test_nothing_is_told_of_a_flow_too_early_or_of_what_is_no_flowmeter() -> None:
    early = watch()
    feed(early, (0.1, 7, 0.1))
    assert early.seen(METER) == PulseSeen(0, PulseRole.FLOW, 7, 0, None, pytest.approx(0.0), None)
    assert watch().seen(METER) == PulseSeen(0, PulseRole.FLOW, 0, 0, None, None, None)
    for role, meter in ((PulseRole.SECOND_FLOW, METER), (PulseRole.FLOW, None)):
        pulses = watch(role)
        feed(pulses, (0.05, 2, 0.03), (0.15, 4, 0.125), (0.55, 24, 0.525))
        assert pulses.seen(meter).hertz == pytest.approx(50.0)
        assert pulses.seen(meter).flow is None
