"""Falls of pressure that no unit makes.

Behind a shut valve a line loses pressure through the unit's check valve alone. What leaks there, over what the hose
gives back as it relaxes, is the rate: dp/dt = Q/C. A leak through a gap grows with pressure at most in proportion and
through a hole with its root; the root leaves the more at low pressure, so the bound follows it. What falls faster was
let out: the unit was taken off, a hose slipped, a hand opened the valve.
"""

import math
from collections.abc import Sequence
from itertools import pairwise

from daq.measure.channels import PressureInput
from daq.measure.steps import Step

MOST_LEAK, AT = 5.0 / 3.6e6, 500e3
"""The most that leaks through a unit that still holds at all: 5 L/h at 500 kPa, a fifteenth of what it pumps and a
thousand times what is called a leak. Common practice, no source."""
SMALLEST_COMPLIANCE = 1e-12
"""Of hose and line where the stand states none, m³/Pa: a metre of stiff hose. Common practice, no source."""
NOISE = 4e3
"""A step's mean may fall by so much (Pa) by noise and by the converter's step; common practice, no source."""


def most_lost(p: PressureInput, pressure: float, seconds: float) -> float:
    """The most (Pa) that a line at `pressure` (Pa) may lose through a unit in so many seconds, noise included."""
    compliance = p.compliance * (1.0 - p.compliance_doubt) or SMALLEST_COMPLIANCE
    return MOST_LEAK / compliance * math.sqrt(max(pressure, 0.0) / AT) * seconds + NOISE


def lost_at_once(p: PressureInput, steps: Sequence[Step]) -> float | None:
    """When (s of the run) the steps of a shut line show such a fall first; None where they show none."""
    for before, after in pairwise(steps):
        if before.pressure - after.pressure > most_lost(p, before.pressure, after.t - before.t):
            return after.t
    return None
