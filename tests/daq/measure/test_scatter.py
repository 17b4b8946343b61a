"""Scatter of a mean: every kind of noise weighed, against matrices written out and another library's mixture; and what
was known before, pooled."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from daq.measure.distributions import student_quantile
from daq.measure.scatter import WHITE, Differences, Known, Noise, scatter_of, variance_of
from tests.studies.common import autoregressive, deviation_of_mean
from tests.studies.mean import pooled_coverage

EDGES = Noise(edges=3.0, least=0.4)


def haar(n: int) -> list[np.ndarray]:
    """Rows that take the differences of means of 1, 2, 4 … of `n` values, by level; of an odd number the last count."""
    rows, groups = [], np.eye(n)
    while len(groups) >= 2:
        even = groups[len(groups) % 2 :]
        rows.append(even[1::2] - even[::2])
        groups = 0.5 * (even[1::2] + even[::2])
    return rows


def correlations(n: int, noise: Noise) -> list[tuple[float, np.ndarray]]:
    """Each kind of noise: what it counts beforehand, and the correlation matrix of `n` values."""
    lags = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    slow = [0.3, 0.5, 0.65, 0.8, 0.9, 0.95, 0.99]
    if noise.least:
        slow = [noise.least + (1 - noise.least) * s for s in (0.0, *slow)]
    if noise.edges is not None:
        fast = np.eye(n) - 0.5 * (lags == 1)
        return [
            (math.sqrt(1 - phi) * math.exp(-((ratio - noise.edges) ** 2) / 12.5), mixed(fast, phi**lags, ratio))
            for phi in slow
            for ratio in (-4.0, -2.0, 0.0, 2.0, 4.0, 6.0, 8.0)
        ]
    fast = np.eye(n)
    kinds = [(math.sqrt(1 - phi), share * fast + (1 - share) * phi**lags) for phi in slow for share in SHARES]
    whole = sum(weight for weight, _ in kinds)
    return [(0.4, fast), *((0.6 * weight / whole, matrix) for weight, matrix in kinds)]


def mixed(fast: np.ndarray, wander: np.ndarray, ratio: float) -> np.ndarray:
    """Correlations of both, where the logarithm of their variances' ratio is this."""
    share = math.exp(ratio) / (1 + math.exp(ratio))
    return np.asarray(share * fast + (1 - share) * wander)


SHARES = (0.0, 0.35, 0.6, 0.8, 0.9)


def written_out(values: np.ndarray, known: np.ndarray | None, weight: float, noise: Noise) -> tuple[float, float]:
    """u and the 95 % half-width with correlation matrices and scipy's t and root finder. `known` are the values of an
    earlier window, which counts for the variance with `weight` of its differences."""
    n, logs, variances = len(values), [], []
    windows = [(values, 1.0), *(((known, weight),) if known is not None else ())]
    for before, r in correlations(2 * n, noise):
        log, squares, dof = math.log(before), 0.0, 0.0
        for window, counts in windows:
            of_window = 0.0
            rows = haar(len(window))
            for d in rows:
                m = len(window)
                expected = float((d @ r[:m, :m] @ d.T)[0, 0])
                log -= 0.5 * len(d) * math.log(expected)
                of_window += float(((d @ window) ** 2).sum()) / expected
            number = sum(len(d) for d in rows)
            log -= 0.5 * number * (1.0 - counts) * math.log(of_window)
            squares, dof = squares + counts * of_window, dof + counts * number
        logs.append(log - 0.5 * dof * math.log(squares))
        one = np.ones(n) / n
        variances.append(squares / dof * float(one @ r[:n, :n] @ one))
    weights = np.exp(np.array(logs) - max(logs))
    weights /= weights.sum()
    scales = np.sqrt(variances)
    missing = lambda half: weights @ stats.t.cdf(half / scales, dof) - 0.975  # noqa: E731
    half = optimize.brentq(missing, 0.0, 100.0 * max(scales), xtol=1e-14)
    u = math.sqrt(float(weights @ np.array(variances)))
    # a mixture may have a half-width below 1.96 u, and no Student's t has
    return u, max(float(half), 1.959964 * u)


@pytest.mark.parametrize("noise", [WHITE, EDGES], ids=["white", "edges"])
@pytest.mark.parametrize(("phi", "n"), [(0.0, 20), (0.5, 20), (0.9, 13), (0.6, 40), (0.3, 6)])
@pytest.mark.parametrize("weight", [0.5, 1.0])
def test_the_mixture_written_out(phi: float, n: int, weight: float, noise: Noise) -> None:
    rng = np.random.default_rng(n)
    values, earlier = 4.0 + autoregressive(rng, phi, 1, n)[0], autoregressive(rng, phi, 1, n)[0]
    seen = Differences.of(earlier)
    known = [Known(seen, weight * seen.dof)]
    found = scatter_of(values, known, noise)
    assert found.pooled == tuple(known)
    u, half = written_out(values, earlier, weight, noise)
    assert found.standard == pytest.approx(u, rel=1e-9)
    # the table of t is made for a whole number of degrees of freedom
    assert found.half == pytest.approx(half, rel=1e-5 if weight == 1.0 else 0.01)


@pytest.mark.parametrize("noise", [WHITE, EDGES], ids=["white", "edges"])
def test_alone_the_mixture_is_kept_where_it_is_wider(noise: Noise) -> None:
    values = autoregressive(np.random.default_rng(4), 0.6, 1, 40)[0]
    u, half = written_out(values, None, 0.0, noise)
    assert (scatter_of(values, noise=noise).standard, scatter_of(values, noise=noise).half) == (
        pytest.approx(u, rel=1e-9),
        pytest.approx(half, rel=1e-5),
    )


