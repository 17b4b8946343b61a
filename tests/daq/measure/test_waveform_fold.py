"""Humps laid over each other: their heights, the typical one, and what no turn repeats."""

import numpy as np
import pytest

from daq.measure.convert import Floats
from daq.measure.waveform_fold import folded

EVENTS = 8
PER_HUMP = 25.0
TURNS = 30


def phase() -> Floats:
    """In humps, with samples at other places of each."""
    return np.arange(TURNS * EVENTS * PER_HUMP) / (PER_HUMP * 1.003)


def humps(heights: list[float], offsets: list[float] | None = None) -> Floats:
    """Humps sin² high, each upon an offset of its own."""
    at = phase()
    which = np.floor(at).astype(int) % EVENTS
    return np.asarray(np.array(heights)[which] * np.sin(np.pi * at) ** 2 + np.array(offsets or [0.0] * EVENTS)[which])


def turned(found: Floats, heights: list[float]) -> float:
    """By how much heights differ at most, whichever hump is called the first."""
    return min(float(np.abs(np.roll(found, k) - heights).max()) for k in range(EVENTS))


def test_each_hump_has_its_height_in_its_place() -> None:
    heights = [1.0, 1.0, 0.5, 1.0, 1.2, 1.0, 0.0, 1.0]
    fold = folded(humps(heights), phase(), EVENTS)
    assert turned(fold.heights, heights) < 0.03
    assert fold.hump.mean() == pytest.approx(0.0, abs=2e-3)
    assert np.ptp(fold.hump) == pytest.approx(1.0, rel=0.03)
    assert fold.hump.argmin() == 0
    assert fold.noise < 0.02


def test_a_dip_has_less_than_nothing() -> None:
    fold = folded(humps([1.0] * 7 + [-0.4]), phase(), EVENTS)
    assert turned(fold.heights, [1.0] * 7 + [-0.4]) < 0.03


@pytest.mark.parametrize("noise", [0.05, 0.3])
def test_noise_is_what_no_turn_repeats_and_makes_heights_doubtful(noise: float) -> None:
    """The doubt against the scatter of heights over 60 captures."""
    rng, at, found = np.random.default_rng(4), phase(), []
    for _ in range(60):
        found.append(folded(humps([1.0] * EVENTS) + noise * rng.standard_normal(at.size), at, EVENTS))
    assert np.mean([f.noise for f in found]) == pytest.approx(noise, rel=0.05)
    scatter = float(np.std([f.heights for f in found], axis=0).mean())
    assert 0.5 * scatter < np.mean([f.height_doubt for f in found]) < 1.5 * scatter


def test_the_scale_and_the_level_of_the_current_do_not_matter() -> None:
    plain = folded(humps([1.0] * 7 + [0.5]), phase(), EVENTS)
    other = folded(3.0 + 0.2 * humps([1.0] * 7 + [0.5]), phase(), EVENTS)
    assert other.heights == pytest.approx(0.2 * plain.heights)
    assert (other.noise, other.height_doubt) == (
        pytest.approx(0.2 * plain.noise),
        pytest.approx(0.2 * plain.height_doubt),
    )


def test_few_samples_leave_places_empty_and_are_bridged() -> None:
    at = np.arange(4 * EVENTS * 4) / 4.0 * 1.01
    fold = folded(np.sin(np.pi * at) ** 2, at, EVENTS)
    assert np.isfinite(fold.heights).all()
    assert fold.heights == pytest.approx(np.full(EVENTS, np.median(fold.heights)), rel=0.3)
