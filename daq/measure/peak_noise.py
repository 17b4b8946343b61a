"""What fluid pressure cannot be, taken off a second of pressure samples: spikes, and the pump's pulsation.

A pump pulsates some hundred times a second. A mean over 50 ms holds next to nothing of it; but scans are about as slow
as the pulsation, which folds it down to anything between nothing and half their rate, where means no longer help. In
the spectrum it is a line, so it can be told from noise and taken away. Folded below `LOWEST_HZ` it looks like pressure
that really changes, and stays: there the scatter of the means shows it, and the doubt grows with it.
"""

import math
from typing import NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SPIKE = 6.0
"""A sample so many standard deviations off the median of the five about it is a spike: it cannot be fluid pressure,
which no hose lets rise and fall within three samples (1 to 4 % on one sample or two are common on pump stands)."""
LOWEST_HZ = 12.0
"""Slower waves are left alone: a rise that is held for 0.2 s is one of a few hertz."""
LINE = 20.0
"""A line stands out of the median of the spectrum about it by so much. In a spectrum of noise alone 1 of 1 000 windows
has such a line (its powers are distributed exponentially, and there are some hundred of them)."""
MOST_LINES = 4

_KEPT = 0.9
_KEPT_SQUARE = 0.6228
"""Mean square of the smallest 90 % of standard normal values: 1 − 2zφ(z)/0.9 with z = 1.645."""
_LOBE = 3
"""Bins to either side that a line fills under a Hann window."""
_AROUND = 10
"""Bins to either side that tell what stands about a line, at least; a third of its own place where that is more."""


class Clean(NamedTuple):
    """Samples without spikes and lines; how many of them were spikes, and the root mean square of the lines."""

    samples: Floats
    spikes: int
    pulsation: float


def cleaned(samples: Floats, sample_hz: float) -> Clean:
    """A second of pressure without what fluid pressure cannot be."""
    # Lines show without spikes, spikes without lines.
    plain, _ = without_spikes(samples)
    wave = plain - without_pulsation(plain, sample_hz)
    clean, spikes = without_spikes(samples - wave)
    return Clean(clean, spikes, math.sqrt(float(np.mean(wave**2))))


def without_spikes(samples: Floats) -> tuple[Floats, int]:
    """Samples that stick out of the four about them replaced by the median of the five, and how many they were."""
    # The two at either end have the next four to one side.
    wider = np.concatenate((samples[4:2:-1], samples, samples[-4:-6:-1]))
    middle = np.median(sliding_window_view(wider, 5), axis=1)
    off = samples - middle
    spikes = np.abs(off) > SPIKE * robust_spread(off)
    return np.asarray(np.where(spikes, middle, samples)), int(np.count_nonzero(spikes))


def without_pulsation(samples: Floats, sample_hz: float) -> Floats:
    """The samples without the strongest lines of their spectrum."""
    n = samples.size
    t = np.arange(n) / n - 0.5
    line = samples.mean() + (t @ samples) / (t @ t) * t
    rest = samples - line
    for _ in range(MOST_LINES):
        place = _strongest(np.abs(np.fft.rfft(rest * np.hanning(n))) ** 2, math.ceil(LOWEST_HZ * n / sample_hz))
        if place is None:
            break
        rest = rest - _wave(rest, t, place)
    return np.asarray(line + rest)


def robust_spread(values: Floats) -> float:
    """A robust standard deviation about zero, from the smallest nine tenths."""
    size = np.abs(values)
    kept = max(int(_KEPT * size.size), 1)
    smallest = np.partition(size, kept - 1)[:kept]
    return math.sqrt(float(smallest @ smallest) / kept / _KEPT_SQUARE)


def _strongest(power: Floats, lowest: int) -> float | None:
    """The place in bins of the strongest line from bin `lowest` on; None where it does not stand out."""
    if lowest + 1 >= power.size - 1:
        return None
    k = lowest + int(np.argmax(power[lowest:-1]))
    wide = max(_AROUND, k // 3)
    around = np.concatenate((power[max(k - _LOBE - wide, 1) : max(k - _LOBE, 1)], power[k + _LOBE + 1 :][:wide]))
    if not around.size or power[k] <= LINE * float(np.median(around)):
        return None
    # The top of a parabola through the logarithms of the three powers about it.
    low, top, high = np.log(np.maximum(power[k - 1 : k + 2], 1e-300)).tolist()
    bend = low - 2.0 * top + high
    return k + (0.5 * (low - high) / bend if bend < 0.0 else 0.0)


def _wave(rest: Floats, t: Floats, place: float) -> Floats:
    """The wave with so many periods in the window that fits best; its amplitude and phase may change slowly, as speed
    does."""
    angle = 2.0 * math.pi * place * t
    shapes = np.stack([wave * t**power for wave in (np.cos(angle), np.sin(angle)) for power in range(3)], axis=1)
    # Sums without threads, so that equal samples give equal digits on any machine of a kind.
    squares, products = np.einsum("ni,nj->ij", shapes, shapes), np.einsum("ni,n->i", shapes, rest)
    return np.asarray(np.einsum("ni,i->n", shapes, np.linalg.solve(squares, products)))
