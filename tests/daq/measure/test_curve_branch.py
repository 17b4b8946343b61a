"""One direction of the curve: bins, ends, gaps, and scatter that no kink inflates."""

import numpy as np
import pytest

from daq.measure.convert import Floats
from daq.measure.curve_branch import Branch, Known, Place, branch_of


def drawn(x: Floats, y: Floats, *ends: Known) -> Branch:
    branch = branch_of(x, y, np.column_stack([x, 2.0 * x]), ends, rising=False)
    assert branch is not None
    return branch


def at(branch: Branch, x: float) -> Place:
    place = branch.at(x)
    assert place is not None
    return place


def test_a_valve_at_rest_makes_one_bin() -> None:
    rest = 10.0 + 0.1 * np.sin(np.arange(40.0))
    branch = drawn(
        np.concatenate([rest, np.linspace(20.0, 100.0, 9)]), np.concatenate([100.0 - rest, np.linspace(80.0, 0.0, 9)])
    )
    assert branch.counts.tolist() == [40, *[1] * 9]
    assert at(branch, 55.0).value == pytest.approx(45.0)
    assert at(branch, 55.0).carried == pytest.approx([55.0, 110.0])


def test_the_order_of_points_does_not_matter() -> None:
    rng = np.random.default_rng(5)
    x = rng.uniform(0.0, 100.0, 60)
    y = 50.0 - 0.4 * x + rng.normal(size=60)
    shuffled = rng.permutation(60)
    assert at(drawn(x[shuffled], y[shuffled]), 42.0).value == at(drawn(x, y), 42.0).value


def test_scatter_is_that_of_single_points() -> None:
    """White noise with a standard deviation of 1; the median of its size is 0.6745 of that (normal distribution)."""
    rng = np.random.default_rng(6)
    found = []
    for _ in range(200):
        x = np.linspace(0.0, 100.0, 120)
        found.append(np.median(np.abs(at(drawn(x, 500.0 - 5.0 * x + rng.normal(size=120)), 50.0).scatter)))
    assert np.mean(found) / 0.6745 == pytest.approx(1.0, abs=0.1)


def test_no_point_scatters_by_more_than_the_nodes_about_differ() -> None:
    """Behind a pressure regulator: flat, but with a kink among the neighbours."""
    x = np.array([30.0, 37.0, 45.0, 53.0, 60.0, 66.0, 72.0])
    y = np.array([345.5, 345.1, 344.4, 342.6, 325.0, 290.0, 255.0])
    place = at(drawn(x, y), 40.0)
    assert place.most == pytest.approx(345.5 - 342.6)
    assert np.abs(place.scatter).max() > place.most


def test_nothing_is_told_beyond_the_points_nor_in_a_wide_gap() -> None:
    x = np.array([0.0, 5.0, 10.0, 15.0, 20.0, 80.0, 90.0, 100.0])
    branch = drawn(x, 100.0 - x)
    assert branch.at(-0.1) is None
    assert branch.at(100.1) is None
    assert branch.at(50.0) is None
    assert at(branch, 18.0).value == pytest.approx(82.0)


def test_a_known_end_replaces_the_bins_at_it() -> None:
    x = np.linspace(0.0, 100.0, 21)
    branch = drawn(x, 100.0 - x, Known(0.5, 99.0, 0.2))
    assert branch.cubic.x[0] == 0.5
    assert branch.at(0.2) is None
    assert at(branch, 0.5).value == pytest.approx(99.0)
    assert at(branch, 0.5).ends == pytest.approx(0.04)
    assert at(branch, 0.5).share == 0.0


def test_one_bin_is_no_curve() -> None:
    assert branch_of(np.array([1.0]), np.array([1.0]), np.zeros((1, 2)), (), rising=False) is None
    assert branch_of(np.array([1.0, 1.0]), np.array([1.0, 2.0]), np.zeros((2, 2)), (), rising=False) is None
