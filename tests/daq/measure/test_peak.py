"""Peak pressure: the functional, its table made again in part, and spikes."""

import math
import timeit

import numpy as np
import pytest
from numpy.lib.stride_tricks import sliding_window_view

from daq.measure.peak import deviation_of_mean, held_maximum, noise_of, peak_of
from daq.measure.tables import PEAK_TABLE
from tests.studies.common import autoregressive
from tests.studies.peak import entry, remaining


def as_defined(samples: np.ndarray, hz: int) -> float:
    means = sliding_window_view(samples, round(0.05 * hz)).mean(axis=1)
    return float(sliding_window_view(means, round(0.2 * hz) + 1).min(axis=1).max())


@pytest.mark.parametrize("hz", [40, 100, 333, 500, 1000])
def test_the_functional_is_what_its_definition_says(hz: int) -> None:
    for samples in 5e5 + 1e3 * autoregressive(np.random.default_rng(hz), 0.5, 5, hz):
        assert held_maximum(samples, hz) == pytest.approx(as_defined(samples, hz), rel=1e-12)


def test_a_constant_pressure_is_its_own_peak() -> None:
    peak = peak_of(np.full(500, 4.2e5), 500)
    assert (peak.value, peak.raw_maximum, peak.bias, peak.bias_doubt, peak.noise) == (4.2e5, 4.2e5, 0.0, 0.0, 0.0)


def test_a_rise_that_holds_counts_and_a_shorter_one_does_not() -> None:
    long, short = np.full(500, 4e5), np.full(500, 4e5)
    long[100:230] += 1e4  # 0.26 s: 0.2 s and the 50 ms mean fit in
    short[100:215] += 1e4  # 0.23 s
    assert held_maximum(long, 500) == pytest.approx(4.1e5)
    assert held_maximum(short, 500) < 4.09e5


@pytest.mark.parametrize("row", [1, 4, 7])
def test_the_table_can_be_made_again(row: int) -> None:
    share, bias, spread = PEAK_TABLE[row]
    found_bias, found_spread = entry(share, 2_000, seed=row)
    assert found_bias == pytest.approx(bias, abs=0.04)
    assert found_spread == pytest.approx(spread, rel=0.06)


@pytest.mark.parametrize(("hz", "phi"), [(100, 0.0), (500, 0.0), (500, 0.4), (500, 0.9), (1000, 0.6)])
def test_corrected_peaks_scatter_about_the_truth_by_their_doubt(hz: int, phi: float) -> None:
    error, scatter = remaining(hz, phi, 600)
    assert abs(error) < 0.3
    assert 0.8 < scatter < 1.2


@pytest.mark.parametrize("size", [5.0, 20.0])
@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_spikes_move_a_peak_by_less_than_its_doubt(size: float, sign: float) -> None:
    rng = np.random.default_rng(12)
    shifts = []
    for samples in autoregressive(rng, 0.4, 300, 500):
        clean = peak_of(samples, 500)
        spiked = peak_of(samples + sign * size * (rng.random(500) < 0.005), 500)
        shifts.append((spiked.value - clean.value) / clean.bias_doubt)
    assert abs(np.mean(shifts)) < 0.15
    assert np.quantile(np.abs(shifts), 0.9) < 1.0


def test_a_spike_is_counted_and_stays_the_raw_maximum() -> None:
    samples = 100.0 + autoregressive(np.random.default_rng(13), 0.3, 1, 500)[0]
    samples[250] += 40.0
    peak = peak_of(samples, 500)
    assert (peak.spikes, peak.raw_maximum) == (1, samples[250])
    assert peak.value < 101.0


@pytest.mark.parametrize("phi", [0.0, 0.4, 0.8, 0.9])
def test_noise_is_told_with_its_autocorrelation(phi: float) -> None:
    samples = 3.0 * autoregressive(np.random.default_rng(14), phi, 1, 20_000)[0]
    noise, found = noise_of(samples, 25)
    assert (noise, found) == (pytest.approx(3.0, rel=0.1), pytest.approx(phi, abs=0.03))


def test_noise_does_not_listen_to_spikes_or_drift() -> None:
    rng = np.random.default_rng(15)
    samples = autoregressive(rng, 0.0, 1, 5_000)[0]
    samples[rng.random(5_000) < 0.005] += 20.0
    noise, phi = noise_of(samples + np.linspace(0.0, 20.0, 5_000), 25)
    assert (noise, phi) == (pytest.approx(1.0, rel=0.08), pytest.approx(0.0, abs=0.06))


def test_the_deviation_of_a_mean() -> None:
    assert deviation_of_mean(0.0, 25) == pytest.approx(0.2)
    series = autoregressive(np.random.default_rng(16), 0.6, 20_000, 25)
    assert deviation_of_mean(0.6, 25) == pytest.approx(series.mean(axis=1).std(), rel=0.02)


@pytest.mark.parametrize(
    ("samples", "hz"),
    [(np.zeros(400), 500.0), (np.zeros(700), 500.0), (np.full(500, math.nan), 500.0), (np.zeros(30), 30.0)],
)
def test_a_window_that_the_table_is_not_made_for_is_refused(samples: np.ndarray, hz: float) -> None:
    with pytest.raises(ValueError, match="a peak pressure needs"):
        peak_of(samples, hz)


def test_a_peak_takes_less_than_half_a_millisecond() -> None:
    samples = autoregressive(np.random.default_rng(17), 0.3, 1, 1_000)[0]
    assert min(timeit.repeat(lambda: peak_of(samples, 1_000), number=20, repeat=5)) / 20 < 0.5e-3
