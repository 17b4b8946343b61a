"""How far a capture of a motor's current can be trusted: the commutation frequency by ripple, noise and bad segments.

Run: python -m tests.studies.waveform
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from daq.measure.waveform import NotDetermined, Waveform, events_per_turn, waveform_of
from tests.studies.common import show

Floats = NDArray[np.float64]
Shape = Callable[[Floats], Floats]

HZ, SAMPLES = 20_000, 4_000
CURRENT, RIPPLE = 6.0, 0.12
LSB = 5 / 4096 / 0.2
"""A, of 12 bits over 5 V behind an amplifier that gives 0.2 V/A."""
FINER, EDGE = 8, 48
"""Steps of the motor in a sample, and samples at either end that the filter spoils."""
SLOWEST, FASTEST = 45.0, 160.0
MOTORS = ((8, 2), (7, 2), (10, 2), (12, 2), (5, 4))
"""Segments and poles."""


def rectified(x: Floats) -> Floats:
    """A rectified cosine, valley to crest to valley while x goes from 0 to 1."""
    return np.abs(np.sin(np.pi * x))


def sawtooth(x: Floats) -> Floats:
    return x


def round_hump(x: Floats) -> Floats:
    return 0.5 - 0.5 * np.cos(2 * np.pi * x)


SHAPES: tuple[Shape, ...] = (rectified, sawtooth, round_hump)


@dataclass(frozen=True)
class Motor:
    """A motor on paper: `heights` of the humps of a turn as shares of the common one, `drift` of its speed through the
    capture, `load` the amplitude (a share of the current) of a pulsation `load_order` times a turn."""

    turns: float
    heights: Floats
    shape: Shape = rectified
    drift: float = 0.0
    ripple: float = RIPPLE
    load: float = 0.0
    load_order: int = 6

    def current(self, rng: np.random.Generator, noise: float, samples: int = SAMPLES, hz: float = HZ) -> Floats:
        """A capture (A) without a converter; its mean speed is `turns`, whatever drifts."""
        t, long = (np.arange(FINER * (samples + 2 * EDGE)) / FINER - EDGE) / hz, samples / hz
        turned = rng.random() + self.turns * (t + 0.5 * self.drift * (t / long - 1.0) * t)
        humps = turned * self.heights.size
        each = self.heights[np.floor(humps).astype(int) % self.heights.size] * self.shape(humps % 1.0)
        pulse = self.load * np.sin(2 * np.pi * self.load_order * turned)
        seen = _filtered(CURRENT * (1.0 + self.ripple * (each - 0.6) + pulse))[EDGE : EDGE + samples]
        return seen + noise * rng.standard_normal(samples)


def _filtered(fine: Floats) -> Floats:
    """Every FINER-th sample behind a filter that keeps what lies above 0.45 of the rate out, as a converter for
    captures needs it."""
    lines = np.fft.rfft(fine)
    lines[round(0.45 * fine.size / FINER) :] = 0.0
    return np.fft.irfft(lines, fine.size)[::FINER]


def counted(current: Floats, lsb: float = LSB) -> Floats:
    """As a converter sees it."""
    return np.round(current / lsb) * lsb


def equal(_: np.random.Generator, events: int) -> Floats:
    return np.ones(events)


def unequal(rng: np.random.Generator, events: int) -> Floats:
    return rng.uniform(0.6, 1.4, events)


def missing(rng: np.random.Generator, events: int) -> Floats:
    """One hump of a turn is not there."""
    heights = np.ones(events)
    heights[rng.integers(events)] = 0.0
    return heights


def missing_twice(rng: np.random.Generator, events: int) -> Floats:
    """A bad segment under both brushes: two humps, half a turn apart."""
    heights = np.ones(events)
    at = int(rng.integers(events // 2))
    heights[[at, at + events // 2]] = 0.0
    return heights


def dip(rng: np.random.Generator, events: int) -> Floats:
    """In place of one hump the current falls by four humps."""
    heights = np.ones(events)
    heights[rng.integers(events)] = -4.0
    return heights


KINDS = (equal, unequal, missing, missing_twice, dip)
Kind = Callable[[np.random.Generator, int], Floats]


@dataclass
class Tally:
    """What came of many captures: `right` within 0.5 % of the speed, `errors` of those in their stated doubt."""

    right: int = 0
    wrong: int = 0
    not_determined: int = 0
    errors: list[float] = field(default_factory=list)
    doubts: list[float] = field(default_factory=list)
    oddness: list[float] = field(default_factory=list)

    def take(self, found: Waveform | NotDetermined, turns: float) -> None:
        if isinstance(found, NotDetermined):
            self.not_determined += 1
            return
        assert found.speed is not None
        assert found.speed_doubt is not None
        assert found.irregularity is not None
        if abs(found.speed / turns - 1.0) > 0.005:
            self.wrong += 1
            return
        self.right += 1
        self.errors.append((found.speed - turns) / found.speed_doubt)
        self.doubts.append(found.speed_doubt / turns)
        self.oddness.append(found.irregularity)


def tally(kind: Kind, ratio: float, count: int, seed: int = 51, load: float = 0.0) -> Tally:
    """Captures of motors of all sorts and speeds; `ratio` is the ripple from valley to crest over the noise of a
    sample."""
    rng, found = np.random.default_rng(seed), Tally()
    for k in range(count):
        segments, poles = MOTORS[k % len(MOTORS)]
        heights = kind(rng, events_per_turn(segments, poles))
        shape = SHAPES[k % len(SHAPES)]
        motor = Motor(rng.uniform(SLOWEST, FASTEST), heights, shape, load=load, load_order=int(rng.integers(3, 12)))
        current = counted(motor.current(rng, CURRENT * RIPPLE / ratio))
        found.take(waveform_of(current, HZ, segments=segments, poles=poles), motor.turns)
    return found


def row(kind: Kind, ratio: float, count: int, load: float = 0.0) -> tuple[str, ...]:
    t = tally(kind, ratio, count, load=load)
    shares = [f"{100 * n / count:.1f} %" for n in (t.right, t.not_determined, t.wrong)]
    if not t.right:
        return *shares, "", "", ""
    rms = math.sqrt(float(np.mean(np.square(t.errors))))
    return *shares, f"{100 * np.median(t.doubts):.4f} %", f"{rms:.2f}", f"{np.median(t.oddness):.2f}"


HEAD = ("right", "not determined", "wrong", "u of speed", "error/u (rms)", "irregularity")


def main() -> None:
    cases = [(kind, ratio) for kind in KINDS for ratio in (20.0, 5.0, 2.0, 1.4, 1.0, 0.7, 0.3)]
    show(
        ("humps", "ripple/noise", *HEAD),
        ((k.__name__.replace("_", " "), f"{r:g}", *row(k, r, 100)) for k, r in cases),
    )
    show(
        ("load's pulsation/ripple", *HEAD),
        (
            (f"{2 * load / RIPPLE:.2f}", *row(equal, 10.0, 100, load))
            for load in (0.003, 0.006, 0.012, 0.024, 0.06, 0.12)
        ),
    )


if __name__ == "__main__":
    main()
