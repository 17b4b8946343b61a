"""How often the 95 % interval of a window's mean holds the true mean. Run: python -m tests.studies.mean

First of a window alone, of which nothing was known beforehand, then of one after ten of its kind.
"""

import sys
from collections.abc import Iterator

import numpy as np

from daq.measure.distributions import student_quantile
from daq.measure.scatter import Differences, Known
from daq.measure.uncertainty import mean_of
from tests.studies.common import autoregressive, show

PHIS = (0.0, 0.3, 0.6, 0.9)
NOISE_UPON = (0.6, 0.8)
"""White noise as strong as the wander that it lies upon, which no first-order process describes."""
LENGTHS = (20, 25, 40, 60, 100, 200)
POOLED_LENGTHS = (12, 20, 40, 100)


def coverage(phi: float, length: int, count: int, seed: int = 11, white: float = 0.0) -> tuple[float, float]:
    """The share of intervals that hold the true mean, and the median half-width in standard deviations of the mean.

    A wander of `phi` with `white` noise upon it.
    """
    rng = np.random.default_rng(seed)
    windows = autoregressive(rng, phi, count, length)
    windows += white * rng.standard_normal(windows.shape)
    means = [mean_of(window) for window in windows]
    halves = np.array([m.standard * student_quantile(0.975, m.dof) for m in means])
    values = np.array([m.value for m in means])
    return float(np.mean(np.abs(values) <= halves)), float(np.median(halves) / values.std())


def pooled_coverage(
    phi: float, length: int, count: int, *, seed: int = 12, white: float = 0.0, windows: int = 10
) -> tuple[float, float, float]:
    """The share of intervals that hold the true mean where so many earlier `windows` are known, the root mean square of
    error over u, and the median k."""
    rng = np.random.default_rng(seed)
    held, errors, factors = 0, [], []
    for _ in range(count):
        series = autoregressive(rng, phi, windows + 1, length)
        series += white * rng.standard_normal(series.shape)
        seen = sum((Differences.of(w) for w in series[1:]), start=Differences())
        mean = mean_of(series[0], known=[Known(seen, float(seen.dof), windows)])
        half = mean.standard * student_quantile(0.975, mean.dof)
        held += abs(mean.value) <= half
        errors.append(mean.value / mean.standard)
        factors.append(half / mean.standard)
    return held / count, float(np.sqrt(np.mean(np.square(errors)))), float(np.median(factors))


def main() -> None:
    head = ("values", *(f"φ = {phi}" for phi in PHIS), *(f"φ = {phi} and noise" for phi in NOISE_UPON))
    show(head, ([str(n), *_cells(n)] for n in LENGTHS))
    sys.stdout.write("\n")
    show(head, ([str(n), *_pooled_cells(n)] for n in POOLED_LENGTHS))


def _kinds() -> Iterator[tuple[float, float]]:
    yield from ((phi, 0.0) for phi in PHIS)
    yield from ((phi, 1.0) for phi in NOISE_UPON)


def _pooled_cells(length: int) -> Iterator[str]:
    for phi, white in _kinds():
        held, error, factor = pooled_coverage(phi, length, 1_000, white=white)
        yield f"{100 * held:.1f} %, {error:.2f}, {factor:.2f}"


def _cells(length: int) -> Iterator[str]:
    for phi, white in _kinds():
        held, half = coverage(phi, length, 4_000, white=white)
        yield f"{100 * held:.1f} % (± {half:.2f})"


if __name__ == "__main__":
    main()
