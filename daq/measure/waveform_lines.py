"""Which line of a motor current's spectrum is that of commutation.

A motor with equal segments repeats itself with every hump; one with a bad segment only with every turn or half turn,
and its spectrum is a ladder of that pattern's harmonics, of which low ones may be the highest. So first the pattern's
period is found by autocorrelation, of the lines alone; then the rung of the ladder that stands out from the rungs
beside it: there all humps add up, while one odd hump gives neighbouring rungs much the same.

What this cannot tell: a pulsation of the load as high as the ripple, a whole number of times a turn, looks like
commutation. `python -m tests.studies.waveform` shows how often each case is found, left undetermined, or mistaken.
"""

from dataclasses import dataclass
from math import gcd

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SLOWEST, FASTEST = 25.0, 250.0
"""Turns a second that a pump motor on a stand may make, 1 500 to 15 000 a minute; common practice, no source."""
LINE = 5.0
"""A line rises so many times above the floor; of 2 000 bins of noise one does with a chance of 1 in 10 000 or so."""
REPEATS = 0.9
"""The shortest lag whose autocorrelation reaches this share of the highest is the pattern's period."""
BESIDE = 0.1
"""No line off the ladder may be higher than this share of the commutation's."""
STANDS_OUT = 1.4
"""The commutation's rung is so many times as high as those beside it; humps of a regular wave fall off instead."""
FIRST_STANDS_OUT = 1.9
"""The lowest rung has only one beside it, and must be so many times as high: a sawtooth's is twice as high, a rectified
cosine's five times, that of a dip now and then less."""
FEWEST_PATTERNS = 8
"""A capture holds a pattern so often, or its rungs stand too close to tell what lies beside them."""
SHARE = 0.5
"""The commutation's rung has at least this share of the highest one at a speed that may be."""
GROUND = 0.05
"""A rung beside it counts as at least this share of the highest, so that no small line stands out of nothing."""
SMEAR = 0.012
"""Lines are taken this share of their frequency wide to either side, for a speed that moves during the capture."""
FINER = 4
"""Steps of a lag in a sample: the crests of a sharp wave's autocorrelation are narrower than one."""
MOST_EVENTS = 20
"""Humps a turn that are reckoned with where nobody knows the segments."""
IMPOSSIBLE = "no line stands out as that of commutation, at a speed that a pump may have"
_FLOOR_BINS = 61
_MEDIAN_OF_NOISE = 0.8326
"""Median over root mean square of a bin's amplitude in noise (Rayleigh): √ln 2."""


@dataclass(frozen=True, slots=True, eq=False)
class Spectrum:
    """Amplitudes by bin of `step` Hz, of a capture under a Hann window; `floor` is the noise's, bin by bin (root mean
    square)."""

    amplitudes: Floats
    floor: Floats
    step: float

    def rung(self, hz: float) -> float:
        """What stands above noise about a frequency, as an amplitude; 0 beyond the spectrum's end or below noise."""
        at, reach = hz / self.step, 2.0 + SMEAR * hz / self.step
        low, high = round(at - reach), round(at + reach) + 1
        if low < 1 or high > self.amplitudes.size:
            return 0.0
        inside, floor = self.amplitudes[low:high], self.floor[low:high]
        if not (inside > LINE * floor).any():
            return 0.0
        return float(np.sqrt(max(np.sum(inside**2 - floor**2), 0.0)))

    def least(self, hz: float) -> float:
        """The least amplitude that would count as a line at a frequency."""
        return LINE * float(self.floor[min(round(hz / self.step), self.floor.size - 1)])


@dataclass(frozen=True, slots=True)
class Ladder:
    """The commutation line, and of which rung it is: `rungs` × the pattern's frequency."""

    hz: float
    rungs: int


def spectrum_of(samples: Floats, hz: float) -> Spectrum:
    """The spectrum of samples without their trend."""
    window = np.hanning(samples.size)
    amplitudes = np.abs(np.fft.rfft(samples * window)) * 2.0 / window.sum()
    return Spectrum(amplitudes, _floor_of(amplitudes), hz / samples.size)


