"""Commutation, speed and segments from captures of motors on paper."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, signal

from daq.measure.waveform import NotDetermined, Waveform, events_per_turn, waveform_of
from tests.cost import cost
from tests.studies.waveform import (
    CURRENT,
    HZ,
    KINDS,
    RIPPLE,
    SAMPLES,
    SHAPES,
    Kind,
    Motor,
    Shape,
    counted,
    missing,
    missing_twice,
    rectified,
    tally,
)

EVEN = Motor(117.3, np.ones(8))
NOISE = 0.03


def rng(seed: int = 7) -> np.random.Generator:
    return np.random.default_rng(seed)


def found(motor: Motor, noise: float = NOISE, segments: int | None = 8, poles: int = 2) -> Waveform:
    wave = waveform_of(counted(motor.current(rng(), noise)), HZ, segments=segments, poles=poles)
    assert isinstance(wave, Waveform), wave
    return wave


def undetermined(current: np.ndarray, hz: float = HZ, segments: int | None = 8, **more: bool) -> str:
    wave = waveform_of(current, hz, segments=segments, **more)
    assert isinstance(wave, NotDetermined), wave
    return wave.reason


@pytest.mark.parametrize(
    ("segments", "poles", "events"), [(8, 2, 8), (7, 2, 14), (12, 2, 12), (5, 4, 20), (8, 4, 8), (10, 4, 20)]
)
@pytest.mark.parametrize("shape", SHAPES)
def test_the_speed_of_all_sorts_of_motors(segments: int, poles: int, events: int, shape: Shape) -> None:
    motor = Motor(88.8, np.ones(events), shape)
    wave = found(motor, segments=segments, poles=poles)
    assert wave.events_per_turn == events_per_turn(segments, poles) == events
    assert wave.speed == pytest.approx(88.8, abs=4 * wave.speed_doubt)  # type: ignore[operator]
    assert wave.speed_doubt == pytest.approx(wave.commutation_doubt / events)
    assert wave.speed_doubt < 1e-4 * 88.8  # type: ignore[operator]
    assert len(wave.heights) == events


def test_what_a_regular_wave_shows() -> None:
    wave = found(EVEN)
    assert wave.commutation_hz == pytest.approx(8 * 117.3, rel=1e-4)
    assert wave.ripple == pytest.approx(RIPPLE, rel=0.06)  # crest and valley are means over a place of the fold
    assert wave.heights == pytest.approx(np.full(8, np.median(wave.heights)), abs=4 * wave.height_doubt)
    assert wave.irregularity == pytest.approx(0.0, abs=0.04)
    assert wave.noise == pytest.approx(NOISE, rel=0.3)
    assert abs(wave.drift) < 1e-3


@pytest.mark.parametrize("height", [-7.0, 0.0, 0.5, 0.8, 1.5])
def test_a_hump_that_is_lower_or_higher_shows_by_its_height(height: float) -> None:
    heights = np.ones(8)
    heights[3] = height
    wave = found(replace(EVEN, heights=heights))
    shares = np.sort(np.abs(wave.heights / np.median(wave.heights) - 1.0))
    assert shares[-1] == pytest.approx(abs(1.0 - height), abs=0.05, rel=0.02)
    assert wave.irregularity == pytest.approx(abs(1.0 - height), abs=0.05, rel=0.02)
    assert shares[:-1].max() < 0.1


def test_a_bad_segment_under_both_brushes_shows_half_a_turn_apart() -> None:
    wave = found(replace(EVEN, heights=missing_twice(rng(), 8)))
    first, second = np.flatnonzero(wave.heights < 0.3 * np.median(wave.heights))
    assert second - first == 4


def test_the_highest_line_alone_would_mislead() -> None:
    """A missing hump raises a turn's own harmonics; the highest one, by an independent spectrum, is not commutation."""
    motor = replace(EVEN, heights=np.array([1.0, 1, 1, 1, 1, 1, 1, -1.2]))
    current = counted(motor.current(rng(), NOISE))
    at, power = signal.periodogram(signal.detrend(current), HZ, window="hann")
    assert at[np.argmax(power)] < 0.5 * 8 * motor.turns
    wave = waveform_of(current, HZ, segments=8)
    assert isinstance(wave, Waveform)
    assert wave.speed == pytest.approx(motor.turns, rel=1e-3)


