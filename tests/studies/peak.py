"""What noise does to the peak functional: the table of daq/measure/tables.py, and what is left of the bias.

Run: python -m tests.studies.peak
"""

import numpy as np

from daq.measure.peak import deviation_of_mean, held_maximum, peak_of
from daq.measure.tables import PEAK_TABLE
from tests.studies.common import autoregressive, show

TABLE_HZ = 1000
PER_MEAN = 50


def entry(share: float, count: int, seed: int = 44) -> tuple[float, float]:
    """Bias and standard deviation of the functional, in standard deviations of the 50 ms mean."""
    phi = (share * PER_MEAN - 1.0) / (share * PER_MEAN + 1.0)
    series = autoregressive(np.random.default_rng(seed), phi, count, TABLE_HZ)
    values = np.array([held_maximum(s, TABLE_HZ) for s in series]) / deviation_of_mean(phi, PER_MEAN)
    return float(values.mean()), float(values.std())


def remaining(hz: int, phi: float, count: int, spikes: float = 0.0, seed: int = 45) -> tuple[float, float]:
    """Mean error of corrected peaks, and their scatter, both in the doubt that they state.

    `spikes` is the share of samples that lie 20 standard deviations off, to either side.
    """
    rng = np.random.default_rng(seed)
    series = autoregressive(rng, phi, count, hz)
    series += 20.0 * rng.choice([-1.0, 1.0], series.shape) * (rng.random(series.shape) < spikes)
    peaks = [peak_of(s, hz) for s in series]
    values = np.array([p.value for p in peaks])
    doubt = float(np.mean([p.bias_doubt for p in peaks]))
    return float(values.mean()) / doubt, float(values.std()) / doubt


def main() -> None:
    rows = ((share, *entry(share, 10_000)) for share, *_ in PEAK_TABLE)
    show(("share of 50 ms", "bias", "scatter"), ((f"{s}", f"{b:.3f}", f"{d:.3f}") for s, b, d in rows))
    cases = [(hz, phi) for hz in (100, 500, 1000, 2000) for phi in (0.0, 0.3, 0.6, 0.9)]
    show(
        ("Hz", "φ", "mean error/doubt", "scatter/doubt", "the same with 5 spikes per 1 000 samples"),
        (
            (
                f"{hz}",
                f"{phi}",
                *map("{:.2f}".format, remaining(hz, phi, 2_000)),
                _pair(remaining(hz, phi, 2_000, 0.005)),
            )
            for hz, phi in cases
        ),
    )


def _pair(figures: tuple[float, float]) -> str:
    return "{:.2f}, {:.2f}".format(*figures)


if __name__ == "__main__":
    main()