def test_values_known_to_be_independent_have_the_textbook_error() -> None:
    values = np.random.default_rng(2).normal(3.0, 0.5, 12)
    found = scatter_of(values, independent=True)
    assert found.standard == pytest.approx(values.std(ddof=1) / math.sqrt(12), rel=1e-6)
    assert (found.dof, found.longer) == (pytest.approx(11), pytest.approx(1))


@pytest.mark.parametrize(("phi", "white"), [(0.0, 0.0), (0.6, 0.0), (0.9, 0.0), (0.6, 1.0), (0.8, 1.0)])
@pytest.mark.parametrize("length", [20, 60])
def test_pooled_windows_know_their_mean_as_well_as_they_say(phi: float, white: float, length: int) -> None:
    """Ten earlier windows of the same noise: intervals hold, errors are as large as u, and k is near the normal one."""
    held, error, factor = pooled_coverage(phi, length, 400, white=white, windows=10)
    assert 0.91 <= held <= 0.985
    assert 0.8 <= error <= 1.2
    assert factor <= 2.15


def test_a_louder_window_counts_alone() -> None:
    """What was seen before is no excuse: where today's scatter is significantly larger, it is today's that counts."""
    rng = np.random.default_rng(6)
    quiet = Differences()
    for window in autoregressive(rng, 0.2, 10, 20):
        quiet += Differences.of(window)
    known = [Known(quiet, float(quiet.dof), runs=10)]
    today = autoregressive(rng, 0.2, 1, 20)[0]
    assert scatter_of(today, known).pooled
    loud = scatter_of(4.0 * today, known)
    assert not loud.pooled
    assert loud == scatter_of(4.0 * today)


def test_a_quieter_window_is_not_taken_at_its_word() -> None:
    rng = np.random.default_rng(7)
    seen = sum((Differences.of(w) for w in autoregressive(rng, 0.2, 10, 20)), start=Differences())
    today = 0.1 * autoregressive(rng, 0.2, 1, 20)[0]
    alone, pooled = scatter_of(today), scatter_of(today, [Known(seen, float(seen.dof))])
    assert pooled.standard > 2.0 * alone.standard


def test_edges_out_of_place_cost_the_mean_little() -> None:
    """An edge that is late makes one stretch longer and the next one shorter: over n stretches the mean flow errs by
    √2·σ/n only, where independent ones would err by σ·√2/√n."""
    rng = np.random.default_rng(8)
    places = 0.03 * rng.standard_normal((11, 41))
    rates = 1.0 + np.diff(places, axis=1)
    seen = sum((Differences.of(r) for r in rates[1:]), start=Differences())
    found = scatter_of(rates[0], [Known(seen, float(seen.dof))], EDGES)
    assert found.standard < 2.5 * math.sqrt(2) * 0.03 / 40
    assert found.standard > 0.7 * math.sqrt(2) * 0.03 / 40


def test_differences_add_up_and_tell_the_variance() -> None:
    rng = np.random.default_rng(9)
    first, second = (Differences.of(w) for w in autoregressive(rng, 0.6, 2, 400))
    both = first + second
    assert both.dof == first.dof + second.dof
    assert both.squares == tuple(a + b for a, b in zip(first.squares, second.squares, strict=True))
    assert variance_of(both) == pytest.approx(1.0, rel=0.25)
    assert first + Differences() == first


def test_a_pooled_mean_is_as_good_as_its_noise_lets_it_be() -> None:
    rng = np.random.default_rng(10)
    windows = autoregressive(rng, 0.6, 40, 40)
    seen = sum((Differences.of(w) for w in windows[1:]), start=Differences())
    found = scatter_of(windows[0], [Known(seen, float(seen.dof))])
    assert found.standard == pytest.approx(deviation_of_mean(0.6, 40), rel=0.15)
    assert found.longer == pytest.approx(40 * deviation_of_mean(0.6, 40) ** 2, rel=0.25)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=130), st.floats(-1e4, 1e4), st.floats(0.01, 100.0))
def test_neither_zero_nor_unit_matters_and_nothing_beats_independence(
    drawn: list[float], shift: float, factor: float
) -> None:
    values = np.array(drawn)
    if values.std() < 1e-3:
        return
    found, moved = scatter_of(values), scatter_of(factor * values + shift)
    assert moved.standard == pytest.approx(factor * found.standard, rel=1e-4)
    assert moved.dof == pytest.approx(found.dof, rel=1e-4)
    independent = values.std(ddof=1) / math.sqrt(values.size) * student_quantile(0.975, values.size - 1)
    assert found.half >= (1 - 1e-6) * independent
    assert found.dof >= 1.0
    assert math.isfinite(found.standard)


def test_swinging_to_and_fro_makes_no_mean_certain() -> None:
    values = np.tile([1.0, 3.0], 60)
    assert scatter_of(values).half >= (1 - 1e-9) * scatter_of(values, independent=True).half


def test_equal_values_have_no_scatter() -> None:
    assert (scatter_of(np.full(30, 7.0)).standard, scatter_of(np.full(30, 7.0)).dof) == (0.0, math.inf)


def test_longer_windows_are_judged_by_longer_means() -> None:
    """White noise upon a slow wander: neighbours hardly resemble each other, their means over longer times do."""
    rng = np.random.default_rng(4)
    wander = autoregressive(rng, 0.9, 1, 600)[0]
    values = wander + 2.0 * rng.standard_normal(600)
    neighbours = np.corrcoef(values[1:], values[:-1])[0, 1]
    by_neighbours = values.std() * math.sqrt((1 + neighbours) / (1 - neighbours) / 600)
    truly = math.sqrt((19.0 + 4.0) / 600)
    assert by_neighbours < 0.7 * truly
    assert truly < scatter_of(values).standard < 1.5 * truly
