"""What a fast capture of a pump motor's current tells: commutation frequency, speed, and how even the segments are.

A brushed motor's current falls into a valley at each commutation, so its ripple is a row of humps: lcm(poles, segments)
of them a turn, since with p poles brushes meet segments every 1/lcm of a turn. How the line of commutation is found
stands in `waveform_lines`, how humps are laid over each other in `waveform_fold`.
"""

from dataclasses import dataclass
from math import ceil, lcm

import numpy as np
from numpy.typing import NDArray

from daq.measure.waveform_fold import Course, course_of, folded
from daq.measure.waveform_lines import FASTEST, MOST_EVENTS, Ladder, commutation_line

Floats = NDArray[np.float64]

FEWEST_TURNS = 5
FEWEST_HUMPS = 40
"""A capture holds at least so many turns, and humps; fewer do not tell a pattern from chance."""
FENCE = 4.5
"""Quartiles' distances from the median at which samples are cut off: three standard deviations of Gaussian noise, and
beyond the valleys of humps of any usual shape (of a rectified cosine 3.3)."""
PER_HUMP = 2.2
"""Samples a hump at the highest speed: with fewer a slow line may be the image of a faster one (Nyquist)."""


@dataclass(frozen=True, slots=True)
class NotDetermined:
    """The capture does not carry it; `reason` says why, for people."""

    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class Waveform:
    """What a capture shows, over its length.

    `commutation_hz` (humps a second) with its standard uncertainty `commutation_doubt` of `dof` degrees of freedom, by
    the clock of the samples; a change of speed meanwhile, and that rates are told in whole hertz, are part of the
    doubt. `drift` is that change, as a share. `speed` (turns a second) and `speed_doubt` are None where the segments
    are unknown, and so are `events_per_turn` (humps a turn) and `irregularity`; `heights` is empty then.

    `heights` (A) are those of the humps of a turn, from valley to crest, in their order from whichever came first, and
    `height_doubt` is the standard uncertainty of one. `irregularity` is the largest deviation of a height from their
    median, as a share of it: 0 for equal segments, 1 for a hump that is missing, more for a dip in its place.
    Heights lie a few hundredths low where a valley is sharp, since they are of a wave folded to 32 places.
    `ripple` is the typical hump's height as a share of the mean current; `noise` (A) the standard deviation of a sample
    about what all turns repeat.
    """

    commutation_hz: float
    commutation_doubt: float
    dof: float
    drift: float
    speed: float | None
    speed_doubt: float | None
    events_per_turn: int | None
    heights: Floats
    height_doubt: float
    irregularity: float | None
    ripple: float
    noise: float


def events_per_turn(segments: int, poles: int = 2) -> int:
    """Humps a turn: the least common multiple of poles and segments (so 8 for 8 segments and 14 for 7, at two poles).

    Raises ValueError for fewer than three segments, or for poles that do not come in pairs.
    """
    if segments < 3 or poles < 2 or poles % 2:
        raise ValueError(f"a motor has three segments or more and poles in pairs, got {segments} and {poles}")
    return lcm(poles, segments)


def waveform_of(
    samples: Floats, hz: float, *, segments: int | None, poles: int = 2, overrange: bool = False
) -> Waveform | NotDetermined:
    """What `samples` (A) of a motor's current at `hz` show; `overrange` says that the converter met an end.

    Raises ValueError for a sample that is no number, or for a motor that cannot be.
    """
    if not np.isfinite(samples).all() or not hz > 0.0:
        raise ValueError(f"a waveform needs finite samples at a rate above 0, got NaN among them or {hz} Hz")
    events = None if segments is None else events_per_turn(segments, poles)
    hopeless = _hopeless(samples, hz, events, overrange)
    if hopeless:
        return NotDetermined(hopeless)
    level = _limited(_without_trend(samples))
    line = commutation_line(level, hz, events)
    if isinstance(line, str):
        return NotDetermined(line)
    if too_few := _too_few(samples.size / hz, line, events):
        return NotDetermined(too_few)
    course = course_of(level, hz, line.hz, (events or line.rungs) / line.hz)
    if course is None:
        return NotDetermined("commutation does not keep step with itself through the capture")
    return _described(samples, hz, course, line, events)


def _hopeless(samples: Floats, hz: float, events: int | None, overrange: bool) -> str:
    """Why nothing can be made of a capture whatever is in it; empty where that is not so."""
    if overrange:
        return "the converter met its end, so the humps are cut off"
    if samples.size < 4 * FEWEST_HUMPS:
        return f"{samples.size} samples are too few: expected at least {4 * FEWEST_HUMPS}"
    fastest = PER_HUMP * FASTEST * (events or MOST_EVENTS)
    if hz < fastest:
        return f"a capture at {hz:.0f} Hz is too slow for this motor: expected at least {ceil(fastest)} Hz"
    if samples.mean() <= 0.0 or np.ptp(samples) == 0.0:
        return "no current flows, or it does not change at all"
    return ""


def _without_trend(samples: Floats) -> Floats:
    """Less a parabola: what changes over the whole capture is no ripple."""
    t = np.linspace(-1.0, 1.0, samples.size)
    level: Floats = samples - np.polynomial.polynomial.polyval(t, np.polynomial.polynomial.polyfit(t, samples, 2))
    return level


def _limited(level: Floats) -> Floats:
    """What lies far beyond the bulk, cut off there: an open segment takes nearly all of the current away at its hump,
    and would drown the others' in its own harmonics. Ripple and noise alone stay within."""
    low, middle, high = np.quantile(level, (0.25, 0.5, 0.75))
    return np.clip(level, middle - FENCE * (high - middle), middle + FENCE * (middle - low))


def _too_few(seconds: float, line: Ladder, events: int | None) -> str:
    humps = line.hz * seconds
    fewest = max(FEWEST_HUMPS, FEWEST_TURNS * (events or line.rungs))
    return f"the capture holds {humps:.0f} humps: expected at least {fewest}" if humps < fewest else ""


def _described(samples: Floats, hz: float, course: Course, line: Ladder, events: int | None) -> Waveform:
    fold = folded(_without_trend(samples), course.phase, events or line.rungs)
    rounded = 0.5 / 3**0.5 / hz  # rates are told in whole hertz
    doubt = float(np.linalg.norm((course.doubt, course.drift / 12**0.5, course.hz * rounded)))
    typical = float(np.median(fold.heights))
    odd = float(np.abs(fold.heights - typical).max()) / typical
    return Waveform(
        commutation_hz=course.hz,
        commutation_doubt=doubt,
        dof=course.dof,
        drift=course.drift / course.hz,
        speed=None if events is None else course.hz / events,
        speed_doubt=None if events is None else doubt / events,
        events_per_turn=events,
        heights=fold.heights if events else np.empty(0),
        height_doubt=fold.height_doubt,
        irregularity=None if events is None else odd,
        ripple=typical / float(samples.mean()),
        noise=fold.noise,
    )
