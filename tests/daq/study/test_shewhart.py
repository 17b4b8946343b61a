"""Constants and limits of control charts; published tables are in tests/published/."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.study.shewhart import c4, chart, d2, d3, factors


@pytest.mark.parametrize("n", [2, 5, 25])
def test_constants_against_drawn_groups(n: int) -> None:
    groups = np.random.default_rng(n).standard_normal((200_000, n))
    ranges, deviations = np.ptp(groups, axis=1), groups.std(axis=1, ddof=1)
    assert ranges.mean() == pytest.approx(d2(n), rel=0.005)
    assert ranges.std() == pytest.approx(d3(n), rel=0.01)
    assert deviations.mean() == pytest.approx(c4(n), rel=0.005)


@pytest.mark.parametrize("n", [0, 1, 101])
def test_groups_that_have_no_constants(n: int) -> None:
    for constant in (c4, d2, d3, factors):
        with pytest.raises(ValueError, match="2 … 100"):
            constant(n)


def test_a_chart_of_single_values() -> None:
    """By hand: moving ranges 2, 2, 12, 12, 4, their mean 6.4; d2 for two is 1.128."""
    found = chart(np.array([10.0, 12.0, 10.0, 22.0, 10.0, 14.0]))
    assert (found.centre, found.spread) == (13.0, pytest.approx(6.4))
    assert found.high - found.centre == pytest.approx(3 * 6.4 / 1.12838, rel=1e-5)
    assert found.outside == found.unruly == ()


def test_a_jump_lies_outside() -> None:
    values = np.concatenate((np.tile([1.0, 1.2], 10), [3.0]))
    found = chart(values)
    assert found.outside == (20,)
    assert found.unruly == (19,)  # the step up to it


def test_a_chart_of_groups() -> None:
    """By hand: ranges 2 and 4, A2 for groups of 3 is 1.023; what fills no group is left out."""
    found = chart(np.array([1.0, 2.0, 3.0, 2.0, 4.0, 6.0, 99.0]), group=3)
    assert (found.centre, found.spread) == (3.0, 3.0)
    assert found.low == pytest.approx(3.0 - 1.0233 * 3.0, abs=1e-3)
    assert found.highest_spread == pytest.approx(2.5746 * 3.0, abs=1e-3)


@given(st.lists(st.floats(-1e3, 1e3), min_size=4, max_size=40), st.floats(-1e3, 1e3), st.integers(1, 2))
def test_a_chart_moves_with_its_values(values: list[float], shift: float, group: int) -> None:
    plain, moved = chart(np.array(values), group), chart(np.array(values) + shift, group)
    assert moved.low == pytest.approx(plain.low + shift, abs=1e-6)
    assert moved.high - moved.low == pytest.approx(plain.high - plain.low, abs=1e-6)


@pytest.mark.parametrize(("count", "group"), [(1, 1), (3, 2), (5, 0)])
def test_too_few_for_a_chart(count: int, group: int) -> None:
    with pytest.raises(ValueError, match="at least two groups"):
        chart(np.arange(float(count)), group)
