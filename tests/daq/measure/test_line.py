"""The sliding line against a line laid anew through the same points."""

import numpy as np
import pytest

from daq.measure.line import SlidingLine


def points(count: int, seed: int = 1) -> list[tuple[float, float]]:
    """A noisy walk at uneven times, far from zero."""
    rng = np.random.default_rng(seed)
    times = np.cumsum(rng.uniform(0.02, 0.4, count))
    return list(zip(times.tolist(), (4e5 + np.cumsum(rng.standard_normal(count))).tolist(), strict=True))


def anew(window: list[tuple[float, float]]) -> tuple[float, float, float, float, float]:
    t, x = (np.array(column) for column in zip(*window, strict=True))
    t, x = t - t.mean(), x - x.mean()
    slope = float(t @ x / (t @ t))
    e = x - slope * t
    return slope, float(t @ t), float(e @ e), float(e[1:] @ e[:-1] / (e @ e)), float(e[0])


@pytest.mark.parametrize("length", [3, 10, 60])
def test_every_window_has_the_fit_that_its_points_have(length: int) -> None:
    line, all_points = SlidingLine(), points(1_500)
    for k, (t, x) in enumerate(all_points):
        line.push(t, x)
        if len(line) > length:
            line.drop()
        if len(line) == length and k % 37 == 0:
            fit = line.fit()
            expected = anew(all_points[k + 1 - length : k + 1])
            assert fit.n == length
            assert (fit.slope, fit.spread, fit.residuals, fit.lag1) == pytest.approx(expected[:4], rel=1e-4)
            assert fit.first == pytest.approx(expected[4], abs=1e-4)


def test_a_line_may_begin_at_any_point_that_is_kept() -> None:
    line, all_points = SlidingLine(), points(1_500)
    for k, (t, x) in enumerate(all_points):
        line.push(t, x)
        if len(line) > 60:
            line.drop()
        if k % 97 == 0 and k > 60:
            first = k - 19
            fit, expected = line.fit(first), anew(all_points[first : k + 1])
            assert fit.n == 20
            assert (fit.slope, fit.spread, fit.residuals, fit.lag1) == pytest.approx(expected[:4], rel=1e-4)
            assert line.slope(first) == pytest.approx(fit.slope, rel=1e-9)
            assert line.span_from(first) == pytest.approx(t - all_points[first][0])


def test_a_line_without_noise_has_no_residuals() -> None:
    line = SlidingLine()
    for k in range(40):
        line.push(0.05 * k, 3e5 + 70.0 * k)
    fit = line.fit()
    assert fit.slope == pytest.approx(1400.0)
    assert (fit.residuals, fit.lag1, fit.first) == (0.0, 0.0, 0.0)


def test_spans_and_newest_values() -> None:
    line = SlidingLine()
    for t, x in ((1.0, 5.0), (1.5, 6.0), (2.5, 4.0)):
        line.push(t, x)
    assert (len(line), line.span, line.span_from(1)) == (3, 1.5, 1.0)
    assert (line.newest(2), line.newest(9)) == ([6.0, 4.0], [5.0, 6.0, 4.0])
    line.drop()
    assert (line.span, line.oldest, len(line)) == (1.0, 1, 2)
    line.clear()
    assert (len(line), line.oldest) == (0, 0)