def _floor_of(amplitudes: Floats) -> Floats:
    """The running median, in which lines have no say while they fill less than half of it."""
    half = _FLOOR_BINS // 2
    padded = np.pad(amplitudes, half, mode="reflect")
    running = np.lib.stride_tricks.sliding_window_view(padded, _FLOOR_BINS)
    floor: Floats = np.median(running, axis=1) / _MEDIAN_OF_NOISE
    return np.maximum(floor, np.finfo(np.float64).tiny)


def commutation_line(samples: Floats, hz: float, events: int | None) -> Ladder | str:
    """The line of commutation in samples without their trend; `events` a turn, None where unknown.

    Where none is found, in words why.
    """
    spectrum = spectrum_of(samples, hz)
    if not (spectrum.amplitudes > LINE * spectrum.floor)[2:].any():
        return "no ripple stands out of the noise"
    period = pattern_period(samples, hz, events)
    if period is None:
        return "what stands out of the noise does not repeat itself as a turning motor would"
    step = _without_gaps(spectrum, _sharpened(spectrum, 1.0 / period))
    found = _stands_out(spectrum, step, events)
    if events is not None:
        found = _by_turns(spectrum, step, found, events)
        step = found.hz / events if isinstance(found, Ladder) else step
    if isinstance(found, Ladder) and _strongest_beside(spectrum, step) > BESIDE * spectrum.rung(found.hz):
        return "lines that do not go together stand out of the noise"
    return found


def _by_turns(spectrum: Spectrum, step: float, found: Ladder | str, events: int) -> Ladder | str:
    """The line found, if it stands out on the ladder of a whole turn too.

    Where humps differ a little, three of them, say, may pass for a pattern; then any of its rungs is tried.
    """
    if isinstance(found, str):
        found = _stands_out(spectrum, step, events, whole=False)
    if isinstance(found, Ladder):
        found = _stands_out(spectrum, found.hz / events, events)
    return IMPOSSIBLE if isinstance(found, Ladder) and found.rungs != events else found


def pattern_period(samples: Floats, hz: float, events: int | None) -> float | None:
    """The shortest time (s) after which the lines of the samples repeat themselves; None where they do not."""
    correlation, rate = _correlation(samples), hz * FINER
    first = max(int(rate / (FASTEST * (events or MOST_EVENTS))), 2)
    last = min(rate / SLOWEST, FINER * samples.size / FEWEST_PATTERNS)
    inside = correlation[first - 1 : int(last) + 2]
    if inside.size < 3:
        return None
    tops = np.flatnonzero((inside[1:-1] >= inside[:-2]) & (inside[1:-1] > inside[2:])) + first
    if not tops.size or correlation[tops].max() <= 0.0:
        return None
    top = int(tops[np.argmax(correlation[tops] >= REPEATS * correlation[tops].max())])
    before, at, after = (float(x) for x in correlation[top - 1 : top + 2])
    return (top + 0.5 * (before - after) / (before - 2.0 * at + after)) / rate


def _correlation(samples: Floats) -> Floats:
    """Autocorrelation by lag, in steps of 1/FINER of a sample up to half the capture, of what stands out of the noise,
    freed from the window's own."""
    size, window = 2 * samples.size, np.hanning(samples.size)
    amplitudes = np.abs(np.fft.rfft(samples * window, size))
    floor = np.repeat(_floor_of(amplitudes[::2]), 2)[: amplitudes.size]
    power = np.where(amplitudes > 0.5 * LINE * floor, amplitudes**2, 0.0)
    own = np.abs(np.fft.rfft(window, size)) ** 2
    half = FINER * samples.size // 2
    found, alone = (np.fft.irfft(x, FINER * size)[:half] for x in (power, own))
    return found / alone


