"""Two readings of one channel in one run: what both share does not come between them."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.measure.agreement import agreement
from daq.measure.reading import Reading
from daq.measure.uncertainty import Component, Shape, combine


def reading(value: float, *parts: Component) -> Reading:
    return Reading("flow", "free_flow", value, value, value, combine(parts), 20, 11.0, (0.0, 1.0))


def scatter(standard: float) -> Component:
    return Component("scatter", Shape.STUDENT, standard, dof=8.0)


def factor(value: float, share: float = 0.01) -> Component:
    """A calibration that errs by a share of the reading, k = 2."""
    return Component.normal("calibration", share * value, 2.0, common=True)


ZERO = Component.normal("zero", 0.5, common=True)


def test_a_shared_zero_does_not_count_and_scatter_counts_twice() -> None:
    found = agreement(reading(100.0, ZERO, scatter(0.3)), reading(100.4, ZERO, scatter(0.4)))
    assert found.difference == pytest.approx(0.4)
    assert found.combined.u == pytest.approx(0.5)
    assert found.agrees


def test_a_shared_factor_counts_by_how_far_the_readings_differ() -> None:
    found = agreement(reading(100.0, factor(100.0)), reading(90.0, factor(90.0)))
    assert found.combined.u == pytest.approx(0.05)
    assert not found.agrees


def test_what_is_not_shared_adds_up() -> None:
    own = Component.normal("reference", 0.3)
    assert agreement(reading(1.0, own), reading(1.0, own)).combined.u == pytest.approx(0.3 * math.sqrt(2))


@pytest.mark.parametrize("swapped", [False, True])
def test_a_shared_doubt_that_only_one_reading_has_stays(swapped: bool) -> None:
    pair = (reading(1.0, ZERO), reading(1.0))
    assert agreement(*(pair[::-1] if swapped else pair)).combined.u == pytest.approx(0.5)


def test_doubts_of_one_name_are_held_against_each_other_in_their_order() -> None:
    """A channel may call both its offset and its slope `calibration`: the offset drops out, the slope by 1 %."""
    offset = Component.normal("calibration", 0.5, common=True)
    first, second = reading(100.0, offset, factor(100.0)), reading(101.0, offset, factor(101.0))
    assert agreement(first, second).combined.u == pytest.approx(0.005)


def test_a_doubt_that_errs_the_other_way_counts_twice() -> None:
    up, down = (Component.normal("supply", 0.2, 1.0, s, common=True) for s in (3.0, -3.0))
    assert agreement(reading(1.0, up), reading(1.0, down)).combined.u == pytest.approx(1.2)


@given(
    st.floats(0.01, 2.0),
    st.floats(0.001, 1.0),
    st.lists(st.floats(0.5, 1.5), min_size=2, max_size=2),
    st.integers(0, 2**32 - 1),
)
def test_the_difference_scatters_as_it_says(shared: float, own: float, by: list[float], seed: int) -> None:
    """Against random draws of one shared error and two of their own."""
    rng = np.random.default_rng(seed)
    common, a, b = rng.standard_normal((3, 20_000))
    drawn = (by[1] * shared * common + own * b) - (by[0] * shared * common + own * a)
    first, second = (
        reading(5.0, Component.normal("shared", shared, 1.0, s, common=True), Component.normal("own", own)) for s in by
    )
    assert agreement(first, second).combined.u == pytest.approx(drawn.std(), rel=0.04)
