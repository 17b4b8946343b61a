"""Capability: how far a part's units stay inside its limits, in terms of their own spread."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.measure.distributions import normal_cdf, normal_quantile

_UPPER = normal_quantile(0.975)


@dataclass(frozen=True, slots=True)
class Capability:
    """Of `n` values: `mean`, standard deviation `s`, and what lies between the mean and the limits.

    `cp` (both limits only) is the band over 6 s, `cpk` the distance from the mean to the nearer limit over 3 s (ISO
    22514-2, definition from memory), `low` … `high` its approximate 95 % confidence interval (Bissell 1990, from
    memory). `beyond` is the share of a normal population with this mean and s outside of the limits.
    """

    n: int
    mean: float
    s: float
    cp: float | None
    cpk: float
    low: float
    high: float
    beyond: float


def capability(
    values: NDArray[np.float64], at_least: float | None = None, at_most: float | None = None
) -> Capability | None:
    """The capability of values that are independent and normal; None where they do not scatter at all.

    Raises:
        ValueError: fewer than two values, or no limit.
    """
    if values.size < 2:
        raise ValueError(f"a capability needs at least two values, got {values.size}")
    mean, s = float(values.mean()), deviation(values)
    return None if s == 0.0 else capability_of(int(values.size), mean, s, at_least, at_most)


def deviation(values: NDArray[np.float64]) -> float:
    """The standard deviation of at least two values; equal ones have none, whatever rounding makes of their mean."""
    return float(values.std(ddof=1)) if np.ptp(values) > 0.0 else 0.0


def capability_of(n: int, mean: float, s: float, at_least: float | None, at_most: float | None) -> Capability:
    """The same from n, mean and s > 0.

    Raises:
        ValueError: no limit.
    """
    below = math.inf if at_least is None else (mean - at_least) / (3.0 * s)
    above = math.inf if at_most is None else (at_most - mean) / (3.0 * s)
    cpk = min(below, above)
    if math.isinf(cpk):
        raise ValueError("a capability needs a limit")
    doubt = _UPPER * math.sqrt(1.0 / (9.0 * n) + cpk * cpk / (2.0 * (n - 1)))
    cp = None if at_least is None or at_most is None else (at_most - at_least) / (6.0 * s)
    beyond = normal_cdf(-3.0 * below) + normal_cdf(-3.0 * above)
    return Capability(n, mean, s, cp, cpk, cpk - doubt, cpk + doubt, beyond)
