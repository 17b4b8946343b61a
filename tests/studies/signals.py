"""What a stand's channels show while nothing changes, step by step: percent of the limit, about 0.

Sizes are those found on real pump rigs: 0.2 % of noise on a pressure, 0.5 to 1.7 % on a pulsating one, spikes of 1 to
4 % on one sample or two, 0.5 to 5 of them in 1 000; a wander whose steps resemble each other by 0.2 to 0.6.
"""

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from tests.studies.common import autoregressive

Floats = NDArray[np.float64]
Signal = Callable[[np.random.Generator, int, float], Floats]
"""Gives `[runs, steps]` from a generator, the number of runs, and their seconds."""

HZ, PER_STEP = 500, 25
FLOW_STEP_S = 0.08
"""With blocks of 40 ms a flow step is two of them."""


def steps(samples: Floats) -> Floats:
    """Means of 50 ms."""
    return samples.reshape(samples.shape[0], -1, PER_STEP).mean(axis=2)


def _count(seconds: float) -> int:
    return round(seconds * HZ / PER_STEP) * PER_STEP


def wander(rng: np.random.Generator, runs: int, count: int, time: float, step: float = 1.0 / HZ) -> Floats:
    """A slow wander of standard deviation 1 and correlation `time` (s), every `step` seconds."""
    return autoregressive(rng, math.exp(-step / time), runs, count)


def quiet(rng: np.random.Generator, runs: int, seconds: float) -> Floats:
    """A good transmitter on a turbine pump: 0.2 % of white noise a sample, a wander of 0.045 % and 0.12 s."""
    n = _count(seconds)
    return steps(0.2 * rng.standard_normal((runs, n)) + 0.045 * wander(rng, runs, n, 0.12))


def pulsating(share: float) -> Signal:
    """A displacement pump, 5 to 9 teeth at 3 000 to 4 500 /min: a sine of `share` percent, folded into the scans."""

    def signal(rng: np.random.Generator, runs: int, seconds: float) -> Floats:
        hertz = rng.uniform(250.0, 675.0, (runs, 1))
        phase = rng.uniform(0.0, 2.0 * math.pi, (runs, 1))
        t = np.arange(_count(seconds)) / HZ
        sine = math.sqrt(2.0) * share * np.sin(2.0 * math.pi * hertz * t + phase)
        return quiet(rng, runs, seconds) + steps(sine)

    return signal


def beating(share: float, hertz: float) -> Signal:
    """The same where it meets a multiple of the scan rate but for `hertz`: scans show a slow wave that is not there."""

    def signal(rng: np.random.Generator, runs: int, seconds: float) -> Floats:
        phase = rng.uniform(0.0, 2.0 * math.pi, (runs, 1))
        t = np.arange(_count(seconds)) / HZ
        wave = math.sqrt(2.0) * share * np.sin(2.0 * math.pi * hertz * t + phase)
        return quiet(rng, runs, seconds) + steps(wave)

    return signal


def wandering(share: float, time: float) -> Signal:
    def signal(rng: np.random.Generator, runs: int, seconds: float) -> Floats:
        return quiet(rng, runs, seconds) + share * steps(wander(rng, runs, _count(seconds), time))

    return signal


def coarse(lsb: float) -> Signal:
    """A converter whose one count is `lsb` percent, under less noise than that."""

    def signal(rng: np.random.Generator, runs: int, seconds: float) -> Floats:
        samples = rng.uniform(-0.5, 0.5, (runs, 1)) * lsb + 0.05 * rng.standard_normal((runs, _count(seconds)))
        return steps(np.round(samples / lsb) * lsb)

    return signal


def repeated(seconds_each: float) -> Signal:
    """A sensor that is read only so often; in between its value stands."""

    def signal(rng: np.random.Generator, runs: int, seconds: float) -> Floats:
        each = round(seconds_each * HZ)
        values = 0.1 * rng.standard_normal((runs, _count(seconds) // each + 1))
        return steps(np.repeat(values, each, axis=1)[:, : _count(seconds)])

    return signal


def spiked(per_thousand: float, wide: int) -> Signal:
    """Spikes of 1 to 4 %, to either side, on `wide` samples each."""

    def signal(rng: np.random.Generator, runs: int, seconds: float) -> Floats:
        n = _count(seconds)
        samples = 0.2 * rng.standard_normal((runs, n)) + 0.045 * wander(rng, runs, n, 0.12)
        return steps(samples + spikes(rng, (runs, n), per_thousand, wide, (1.0, 4.0)))

    return signal


def spikes(
    rng: np.random.Generator, shape: tuple[int, int], per_thousand: float, wide: int, size: tuple[float, float]
) -> Floats:
    """Spikes of a size within `size`, to either side, on `wide` samples each."""
    sizes = rng.uniform(*size, shape) * rng.choice((-1.0, 1.0), shape)
    single = np.where(rng.random(shape) < per_thousand / 1e3, sizes, 0.0)
    return sum((np.roll(single, k, axis=1) for k in range(wide)), start=np.zeros(shape))


def metered(share: float = 0.15, time: float = 0.1, lag: float = 0.15) -> Signal:
    """A flow that wanders by `share` percent, as a meter with a `lag` (s) shows it: steps of 80 ms."""

    def signal(rng: np.random.Generator, runs: int, seconds: float) -> Floats:
        fine = 8
        step = FLOW_STEP_S / fine
        rest = 20 * fine  # for the meter to forget where it began
        flow = share * wander(rng, runs, rest + round(seconds / FLOW_STEP_S) * fine, time, step)
        keep = math.exp(-step / lag)
        for k in range(1, flow.shape[1]):
            flow[:, k] += keep * (flow[:, k - 1] - flow[:, k])
        return flow[:, rest:].reshape(runs, -1, fine).mean(axis=2)

    return signal