def test_frequency_and_height_by_an_independent_fit() -> None:
    """Least squares of a rectified cosine with free level, height, frequency and phase (scipy's curve_fit)."""
    current = counted(EVEN.current(rng(), NOISE))
    t = np.arange(SAMPLES) / HZ

    def model(t: np.ndarray, level: float, height: float, hz: float, phase: float) -> np.ndarray:
        return level + height * np.abs(np.sin(np.pi * (hz * t + phase)))

    wave = waveform_of(current, HZ, segments=8)
    assert isinstance(wave, Waveform)
    starts = [(5.5, 0.7, wave.commutation_hz + d, p) for d in (-0.5, 0.0, 0.5) for p in (0.0, 0.25, 0.5, 0.75)]
    fits = [optimize.curve_fit(model, t, current, start) for start in starts]
    best, covariance = min(fits, key=lambda fit: float(np.sum((model(t, *fit[0]) - current) ** 2)))
    assert wave.commutation_hz == pytest.approx(best[2], abs=3 * wave.commutation_doubt)
    assert wave.commutation_doubt > math.sqrt(covariance[2, 2]) > 0.1 * wave.commutation_doubt
    assert float(np.median(wave.heights)) == pytest.approx(best[1], rel=0.06)


@pytest.mark.parametrize("kind", KINDS)
def test_speeds_lie_within_their_doubt_and_none_is_of_another_line(kind: Kind) -> None:
    counts = tally(kind, 20.0, 60)
    assert (counts.wrong, counts.not_determined) == (0, 0)
    assert math.sqrt(float(np.mean(np.square(counts.errors)))) < 1.0


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("ratio", [3.0, 1.2, 0.8, 0.4])
def test_noise_leads_to_no_answer_but_to_no_wrong_one(kind: Kind, ratio: float) -> None:
    counts = tally(kind, ratio, 30, seed=8)
    assert counts.wrong == 0
    assert counts.not_determined <= 6 or ratio < 3.0
    assert counts.right == 0 or ratio > 0.4


def test_a_change_of_speed_meanwhile_is_part_of_the_doubt() -> None:
    wave = found(replace(EVEN, drift=0.01))
    assert wave.speed == pytest.approx(117.3, rel=3e-4)
    assert wave.drift == pytest.approx(0.01, rel=0.05)
    assert wave.speed_doubt == pytest.approx(0.01 * 117.3 / math.sqrt(12), rel=0.05)


def test_a_slow_pulsation_once_a_turn_is_no_commutation() -> None:
    wave = found(replace(EVEN, load=0.1, load_order=1))
    assert wave.speed == pytest.approx(117.3, rel=1e-3)


def test_humps_cut_off_by_an_amplifier_keep_their_frequency() -> None:
    current = EVEN.current(rng(), NOISE)
    wave = waveform_of(np.minimum(current, np.quantile(current, 0.8)), HZ, segments=8)
    assert isinstance(wave, Waveform)
    assert wave.speed == pytest.approx(117.3, rel=1e-3)


def test_without_the_segments_there_is_a_frequency_and_no_speed() -> None:
    for heights in (np.ones(8), missing(rng(), 8)):
        wave = found(replace(EVEN, heights=heights), segments=None)
        assert wave.commutation_hz == pytest.approx(8 * 117.3, rel=1e-4)
        assert (wave.speed, wave.speed_doubt, wave.events_per_turn, wave.irregularity) == (None,) * 4
        assert wave.heights.size == 0
        assert wave.ripple == pytest.approx(RIPPLE, rel=0.15)


