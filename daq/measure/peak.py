"""Peak pressure at shutoff: the highest pressure that holds for 0.2 s, over one second of steady samples.

The functional is the maximum over t of the lowest 50 ms mean within [t, t + 0.2 s], and what is wanted is that of the
pressure without noise. On a steady signal noise makes it err, mostly downwards; that bias was found by simulation, is
taken off, and the functional's scatter is its doubt: `python -m tests.studies.peak`.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.measure.distributions import student_quantile
from daq.measure.peak_noise import cleaned, robust_spread
from daq.measure.tables import PEAK_TABLE

Floats = NDArray[np.float64]

LENGTH_S = 1.0
MEAN_S = 0.05
HOLD_S = 0.2

FAR = 4
"""Means so many times 50 ms apart count as independent when their scatter is looked for."""
LARGEST_SHARE = 6.0
"""A second cannot tell noise that is slower still from pressure that changes."""
INDEPENDENT = 12.0
"""Degrees of freedom that a second gives the scatter of its means, where their noise is white; found by simulation."""

WAVE = 0.02
"""Doubt per root mean square of a pulsation taken off: a 50 ms mean still holds up to √2/(π · 250 Hz · 0.05 s) of it,
from the slowest pump that is usual on (5 teeth at 3 000 /min; common practice, no source); rectangular from 0 on."""

_SHARE, _BIAS, _SPREAD = (np.array(column) for column in zip(*PEAK_TABLE, strict=True))
_SHARES = np.geomspace(_SHARE[0], LARGEST_SHARE, 200)


@dataclass(frozen=True, slots=True)
class Peak:
    """A peak pressure, in the samples' unit.

    `value` is corrected: the functional less `bias`. `bias_doubt` is its standard uncertainty from noise, widened for
    how little a second tells of that; `noise` the standard deviation of a 50 ms mean, `raw_maximum` the highest sample
    as it came, `spikes` the number of samples that were passed over as spikes, `pulsation` the root mean square of the
    waves that were taken off.
    """

    value: float
    raw_maximum: float
    bias: float
    bias_doubt: float
    noise: float
    spikes: int
    pulsation: float


def peak_of(samples: Floats, sample_hz: float) -> Peak:
    """The peak pressure in one second of steady samples at 40 Hz or more, in their unit.

    Raises ValueError for a window of another length (by more than 2 %) or with NaN in it.
    """
    _check(samples, sample_hz)
    clean = cleaned(samples, sample_hz)
    per_mean = round(MEAN_S * sample_hz)
    means = moving_means(clean.samples, per_mean)
    noise, share = noise_of(means, per_mean)
    bias, spread = (noise * float(np.interp(share, _SHARE, column)) for column in (_BIAS, _SPREAD))
    functional = _held(means, sample_hz)
    doubt = math.hypot(spread * _widening(share), WAVE * clean.pulsation)
    return Peak(functional - bias, float(samples.max()), bias, doubt, noise, clean.spikes, clean.pulsation)


def held_maximum(samples: Floats, sample_hz: float) -> float:
    """The functional as it is: max over t of the minimum over [t, t + 0.2 s] of the 50 ms mean."""
    return _held(moving_means(samples, round(MEAN_S * sample_hz)), sample_hz)


def moving_means(samples: Floats, per_mean: int) -> Floats:
    """The mean of every `per_mean` consecutive samples."""
    middle = samples[0]  # sums about a sample, so that long ones keep their digits
    sums = np.concatenate(([0.0], np.cumsum(samples - middle)))
    return np.asarray(middle + (sums[per_mean:] - sums[:-per_mean]) / per_mean)


def noise_of(means: Floats, per_mean: int) -> tuple[float, float]:
    """The standard deviation of the means of `per_mean` samples, and the share of 50 ms that one independent sample
    stands for.

    From differences between means, 50 ms and `FAR` × 50 ms apart, whatever the samples' noise is made of: white, slow,
    or both. A twentieth of a second apart they differ the less the slower the noise is.
    """
    near, far = (robust_spread(means[k:] - means[:-k]) ** 2 for k in (per_mean, FAR * per_mean))
    variance = max(near, far) / 2.0
    if variance == 0.0:
        return 0.0, float(_SHARES[0])
    alike = 1.0 - near / (2.0 * variance)
    share = float(np.interp(alike, resemblance(_SHARES), _SHARES))
    return math.sqrt(variance), max(share, 1.0 / per_mean)


def resemblance(share: Floats) -> Floats:
    """The correlation of two adjoining means, of noise whose correlation falls off exponentially with time τ: the share
    of a mean's length that one independent sample stands for is 2τ over that length."""
    a = 2.0 / share
    return np.asarray((1.0 - np.exp(-a)) ** 2 / (2.0 * (a - 1.0 + np.exp(-a))))


def _widening(share: float) -> float:
    """How much wider an interval of 95 % is for the few independent means in a second."""
    return student_quantile(0.975, INDEPENDENT / (1.0 + share)) / student_quantile(0.975, math.inf)


def _held(means: Floats, sample_hz: float) -> float:
    return float(_running_minimum(means, round(HOLD_S * sample_hz) + 1).max())


def _running_minimum(values: Floats, length: int) -> Floats:
    """The minimum of every `length` consecutive values, by doubling."""
    span = 1
    while 2 * span <= length:
        values = np.minimum(values[:-span], values[span:])
        span *= 2
    rest = length - span
    return np.minimum(values[:-rest], values[rest:]) if rest else values


def _check(samples: Floats, sample_hz: float) -> None:
    if sample_hz < 40.0:
        raise ValueError(f"a peak pressure needs samples at 40 Hz or more, got {sample_hz} Hz")
    expected = LENGTH_S * sample_hz
    if abs(samples.size - expected) > 0.02 * expected or not np.isfinite(samples).all():
        raise ValueError(f"a peak pressure needs {expected:.0f} finite samples, got {samples.size} or a NaN among them")
