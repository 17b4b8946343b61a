"""The distribution of a sum on a grid, against sums whose distribution is known."""

import math

import numpy as np
import pytest
from scipy import stats

from daq.measure.convolution import convolve

ROOT_3 = math.sqrt(3.0)


def below(at: float, normals=(), rectangles=(), students=()) -> float:  # type: ignore[no-untyped-def]
    offsets, probability = convolve(normals, rectangles, students)
    return float(np.interp(at, offsets, probability))


@pytest.mark.parametrize("z", [-3.0, -1.0, 0.0, 0.5, 1.96, 3.0])
def test_normal_errors_add_in_quadrature(z: float) -> None:
    assert below(5.0 * z, normals=(3.0, 4.0)) == pytest.approx(stats.norm.cdf(z), abs=2e-6)


@pytest.mark.parametrize("z", [-0.9, -0.3, 0.0, 0.5, 0.99])
def test_one_rectangle(z: float) -> None:
    assert below(2.0 * z, rectangles=(2.0 / ROOT_3,)) == pytest.approx(0.5 + 0.5 * z, abs=1e-6)


@pytest.mark.parametrize(("wide", "narrow"), [(1.0, 1.0), (3.0, 1.0)])
def test_two_rectangles_make_a_trapezium(wide: float, narrow: float) -> None:
    """Half-widths a ≥ b: the density is 1/(2a) up to a − b and falls in a straight line to a + b."""
    for at in np.linspace(0.0, wide + narrow, 9):
        over = max(at - (wide - narrow), 0.0)
        known = 0.5 + (min(at, wide - narrow) + over - over * over / (4.0 * narrow)) / (2.0 * wide)
        found = [below(side * at, rectangles=(wide / ROOT_3, narrow / ROOT_3)) for side in (1.0, -1.0)]
        assert found == pytest.approx([known, 1.0 - known], abs=5e-6)


@pytest.mark.parametrize("dof", [1.0, 2.0, 5.0, 30.0])
@pytest.mark.parametrize("t", [-4.0, -1.0, 0.0, 2.0, 3.5])
def test_a_lone_student_keeps_its_distribution(dof: float, t: float) -> None:
    assert below(0.3 * t, students=((0.3, dof),)) == pytest.approx(stats.t.cdf(t, dof), abs=1e-4)


def test_a_student_of_infinite_freedom_is_normal() -> None:
    assert below(5.0, normals=(3.0,), students=((4.0, math.inf),)) == pytest.approx(stats.norm.cdf(1.0), abs=2e-6)


def test_two_of_cauchy_make_one_of_the_sum_of_their_scales() -> None:
    """Student's t with one degree of freedom is Cauchy's, whose scales add (known property of stable laws)."""
    for at in (-6.0, -3.0, 0.0, 1.0, 3.0):
        assert below(at, students=((1.0, 1.0), (2.0, 1.0))) == pytest.approx(stats.cauchy.cdf(at / 3.0), abs=3e-3)


def test_nothing_wide_is_passed_over() -> None:
    alone = convolve((), (2.0,), ())
    beside = convolve((0.0,), (2.0, 0.0), ((0.0, 3.0),))
    assert [a.tolist() for a in alone] == [b.tolist() for b in beside]


@pytest.mark.parametrize("size", [1e-9, 1e6])
def test_the_unit_does_not_matter(size: float) -> None:
    plain = convolve((1.0,), (0.5,), ((0.7, 3.0),))
    scaled = convolve((size,), (0.5 * size,), ((0.7 * size, 3.0),))
    assert scaled[0] == pytest.approx(plain[0] * size, rel=1e-9)
    assert scaled[1] == pytest.approx(plain[1], abs=1e-9)


def test_offsets_rise_evenly_and_probabilities_reach_one() -> None:
    offsets, probability = convolve((1.0,), (0.5,), ((0.7, 3.0),))
    assert (offsets.size, probability.size) == (4096, 4096)
    assert np.diff(offsets) == pytest.approx(np.full(4095, offsets[1] - offsets[0]))
    assert (np.diff(probability) >= 0.0).all()
    assert probability[-1] == 1.0
    half = math.sqrt(4.0 + 3.0 * 0.25 + (0.7 * stats.t.ppf(0.975, 3.0)) ** 2)
    assert offsets[-1] == pytest.approx(8.0 * half, rel=1e-3)
