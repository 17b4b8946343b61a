"""Noise for a row of channels, drawn in bulk from a seeded generator."""

from dataclasses import dataclass
from math import exp, sqrt

import numpy as np
from numpy.typing import NDArray

ROWS = 1024


@dataclass(frozen=True, slots=True)
class Wander:
    """A slow wander: standard deviation `share` (of the reading) and correlation time (s)."""

    share: float = 0.0
    time: float = 0.15


@dataclass(frozen=True, slots=True)
class Spikes:
    """Spikes on single samples: `rate` of the samples, each `low` … `high` of the reading, of either sign."""

    rate: float = 0.0
    low: float = 0.01
    high: float = 0.04


class Noise:
    """Rows of noise: one standard normal number a channel, then one relative deviation for each wander in order; the
    first wander carries the spikes.

    The same generator state gives the same rows, however they are asked for.
    """

    def __init__(
        self,
        generator: np.random.Generator,
        channels: int,
        wanders: tuple[Wander, ...],
        spikes: Spikes,
        sample_hz: float,
    ) -> None:
        self._generator = generator
        self._channels = channels
        self._wanders = wanders
        self._spikes = spikes
        self._keep = [exp(-1.0 / (w.time * sample_hz)) for w in wanders]
        self._state = [
            w.share * float(x) for w, x in zip(wanders, generator.standard_normal(len(wanders)), strict=True)
        ]
        self._rows: list[list[float]] = []

    def row(self) -> list[float]:
        """The next row."""
        if not self._rows:
            self._refill()
        return self._rows.pop()

    def _refill(self) -> None:
        width = self._channels + len(self._wanders)
        rows = self._generator.standard_normal((ROWS, width))
        for k, wander in enumerate(self._wanders):
            rows[:, self._channels + k] = self._wandering(k, wander, rows[:, self._channels + k])
        if self._spikes.rate > 0.0:
            rows[:, self._channels] += self._spiking()
        self._rows = rows[::-1].tolist()

    def _wandering(self, k: int, wander: Wander, white: NDArray[np.float64]) -> list[float]:
        keep, state = self._keep[k], self._state[k]
        push = wander.share * sqrt(1.0 - keep * keep)
        series = []
        for x in white.tolist():
            state = keep * state + push * x
            series.append(state)
        self._state[k] = state
        return series

    def _spiking(self) -> NDArray[np.float64]:
        spikes, draw = self._spikes, self._generator
        size = draw.uniform(spikes.low, spikes.high, ROWS) * draw.choice((-1.0, 1.0), ROWS)
        return np.where(draw.random(ROWS) < spikes.rate, size, 0.0)