def _sharpened(spectrum: Spectrum, hz: float) -> float:
    """The pattern's frequency by the highest of its first rungs, on the spectrum."""
    rungs = np.arange(1, min(24, int(0.5 * spectrum.amplitudes.size * spectrum.step / hz)) + 1)
    if not rungs.size:
        return hz
    highest = int(rungs[np.argmax([spectrum.rung(k * hz) for k in rungs])])
    at = round(highest * hz / spectrum.step)
    reach = max(2, round(SMEAR * at))
    low = max(at - reach, 1)
    part = spectrum.amplitudes[low : at + reach + 1] ** 2
    return float((np.arange(part.size) + low) @ part / part.sum()) * spectrum.step / highest


def _without_gaps(spectrum: Spectrum, hz: float) -> float:
    """The ladder of those rungs that are there: noise may make several periods look like one, and then only each third
    rung, say, carries a line."""
    end = 0.5 * spectrum.amplitudes.size * spectrum.step
    there = [k for k in range(1, int(end / hz) + 1) if spectrum.rung(k * hz) > 0.0]
    return hz * gcd(*there) if there else hz


def _strongest_beside(spectrum: Spectrum, step: float) -> float:
    """The highest amplitude that stands out of the noise on no rung of a ladder."""
    place = np.arange(spectrum.amplitudes.size) * spectrum.step
    off = np.abs(place - step * np.round(place / step))
    reach = np.minimum(2.0 * spectrum.step + SMEAR / 3.0 * place, 0.4 * step)
    beside = (off > reach) & (spectrum.amplitudes > LINE * spectrum.floor)
    beside[:2] = False
    return float(spectrum.amplitudes[beside].max(initial=0.0))


def _stands_out(spectrum: Spectrum, hz: float, events: int | None, *, whole: bool = True) -> Ladder | str:
    """The rung that stands out most and agrees with a possible speed, `whole`: and with a pattern that is a whole share
    of a turn.

    One that a higher one stands out from, seen in its own stride, is no commutation: a wave's harmonics fall off.
    Heights count times the root of their frequency, so that a wave's own harmonics, which fall off at least with the
    frequency, stay behind it, and so does the pattern of two humps where each second one is lower. Where noise could
    hide a rung half as high further up, the lower one proves nothing.
    """
    possible = [k for k in _possible(spectrum, hz, events) if not (whole and events) or events % k == 0]
    if not possible:
        return IMPOSSIBLE
    heights = np.array([0.0, *(spectrum.rung(k * hz) for k in range(1, 2 * possible[-1] + 1))])
    top = heights[possible[0] : possible[-1] + 1].max()
    found = [k for k in possible if heights[k] >= SHARE * top > 0.0 and _apart(heights, k, 1, GROUND * top)]
    found = [j for j in found if not any(k % j == 0 and _apart(heights, k, j, 0.0) for k in found if k > j)]
    if not found:
        return IMPOSSIBLE
    rung = max(found, key=lambda k: heights[k] * k**0.5)
    if events is None and any(k % rung and heights[k] > SHARE * heights[rung] for k in found):
        return "several lines stand out; only with the motor's segments known could one be told from another"
    hidden = [k for k in possible if k >= rung and spectrum.least(k * hz) > 0.5 * heights[rung]]
    return "the ripple stands out of the noise too little" if hidden else Ladder(rung * hz, rung)


def _apart(heights: Floats, rung: int, stride: int, ground: float) -> bool:
    """Whether a rung stands out from those `stride` below and above it."""
    beside = heights[[k for k in (rung - stride, rung + stride) if 0 < k < heights.size]]
    least = STANDS_OUT if rung > stride else FIRST_STANDS_OUT
    return bool(heights[rung] >= least * max(beside.max(initial=0.0), ground))


def _possible(spectrum: Spectrum, hz: float, events: int | None) -> list[int]:
    """Rungs that may be the commutation's by their speed."""
    low, high = (SLOWEST, FASTEST) if events else (5.0 * SLOWEST / MOST_EVENTS, FASTEST)
    turn = events or MOST_EVENTS
    end = min(high * turn, 0.45 * spectrum.amplitudes.size * spectrum.step)
    rungs = range(1, (events or 2 * MOST_EVENTS) + 1)
    return [k for k in rungs if low * turn <= k * hz <= end]
