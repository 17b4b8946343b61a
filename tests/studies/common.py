"""What the studies share: random series with a known autocorrelation, and tables in Markdown."""

import math
import sys
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray


def autoregressive(rng: np.random.Generator, phi: float, count: int, length: int) -> NDArray[np.float64]:
    """`[count, length]`: stationary first-order autoregressive series of mean 0 and standard deviation 1."""
    series = rng.standard_normal((length, count))
    innovation = math.sqrt(1.0 - phi * phi)
    for k in range(1, length):
        series[k] = phi * series[k - 1] + innovation * series[k]
    return np.ascontiguousarray(series.T)


def deviation_of_mean(phi: float, n: int) -> float:
    """The standard deviation of the mean of `n` values with autocorrelation `phi` and standard deviation 1."""
    lags = np.arange(1, n)
    return math.sqrt((1.0 + 2.0 * float(np.sum((1.0 - lags / n) * phi**lags))) / n)


def show(head: Iterable[str], rows: Iterable[Iterable[str]]) -> None:
    """Writes a table, row by row as they come."""
    titles = list(head)
    sys.stdout.write(f"| {' | '.join(titles)} |\n{'|---' * len(titles)}|\n")
    for row in rows:
        sys.stdout.write(f"| {' | '.join(row)} |\n")
        sys.stdout.flush()