def test_what_does_not_carry_it_is_not_determined() -> None:
    noise = NOISE * rng().standard_normal(SAMPLES)
    even = EVEN.current(rng(), NOISE)
    assert "no ripple stands out" in undetermined(counted(CURRENT + noise))
    assert "no ripple stands out" in undetermined(EVEN.current(rng(), 5.0))
    assert "does not change" in undetermined(np.full(SAMPLES, CURRENT))
    assert "no current flows" in undetermined(noise - 0.01)
    assert "met its end" in undetermined(even, overrange=True)
    assert "too slow for this motor: expected at least 4400 Hz" in undetermined(even[::5], HZ / 5)
    assert "100 samples are too few" in undetermined(even[:100])
    assert "humps: expected at least" in undetermined(even[:700])


def test_hum_of_the_mains_is_no_motor() -> None:
    t = np.arange(SAMPLES) / HZ
    hum = 0.05 * np.abs(np.sin(2 * np.pi * 50 * t)) + 0.01 * rng().standard_normal(SAMPLES)
    for segments in (7, 8, 12):
        undetermined(counted(0.2 + hum), segments=segments)


def test_two_things_at_once_are_told_apart_or_left() -> None:
    other = 0.3 * np.sin(2 * np.pi * 777.7 * np.arange(SAMPLES) / HZ)
    undetermined(counted(EVEN.current(rng(), NOISE) + other))


@given(st.integers(160, 900), st.sampled_from(["noise", "steps", "spikes", "ramp", "two levels"]), st.integers(0, 9))
def test_nothing_but_an_answer_comes_of_any_samples(samples: int, kind: str, seed: int) -> None:
    draw, t = rng(seed), np.arange(samples) / samples
    current = {
        "noise": draw.standard_normal(samples),
        "steps": np.round(3 * t) + 1.0,
        "spikes": (draw.random(samples) < 0.02).astype(float),
        "ramp": 4.0 + t,
        "two levels": draw.integers(0, 2, samples).astype(float),
    }[kind]
    assert isinstance(waveform_of(current, HZ, segments=8), NotDetermined | Waveform)


def test_our_mistakes_raise() -> None:
    even = EVEN.current(rng(), NOISE)
    with pytest.raises(ValueError, match="finite samples"):
        waveform_of(np.append(even, np.nan), HZ, segments=8)
    with pytest.raises(ValueError, match="rate above 0"):
        waveform_of(even, 0.0, segments=8)
    for segments, poles in ((2, 2), (8, 3), (8, 0)):
        with pytest.raises(ValueError, match="three segments or more and poles in pairs"):
            waveform_of(even, HZ, segments=segments, poles=poles)


def test_equal_samples_give_equal_digits() -> None:
    current = counted(Motor(70.1, missing(rng(), 8), rectified).current(rng(), NOISE))
    one, other = (waveform_of(current.copy(), HZ, segments=8) for _ in range(2))
    assert isinstance(one, Waveform)
    assert isinstance(other, Waveform)
    assert one.commutation_hz == other.commutation_hz
    assert one.heights.tolist() == other.heights.tolist()


def test_it_costs_no_more_than_a_million_additions() -> None:
    current = counted(EVEN.current(rng(), NOISE))
    assert cost(lambda: waveform_of(current, HZ, segments=8)) < 1000.0


@pytest.mark.parametrize("segments", [8, 12])
def test_a_capture_holds_five_turns_at_least(segments: int) -> None:
    """At 117.3 turns a second; a hump more or less is what a window's edge takes."""
    current = Motor(117.3, np.ones(segments)).current(rng(), NOISE)
    five = round(5.0 / 117.3 * HZ)
    enough = waveform_of(current[: round(1.06 * five)], HZ, segments=segments)
    assert isinstance(enough, Waveform)
    assert f"humps: expected at least {5 * segments}" in undetermined(current[: round(0.94 * five)], segments=segments)
