"""Noise for a lean bench: the same processes as `simulator.plant.noise`, drawn for many scans at once."""

from math import exp, sqrt

import numpy as np
from numpy.typing import NDArray

from simulator.plant.noise import Spikes, Wander

Floats = NDArray[np.float64]
ROWS = 2048
"""Scans drawn at once."""
PIECE = 64
"""A wander is worked out in pieces of so many scans, each by one product with a matrix."""


class Drift:
    """A wander as a first-order autoregressive series: `series` turns white noise into it and goes on from there."""

    def __init__(self, wander: Wander, sample_hz: float, start: float) -> None:
        keep = exp(-1.0 / (wander.time * sample_hz))
        age = np.subtract.outer(np.arange(PIECE), np.arange(PIECE))
        push = wander.share * sqrt(1.0 - keep * keep)
        self._weights = push * np.where(age >= 0, keep ** np.maximum(age, 0), 0.0).T
        self._fade = keep ** np.arange(1, PIECE + 1)
        self._state = wander.share * start

    def series(self, white: Floats) -> Floats:
        """The next `len(white)` values, a multiple of PIECE."""
        pieces = white.reshape(-1, PIECE) @ self._weights
        for k in range(len(pieces)):
            pieces[k] += self._fade * self._state
            self._state = float(pieces[k, -1])
        return pieces.reshape(-1)


class FastNoise:
    """Noise of a run: `take` gives white noise `[n, channels]`, and as shares of the reading the deviation of the first
    channel and that of the flow (`[n]` each). The same generator state gives the same noise."""

    def __init__(
        self,
        generator: np.random.Generator,
        channels: int,
        wanders: tuple[Wander, Wander],
        spikes: Spikes,
        sample_hz: float,
    ) -> None:
        self._generator, self._channels, self._spikes = generator, channels, spikes
        start = generator.standard_normal(2)
        self._drifts = [Drift(w, sample_hz, float(x)) for w, x in zip(wanders, start, strict=True)]
        self._rows = np.empty((0, channels + 2))
        self._at = 0

    def take(self, n: int) -> tuple[Floats, Floats, Floats]:
        """The noise of the next `n` scans."""
        while self._at + n > len(self._rows):
            self._rows = np.concatenate((self._rows[self._at :], self._draw()))
            self._at = 0
        rows = self._rows[self._at : self._at + n]
        self._at += n
        return rows[:, : self._channels], rows[:, self._channels], rows[:, self._channels + 1]

    def _draw(self) -> Floats:
        rows = self._generator.standard_normal((ROWS, self._channels + 2))
        for k, drift in enumerate(self._drifts):
            rows[:, self._channels + k] = drift.series(rows[:, self._channels + k])
        if self._spikes.rate > 0.0:
            rows[:, self._channels] += self._spiking()
        return rows

    def _spiking(self) -> Floats:
        spikes, draw = self._spikes, self._generator
        out = np.zeros(ROWS)
        hit = np.flatnonzero(draw.random(ROWS) < spikes.rate)
        out[hit] = draw.uniform(spikes.low, spikes.high, hit.size) * draw.choice((-1.0, 1.0), hit.size)
        return out
