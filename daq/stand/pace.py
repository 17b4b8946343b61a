"""How blocks come in: the device's clock against the computer's, and how late blocks are."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

LEAST = 10
"""Blocks from which a rate can be told."""


@dataclass(frozen=True, slots=True)
class Pace:
    """What the arrivals of blocks tell, by the computer's clock.

    `ratio` is seconds of the device for each second of the computer; `doubt` is its expanded uncertainty (k = 2) from
    the scatter of arrivals. Lateness (s) counts from the quickest block, since what all of them take cannot be seen:
    `usual` is the median, `worst` the latest block's. `gap` (s) is the longest time without a block.
    """

    ratio: float
    doubt: float
    usual: float
    worst: float
    gap: float


def pace_of(device: Sequence[float], host: Sequence[float]) -> Pace | None:
    """The pace of blocks whose last scans were at `device` seconds and that came at `host` seconds; None for too few.

    A straight line through the arrivals by least squares; its slope's doubt is that of independent residuals
    (JCGM 100:2008, H.3).
    """
    if len(device) < LEAST:
        return None
    x, y = np.asarray(device) - device[0], np.asarray(host) - host[0]
    far = x - x.mean()
    spread = float(far @ far)
    if spread <= 0.0:
        return None
    slope = float(far @ y) / spread
    late = y - slope * x
    scatter = float(late.std(ddof=2)) / spread**0.5
    if slope <= 0.0:
        return None
    late -= late.min()
    return Pace(
        ratio=1.0 / slope,
        doubt=2.0 * scatter / slope**2,
        usual=float(np.median(late)),
        worst=float(late.max()),
        gap=float(np.diff(y).max()),
    )
