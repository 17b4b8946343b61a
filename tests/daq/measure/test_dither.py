"""Coarse converters: noise below a count hides nothing less than the count, noise above it dithers the count away."""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from daq.measure.convert import Column, Zero
from daq.measure.reading import Reader, Reading, Supply, dithered
from daq.measure.uncertainty import RESOLUTION, combine
from tests.daq.measure.blocks import CHANNELS
from tests.daq.measure.test_reading import window

LSB = 1250.0
"""Pa: 10 bits over 1.25 MPa and a little."""
PER_STEP, STEPS = 25, 40


def counted(noise: float, seed: int, trials: int) -> Iterator[tuple[Reading, float]]:
    """Readings of a pressure behind a converter, its white noise in counts, and their truths, anywhere in a count."""
    rng = np.random.default_rng(seed)
    lsb = np.array([LSB, 8e-4, 8e-4, np.nan, np.nan])
    reader = Reader(CHANNELS, lsb, {}, Supply(test_voltage=13.5))
    reader.zero = Zero(taken=True, pressure_doubt=0.0, current_doubt=0.0)
    for truth in (400e3 + LSB * rng.uniform(0.0, 1.0, trials)).tolist():
        samples = truth + noise * LSB * rng.standard_normal(STEPS * PER_STEP)
        seen = LSB * np.round(samples / LSB)
        columns = np.full((seen.size, len(Column)), np.nan)
        columns[:, Column.PRESSURE] = seen
        made = window(
            pressure=seen.reshape(STEPS, PER_STEP).mean(axis=1),
            voltage=np.full(STEPS, 13.5),
            dithered=dithered(columns, lsb),
        )
        reading = reader.read("pressure", made)
        own = [c for c in reading.combined.components if c.source in ("scatter", RESOLUTION)]
        yield replace(reading, combined=combine(own)), truth


@pytest.mark.parametrize("noise", [0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.6, 1.0, 3.0])
def test_intervals_hold_whatever_the_noise_in_counts(noise: float) -> None:
    told = list(counted(noise, 3, 200))
    held = np.mean([abs(r.value - truth) <= r.combined.U for r, truth in told])
    assert held >= 0.93


@pytest.mark.parametrize("noise", [0.6, 1.0, 3.0])
def test_what_dithers_is_known_far_better_than_a_count(noise: float) -> None:
    """A thousand samples: the mean is known as well as the noise lets it be, its own rounding (lsb²/12) included."""
    told = list(counted(noise, 4, 100))
    errors = np.array([r.value - truth for r, truth in told])
    ideal = np.hypot(noise, 1 / np.sqrt(12)) * LSB / np.sqrt(STEPS * PER_STEP)
    assert errors.std() < 1.3 * ideal
    assert all(RESOLUTION not in [c.source for c in r.combined.components] for r, _ in told)
    assert np.median([r.combined.U for r, _ in told]) < 4.0 * ideal


@pytest.mark.parametrize("noise", [0.0, 0.1])
def test_what_does_not_dither_is_known_to_half_a_count(noise: float) -> None:
    for reading, _ in counted(noise, 5, 20):
        [step] = [c for c in reading.combined.components if c.source == RESOLUTION]
        assert step.standard == pytest.approx(LSB / np.sqrt(12))


def test_spikes_alone_do_not_dither() -> None:
    columns = np.full((1000, len(Column)), np.nan)
    columns[:, Column.PRESSURE] = 400e3
    columns[::100, Column.PRESSURE] += 20 * LSB
    assert dithered(columns, np.array([LSB, *[1.0] * (len(Column) - 1)])) == frozenset()
    assert dithered(columns[:0], np.array([LSB])) == frozenset()
