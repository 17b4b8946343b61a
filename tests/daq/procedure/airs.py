"""Air in what a pump draws, by models that share nothing with the simulator's: how its flow comes and goes."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

Share = Callable[[float], float]
"""Of the flow without air, what is left of it so many seconds after power-on."""


@dataclass(frozen=True, slots=True)
class Air:
    """A model of air: `name` is its kind, `share` what is left of the flow."""

    name: str
    share: Share

    def mean(self, seconds: float = 120.0) -> float:
        """The share that is left over a long time."""
        return float(np.mean([self.share(0.05 * k) for k in range(round(seconds / 0.05))]))


def slugs(rng: np.random.Generator) -> Air:
    """Slugs of gas every few seconds, each as long and as thick as the last, but for a third."""
    every, lasts, left = rng.uniform(2.5, 6.0), rng.uniform(0.8, 2.2), rng.uniform(0.2, 0.8)
    begins, t = [], float(rng.uniform(0.0, every))
    while t < 200.0:
        begins.append((t, t + lasts * rng.uniform(0.7, 1.3)))
        t += lasts + every * rng.uniform(0.7, 1.3)
    return Air("slugs", lambda s: left if any(a <= s < b for a, b in begins) else 1.0)


def ramps(rng: np.random.Generator) -> Air:
    """A void fraction that grows until the inlet clears, again and again."""
    every, most, begin = rng.uniform(3.0, 9.0), rng.uniform(0.15, 0.6), rng.uniform(0.0, 1.0)
    return Air("ramps", lambda s: 1.0 - most * ((s / every + begin) % 1.0))


def gulps(rng: np.random.Generator) -> Air:
    """Swell and ebb, of two periods that do not fit together."""
    mean, depth = rng.uniform(0.1, 0.3), rng.uniform(0.3, 0.9)
    slow, quick = rng.uniform(2.0, 8.0), rng.uniform(0.6, 1.9)
    a, b = rng.uniform(0.0, 2.0 * math.pi, 2)
    return Air(
        "gulps",
        lambda s: (
            1.0 - mean * (1.0 + depth * (0.7 * math.sin(6.283 * s / slow + a) + 0.3 * math.sin(6.283 * s / quick + b)))
        ),
    )


def steps(rng: np.random.Generator) -> Air:
    """A vortex that opens and closes: two states, each of which lasts for seconds."""
    left, t, wet = rng.uniform(0.5, 0.85), 0.0, bool(rng.integers(2))
    ends: list[tuple[float, float]] = []
    while t < 200.0:
        t += float(rng.uniform(1.0, 4.0))
        ends.append((t, 1.0 if wet else left))
        wet = not wet
    return Air("steps", lambda s: next(share for end, share in ends if s < end))


def foam(rng: np.random.Generator) -> Air:
    """Foam: never the same from one tenth of a second to the next, with a slow wander upon it."""
    noise = 0.15 * rng.standard_normal(2001)
    wander = np.convolve(rng.standard_normal(2400), np.ones(40) / 40.0, "same")[:2001]
    left = 0.75 + 0.1 * noise + 0.5 * wander * rng.uniform(0.1, 0.5)
    return Air("foam", lambda s: float(left[min(int(s * 10.0), 2000)]))


KINDS = (slugs, ramps, gulps, steps, foam)


def primes(rng: np.random.Generator) -> Share:
    """A sound unit that primes slowly: nothing for a while, then more and more, with some spitting before the end."""
    dry, rises, spits = rng.uniform(0.0, 2.5), rng.uniform(0.5, 5.0), int(rng.integers(0, 4))
    at = sorted(rng.uniform(dry, dry + rises, spits))

    def share(s: float) -> float:
        if any(t <= s < t + 0.25 for t in at):
            return 0.3
        return 0.0 if s < dry else min(1.0, 0.3 + 0.7 * (s - dry) / rises)

    return share
