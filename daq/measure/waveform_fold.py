"""A motor current laid over itself: its phase through a capture, and a turn folded from all turns."""

from dataclasses import dataclass
from math import ceil

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

HUMPS_A_STRETCH = 6
FEWEST_STRETCHES = 4
"""A parabola has three unknowns; one stretch more shows a scatter."""
PLACES = 32
"""Places of a folded hump, at most; fewer where there are not as many samples."""
_STRAY = 0.6
"""Radians: stretches whose phase strays further from a smooth course, as a root mean square, were not counted right."""


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """Commutation through a capture: `hz` its mean, `doubt` that one's standard uncertainty from the scatter with `dof`
    degrees of freedom, `drift` the change of frequency from begin to end (Hz), `phase` (in humps) of each sample."""

    hz: float
    doubt: float
    dof: float
    drift: float
    phase: Floats


def course_of(samples: Floats, rate: float, hz: float, pattern: float) -> Course | None:
    """Follows the line at `hz` through samples without their trend, stretch by stretch of whole patterns (`pattern` s),
    in which the harmonics of a turn have no say. None where the stretches do not agree.

    The slope of the phase is the frequency's most likely value in white noise; its doubt comes from how the stretches
    scatter about a parabola, which stands for a speed that changes evenly.
    """
    t = (np.arange(samples.size, dtype=np.float64) - 0.5 * (samples.size - 1)) / rate
    length = max(round(ceil(HUMPS_A_STRETCH / (hz * pattern)) * pattern * rate), 1)
    count = samples.size // length
    if count < FEWEST_STRETCHES:
        return None
    turning = samples * np.exp(-2j * np.pi * hz * t)
    begin = (samples.size - count * length) // 2
    stretches = turning[begin : begin + count * length].reshape(count, length).mean(axis=1)
    at = t[begin : begin + count * length].reshape(count, length).mean(axis=1)
    phase = np.unwrap(np.angle(stretches)) / (2.0 * np.pi)
    return _fitted(t, at, phase, hz)


def _fitted(t: Floats, at: Floats, phase: Floats, hz: float) -> Course | None:
    scale = at[-1] or 1.0
    design = np.stack((np.ones_like(at), at / scale, (at / scale) ** 2), axis=1)
    found, *_ = np.linalg.lstsq(design, phase, rcond=None)
    rest = phase - design @ found
    scatter = float(rest @ rest) / (at.size - 3)
    if np.sqrt(scatter) > _STRAY / (2.0 * np.pi):
        return None
    doubt = float(np.sqrt(scatter * np.linalg.inv(design.T @ design)[1, 1])) / scale
    place = t / scale
    drift = 2.0 * found[2] / scale**2 * (t[-1] - t[0])
    phases = hz * t + found[0] + found[1] * place + found[2] * place**2
    return Course(hz + float(found[1]) / scale, doubt, float(at.size - 3), float(drift), phases)


@dataclass(frozen=True, slots=True, eq=False)
class Fold:
    """Humps laid over each other: `heights` of each hump of a turn from valley to crest, `height_doubt` their standard
    uncertainty, `hump` the typical one (place by place, lowest first, mean 0), `noise` what no turn repeats (standard
    deviation of a sample)."""

    heights: Floats
    height_doubt: float
    hump: Floats
    noise: float


def folded(samples: Floats, phase: Floats, events: int) -> Fold:
    """Folds samples without their trend by a turn of `events` humps.

    A hump's height is that of the typical one times how much of it there is, by least squares with an offset of its
    own: a hump that is missing has 0, a dip in its place less.
    """
    places = int(np.clip(samples.size // (4 * events), 4, PLACES))
    turn = _mean_turn(samples, phase, events, places)
    level = turn - turn.mean(axis=1, keepdims=True)
    shift = int(np.argmin(np.median(level, axis=0)))
    turn = np.roll(turn.reshape(-1), -shift).reshape(events, places)
    level = turn - turn.mean(axis=1, keepdims=True)
    hump = np.median(level, axis=0)
    power = float(hump @ hump)
    span = float(hump.max() - hump.min())
    heights = level @ hump / power * span
    noise = _noise(samples, phase - shift / places, turn)
    per_place = samples.size / turn.size
    return Fold(heights, noise / np.sqrt(per_place * power) * span, hump, noise)


def _mean_turn(samples: Floats, phase: Floats, events: int, places: int) -> Floats:
    bins = events * places
    which = np.floor(phase * places).astype(np.int64) % bins
    count = np.bincount(which, minlength=bins)
    total = np.bincount(which, weights=samples, minlength=bins)
    mean = total / np.maximum(count, 1)
    if (count == 0).any():
        full = np.flatnonzero(count)
        mean = np.interp(np.arange(bins), full, mean[full], period=bins)
    return mean.reshape(events, places)


def _noise(samples: Floats, phase: Floats, turn: Floats) -> float:
    """What is left of the samples beside the folded turn, taken as running straight from place to place."""
    places = turn.shape[1]
    expected = np.interp(phase * places - 0.5, np.arange(turn.size), turn.reshape(-1), period=turn.size)
    rest = samples - expected
    return float(np.sqrt(rest @ rest / max(samples.size - turn.size, 1)))
