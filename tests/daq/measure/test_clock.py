"""A device's ticks against the numbers of its scans."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.measure.clock import NAME, TickWatch
from drivers.block import Block
from tests.daq.measure.blocks import ROLES, identity

TOLERANCE = 0.002


def block(tick: float, index: int, n: int = 20, *, stated: bool = False) -> Block:
    values = np.zeros((n, len(ROLES)), dtype=np.float64 if stated else np.int16)
    return Block(1, round(tick), index, values, np.array([0]), np.array([-1]))


def watched(pace: float, seconds: float, hz: int, *, n: int = 20, jitter: float = 0.0, seed: int = 1) -> TickWatch:
    """A device whose ticks run at `pace` of what its scans say; `jitter` in scans."""
    watch, per_scan, draw = TickWatch(identity(sample_hz=hz), TOLERANCE), 1e6 / hz, np.random.default_rng(seed)
    for index in range(0, round(seconds * hz), n):
        watch.feed(block(1e9 + per_scan * (pace * index + jitter * draw.uniform(-1, 1)), index, n))
    return watch


@settings(deadline=None)
@given(st.sampled_from((50, 200, 500, 1000)), st.floats(0.0035, 0.5), st.sampled_from((-1, 1)), st.integers(1, 25))
def test_a_clock_that_is_off_is_found(hz: int, share: float, sign: int, n: int) -> None:
    """Within 20 s at any rate, direction and size of block."""
    found = watched(1.0 + sign * share, 20.0, hz, n=n).found
    assert found is not None
    assert (found.name, found.channels) == (NAME, ("flow",))


@settings(deadline=None)
@given(st.sampled_from((50, 333, 500, 1000)), st.floats(-0.0019, 0.0019), st.integers(1, 10_000))
def test_one_that_keeps_within_its_tolerance_is_not(hz: int, share: float, seed: int) -> None:
    assert watched(1.0 + share, 60.0, hz, jitter=0.2, seed=seed).found is None


@pytest.mark.parametrize("share", [1.0, 2.0, 0.5])
def test_scans_at_twice_or_half_the_rate(share: float) -> None:
    assert (watched(share, 5.0, 500).found is None) is (share == 1.0)


def test_a_stream_that_was_off_is_no_error() -> None:
    watch, index = TickWatch(identity(), TOLERANCE), 0
    for pause in (0.0, 3e6, 7.5e6):
        for _ in range(50):
            watch.feed(block(1e9 + pause + 2000 * index, index))
            index += 20
    assert watch.found is None


def test_scans_that_were_lost_count() -> None:
    watch = TickWatch(identity(), TOLERANCE)
    for index in (0, 20, 40, 5000, 5020):
        watch.feed(replace(block(2000 * index, index), missing=4940 if index == 5000 else 0))
    assert watch.found is None


def test_a_board_that_only_prints_has_no_rate_of_its_own() -> None:
    watch = TickWatch(identity(sample_hz=10), TOLERANCE)
    for index in range(0, 600, 10):
        watch.feed(block(1e5 * 1.03 * index, index, 10, stated=True))
    assert watch.found is None
