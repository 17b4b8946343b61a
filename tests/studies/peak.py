"""What noise does to the peak functional: the table of daq/measure/tables.py, and what is left of the bias.

The truth is the functional of the pressure without noise. At rest that is the pressure itself; where it pulsates, the
lowest that a 50 ms mean of the wave comes to, at most 0.06 % below it. Run: python -m tests.studies.peak
"""

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from daq.measure.peak import MEAN_S, held_maximum, peak_of
from daq.measure.tables import PEAK_TABLE
from tests.studies.common import autoregressive, deviation_of_mean, show
from tests.studies.signals import Floats, spikes, wander

TABLE_HZ = 1000
PER_MEAN = 50
ENTRIES = 10_000
RUNS = 500

Second = Callable[[np.random.Generator, int, int], tuple[Floats, Floats]]
"""From a generator, the number of runs and the sample rate: `[runs, samples]` of a second in percent of the pressure,
and the truth of each run."""


def entry(share: float, count: int, seed: int = 44) -> tuple[float, float]:
    """Bias and standard deviation of the functional, in standard deviations of the 50 ms mean."""
    phi = (share * PER_MEAN - 1.0) / (share * PER_MEAN + 1.0)
    series = autoregressive(np.random.default_rng(seed), phi, count, TABLE_HZ)
    values = np.array([held_maximum(s, TABLE_HZ) for s in series]) / deviation_of_mean(phi, PER_MEAN)
    return float(values.mean()), float(values.std())


class Left(NamedTuple):
    """Errors of corrected peaks against the truth, in percent of the pressure: mean, root mean square, mean of the
    standard doubt that they state; then the root mean square of error/doubt, and the share beyond two doubts."""

    mean: float
    error: float
    doubt: float
    relative: float
    beyond: float


def remaining(signal: Second, hz: int, runs: int = RUNS, seed: int = 45) -> Left:
    series, truth = signal(np.random.default_rng(seed), runs, hz)
    peaks = [peak_of(s, hz) for s in series]
    errors = np.array([p.value for p in peaks]) - truth
    doubts = np.array([p.bias_doubt for p in peaks])
    relative = errors / doubts
    return Left(
        float(errors.mean()),
        float(np.sqrt((errors**2).mean())),
        float(doubts.mean()),
        float(np.sqrt((relative**2).mean())),
        float((np.abs(relative) > 2.0).mean()),
    )


def correlated(phi: float) -> Second:
    """0.2 % of first-order autoregressive noise."""

    def signal(rng: np.random.Generator, runs: int, hz: int) -> tuple[Floats, Floats]:
        return 0.2 * autoregressive(rng, phi, runs, hz), np.zeros(runs)

    return signal


def wandering(share: float) -> Second:
    """0.2 % of white noise and a slow wander of `share` percent and 0.12 s."""

    def signal(rng: np.random.Generator, runs: int, hz: int) -> tuple[Floats, Floats]:
        white = 0.2 * rng.standard_normal((runs, hz))
        return white + share * wander(rng, runs, hz, 0.12, 1.0 / hz), np.zeros(runs)

    return signal


def spiked(wide: int, signal: Second) -> Second:
    """5 spikes of 1 to 4 % in 1 000 samples, each on `wide` samples."""

    def more(rng: np.random.Generator, runs: int, hz: int) -> tuple[Floats, Floats]:
        series, truth = signal(rng, runs, hz)
        return series + spikes(rng, series.shape, 5.0, wide, (1.0, 4.0)), truth

    return more


def pulsating(share: float, unsteady: float = 1e-3) -> Second:
    """A displacement pump, 5 to 9 teeth at 3 000 to 4 500 /min, on top of `QUIET`: a sine of `share` percent rms, whose
    frequency wanders by the share `unsteady`."""

    def signal(rng: np.random.Generator, runs: int, hz: int) -> tuple[Floats, Floats]:
        series, _ = QUIET(rng, runs, hz)
        hertz = rng.uniform(250.0, 675.0, (runs, 1))
        speed = hertz * (1.0 + unsteady * wander(rng, runs, hz, 0.2, 1.0 / hz))
        turned = np.cumsum(speed, axis=1) / hz + rng.random((runs, 1))
        series = series + math.sqrt(2.0) * share * np.sin(2.0 * math.pi * turned)
        held = np.abs(np.sinc(hertz[:, 0] * MEAN_S))
        return series, -math.sqrt(2.0) * share * held

    return signal


QUIET = wandering(0.045)
CASES: tuple[tuple[str, Second], ...] = (
    ("white 0.2 %", correlated(0.0)),
    ("φ 0.6", correlated(0.6)),
    ("φ 0.9", correlated(0.9)),
    ("white 0.2 %, wander 0.045 %", QUIET),
    ("the same, wander 0.15 %", wandering(0.15)),
    ("spikes on one sample", spiked(1, QUIET)),
    ("spikes on two samples", spiked(2, QUIET)),
    ("pulsation 0.5 %", pulsating(0.5)),
    ("pulsation 1.7 %", pulsating(1.7)),
    ("pulsation 1.7 %, spikes on two", spiked(2, pulsating(1.7))),
)


def left_in_words(left: Left) -> list[str]:
    return [
        f"{left.mean:+.3f} %", f"{left.error:.3f} %", f"{left.doubt:.3f} %", f"{left.relative:.2f}",
        f"{100 * left.beyond:.1f} %",
    ]  # fmt: skip


def main() -> None:
    rows = [(share, *entry(share, ENTRIES)) for share, *_ in PEAK_TABLE]
    show(("share of 50 ms", *(f"{share}" for share, _, _ in rows)),
         [("bias", *(f"{bias:.3f}" for _, bias, _ in rows)), ("scatter", *(f"{d:.3f}" for _, _, d in rows))],
    )  # fmt: skip
    show(
        ("signal", "Hz", "mean error", "rms error", "doubt", "rms of error/doubt", "beyond 2 doubts"),
        ([name, f"{hz}", *left_in_words(remaining(signal, hz))] for name, signal in CASES for hz in (100, 500, 1000)),
    )


if __name__ == "__main__":
    main()
