"""Peak pressure at shutoff: the highest pressure that holds for 0.2 s, over one second of steady samples.

The functional is the maximum over t of the lowest 50 ms mean within [t, t + 0.2 s]. On a steady signal noise makes it
err, mostly downwards; that bias was found by simulation, is taken off, and the functional's scatter is its doubt.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.measure.tables import PEAK_TABLE

Floats = NDArray[np.float64]

LENGTH_S = 1.0
MEAN_S = 0.05
HOLD_S = 0.2
SPIKE = 5.0
"""A sample so many standard deviations of its neighbours' differences off them is a spike: it cannot be fluid pressure,
which no hose lets rise and fall within two samples (single samples 1 to 4 % off are common on pump stands)."""

_KEPT = 0.9
_KEPT_SQUARE = 0.6228
"""Mean square of the smallest 90 % of standard normal values: 1 − 2zφ(z)/0.9 with z = 1.645."""
_HIGHEST_PHI = 0.99
_SHARE, _BIAS, _SPREAD = (np.array(column) for column in zip(*PEAK_TABLE, strict=True))


@dataclass(frozen=True, slots=True)
class Peak:
    """A peak pressure, in the samples' unit.

    `value` is corrected: the functional less `bias`. `bias_doubt` is its standard uncertainty from noise, `noise` the
    samples' standard deviation, `raw_maximum` the highest sample as it came, `spikes` the number of samples that were
    passed over as spikes.
    """

    value: float
    raw_maximum: float
    bias: float
    bias_doubt: float
    noise: float
    spikes: int


def peak_of(samples: Floats, sample_hz: float) -> Peak:
    """The peak pressure in one second of steady samples at 40 Hz or more, in their unit.

    Raises ValueError for a window of another length (by more than 2 %) or with NaN in it.
    """
    _check(samples, sample_hz)
    clean, spikes = _without_spikes(samples)
    per_mean = round(MEAN_S * sample_hz)
    noise, phi = noise_of(clean, per_mean)
    bias, spread = _expected(phi, per_mean)
    functional = held_maximum(clean, sample_hz)
    return Peak(functional - noise * bias, float(samples.max()), noise * bias, noise * spread, noise, spikes)


def held_maximum(samples: Floats, sample_hz: float) -> float:
    """The functional as it is: max over t of the minimum over [t, t + 0.2 s] of the 50 ms mean."""
    per_mean, held = round(MEAN_S * sample_hz), round(HOLD_S * sample_hz) + 1
    middle = samples[0]  # sums about a sample, so that long ones keep their digits
    sums = np.concatenate(([0.0], np.cumsum(samples - middle)))
    means = (sums[per_mean:] - sums[:-per_mean]) / per_mean
    return float(middle + _running_minimum(means, held).max())


def noise_of(samples: Floats, lag: int) -> tuple[float, float]:
    """Standard deviation and lag-1 autocorrelation of the samples' noise.

    From differences, which a slow drift does not reach: of the squares of those between neighbours and over `lag`
    samples one expects 2σ²(1 − φ) and 2σ²(1 − φ^lag). The largest tenth is left out and made up for, so that spikes
    and jumps have no say.
    """
    far = _spread_of(samples[lag:] - samples[:-lag]) / math.sqrt(2.0)
    if far == 0.0:
        return 0.0, 0.0
    ratio = (_spread_of(np.diff(samples)) / math.sqrt(2.0) / far) ** 2
    phi = 0.0
    for _ in range(50):  # rises to the solution of (1 − φ)/(1 − φ^lag) = ratio
        phi = min(max(1.0 - ratio * (1.0 - phi**lag), 0.0), _HIGHEST_PHI)
    return far / math.sqrt(1.0 - phi**lag), phi


def deviation_of_mean(phi: float, n: int) -> float:
    """The standard deviation of the mean of `n` values with autocorrelation `phi` and standard deviation 1."""
    lags = np.arange(1, n)
    return math.sqrt((1.0 + 2.0 * float(np.sum((1.0 - lags / n) * phi**lags))) / n)


def _expected(phi: float, per_mean: int) -> tuple[float, float]:
    """Bias and standard deviation of the functional for noise of standard deviation 1.

    Whatever the sample rate, both follow from how many independent samples 50 ms are worth (checked by simulation from
    100 Hz to 2 kHz: within a sixth of the scatter).
    """
    share = (1.0 + phi) / (1.0 - phi) / per_mean
    unit = deviation_of_mean(phi, per_mean)
    return unit * float(np.interp(share, _SHARE, _BIAS)), unit * float(np.interp(share, _SHARE, _SPREAD))


def _without_spikes(samples: Floats) -> tuple[Floats, int]:
    """Samples that stick out of both neighbours replaced by the nearer neighbour, and how many they were."""
    middle = samples.copy()
    before, at, after = samples[:-2], samples[1:-1], samples[2:]
    middle[1:-1] = np.maximum(np.minimum(before, after), np.minimum(at, np.maximum(before, after)))
    spikes = np.abs(samples - middle) > SPIKE * _spread_of(np.diff(samples)) / math.sqrt(2.0)
    return np.where(spikes, middle, samples), int(np.count_nonzero(spikes))


def _spread_of(differences: Floats) -> float:
    """A robust standard deviation about zero, from the smallest nine tenths."""
    size = np.abs(differences)
    kept = max(int(_KEPT * size.size), 1)
    smallest = np.partition(size, kept - 1)[:kept]
    return math.sqrt(float(smallest @ smallest) / kept / _KEPT_SQUARE)


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
