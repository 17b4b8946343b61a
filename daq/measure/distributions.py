"""Quantiles of the normal and of Student's t distribution, and the tail of Fisher's F, without scipy.

The distribution functions of Student's t and of F come from the regularised incomplete beta function, worked out as a
continued fraction (Abramowitz and Stegun, 26.5.8, 26.6.2 and 26.7.1); the quantile is an inverse by Newton's method.
"""

import math
from functools import lru_cache
from statistics import NormalDist

_NORMAL = NormalDist()
_TINY = 1e-300
_CONVERGED = 1e-15
_NEARLY_NORMAL = 1e6
"""From so many degrees of freedom on Student's t is got from the normal distribution (Abramowitz and Stegun, 26.7.8 and
26.7.5, first terms): closer than 1e-12, where the incomplete beta function loses its digits."""


def normal_cdf(z: float) -> float:
    """The probability that a standard normal variable lies below `z`; the lower tail keeps its relative accuracy."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def normal_quantile(p: float) -> float:
    """The standard normal variable's quantile at 0 < `p` < 1."""
    return _NORMAL.inv_cdf(_probability(p))


def student_cdf(t: float, dof: float) -> float:
    """The probability that Student's t with `dof` > 0 degrees of freedom (fractional or infinite) lies below `t`."""
    if math.isinf(_freedom(dof)):
        return normal_cdf(t)
    if math.isinf(t):
        return 1.0 if t > 0 else 0.0
    square = t * t
    if dof >= _NEARLY_NORMAL:
        return normal_cdf(t * (1.0 - 0.25 / dof) / math.sqrt(1.0 + 0.5 * square / dof))
    if square < dof:  # near the centre the tail is better got from its complement
        tail = 0.5 * (1.0 - _beta_share(square / (dof + square), 0.5, 0.5 * dof))
    else:
        tail = 0.5 * _beta_share(dof / (dof + square), 0.5 * dof, 0.5)
    return 1.0 - tail if t > 0 else tail


def student_density(t: float, dof: float) -> float:
    """The density of Student's t at `t`; `dof` is finite."""
    log_scale = math.lgamma(0.5 * (dof + 1.0)) - math.lgamma(0.5 * dof) - 0.5 * math.log(dof * math.pi)
    return math.exp(log_scale - 0.5 * (dof + 1.0) * math.log1p(t * t / dof))


@lru_cache(maxsize=4096)
def student_quantile(p: float, dof: float) -> float:
    """Student's t at 0 < `p` < 1 for `dof` ≥ 0.5 (fractional or infinite); relative error below 1e-8."""
    if math.isinf(_freedom(dof)):
        return normal_quantile(p)
    if _probability(p) > 0.5:
        return -student_quantile(1.0 - p, dof)
    if p == 0.5:
        return 0.0
    if dof >= _NEARLY_NORMAL:
        z = normal_quantile(p)
        return z + 0.25 * z * (z * z + 1.0) / dof
    low, high = _bracket(p, dof)
    t = 0.5 * (low + high)
    for _ in range(200):
        excess = student_cdf(t, dof) - p
        low, high = (low, t) if excess > 0 else (t, high)
        step = excess / student_density(t, dof)
        new = t - step if low < t - step < high else 0.5 * (low + high)
        if abs(new - t) <= 1e-13 * abs(new):
            return new
        t = new
    return t


def student_dof(p: float, factor: float) -> float:
    """The degrees of freedom, at least 1, at which Student's t has its quantile at 0.5 < `p` < 1 at `factor`; infinite
    where it is no larger than the normal one.

    By the secant method in 1/ν, from the first two terms of Cornish and Fisher's expansion on.
    """
    z = normal_quantile(p)
    if factor <= z * (1.0 + 1e-6):
        return math.inf
    linear, square = (z**3 + z) / 4.0, (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / 96.0
    before, off_before = 0.0, z - factor
    inverse = min((math.sqrt(linear**2 - 4.0 * square * off_before) - linear) / (2.0 * square), 1.0)
    for _ in range(20):
        off = student_quantile(p, 1.0 / inverse) - factor
        if abs(off) <= 1e-9 * factor or inverse == before:
            break
        step = off * (inverse - before) / (off - off_before)
        before, off_before, inverse = inverse, off, min(max(inverse - step, 1e-7), 1.0)
    return 1.0 / inverse


def fisher_above(f: float, above: float, below: float) -> float:
    """The probability that Fisher's F with `above` and `below` > 0 degrees of freedom exceeds `f` ≥ 0."""
    if math.isinf(f):
        return 0.0
    return _beta_share(_freedom(below) / (below + _freedom(above) * f), 0.5 * below, 0.5 * above)


def _bracket(p: float, dof: float) -> tuple[float, float]:
    """An interval below zero that holds the quantile at `p` < 0.5, found by doubling."""
    low, high = -1.0, 0.0
    while student_cdf(low, dof) > p:
        low, high = 2.0 * low, low
    return low, high


def _beta_share(x: float, a: float, b: float) -> float:
    """The regularised incomplete beta function I_x(a, b)."""
    if x <= 0.0:
        return 0.0
    if x >= 1.0:
        return 1.0
    front = math.exp(math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x))
    if x < (a + 1.0) / (a + b + 2.0):
        return front * _beta_fraction(x, a, b) / a
    return 1.0 - front * _beta_fraction(1.0 - x, b, a) / b


def _beta_fraction(x: float, a: float, b: float) -> float:
    """The continued fraction of the incomplete beta function, from the front (modified Lentz)."""
    c, d = 1.0, 1.0 / _apart(1.0 - (a + b) * x / (a + 1.0))
    value = d
    for m in range(1, 10_000):
        even = m * (b - m) * x / ((a + 2 * m - 1.0) * (a + 2 * m))
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1.0))
        for term in (even, odd):
            d = 1.0 / _apart(1.0 + term * d)
            c = _apart(1.0 + term / c)
            value *= c * d
        if abs(c * d - 1.0) < _CONVERGED:
            break
    return value


def _apart(x: float) -> float:
    """`x`, kept away from zero, so that the fraction never divides by it."""
    return x if abs(x) > _TINY else _TINY


def _probability(p: float) -> float:
    if not 0.0 < p < 1.0:
        raise ValueError(f"a quantile needs a probability between 0 and 1, got {p}")
    return p


def _freedom(dof: float) -> float:
    if not dof > 0.0:
        raise ValueError(f"degrees of freedom must be above 0, got {dof}")
    return dof
