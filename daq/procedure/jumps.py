"""One channel alone jumps while the unit runs and the valve stands still: no unit does that.

In the open line pressure goes with the square of flow; against a shut valve current goes with pressure; speed, and flow
with it, follows the voltage at once, whatever the current does. So whatever happens to a unit or its supply moves two
channels, and a step in one alone is the channel's own: its sensor, its wire or its reference. The shares are far from
what the laws give, since meters lag and motors differ; they are common practice and have no source.
"""

import math
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from daq.measure.convert import Floats
from daq.measure.steps import Step
from daq.procedure.consistency import hidden
from daq.procedure.table import Valve

BEFORE, GAP, AFTER = 10, 2, 6
"""Steps that are compared, and those between them in which the jump may lie."""
SIGNIFICANT = 8.0
"""Standard errors that a jump has at least …"""
MOST = 3.0
"""A larger change, as a logarithm, is a signal that is lost, which is not looked for here."""
COUNTS = 1.5
"""A change by fewer steps of the converter may be the converter's."""
RESTING = 4.0
"""A jump lies between two times of rest: it is so many times what the signal moves in either. What drifts is on its way
of itself, as pressure is while a hand still opens the valve."""
LEAST = {"pressure": 0.02, "voltage": 0.007, "current": 0.015, "flow": 0.015}
"""… and the least share of the signal."""
COMPANIONS: dict[Valve, dict[str, dict[str, float]]] = {
    Valve.OPEN: {
        "pressure": {"flow": 0.1},
        "flow": {"pressure": 0.5},
        "voltage": {"flow": 0.25},
        "current": {"flow": 0.25, "voltage": 0.1},
    },
    Valve.SHUT: {
        "pressure": {"current": 0.1},
        "voltage": {"current": 0.25},
        "current": {"pressure": 0.1, "voltage": 0.1},
    },
}
"""By where the valve is and the channel that jumped: what else would move, and the least share of the jump that would
be seen there. One that scatters too much to tell speaks for the unit."""


@dataclass(frozen=True, slots=True)
class Change:
    """A channel's change as the logarithm of a ratio, its standard error, and the least that would be a jump; NaN where
    it cannot be told."""

    value: float
    error: float
    least: float = math.inf

    @property
    def is_jump(self) -> bool:
        return MOST > abs(self.value) > max(SIGNIFICANT * self.error, self.least)

    def below(self, limit: float) -> bool:
        """Whether it is certainly less."""
        return abs(self.value) + 3.0 * self.error < limit


class Jumps:
    """Watches the steps of one stage after the other. `lsb` is the converter's step by channel, `samples` go into a
    step."""

    def __init__(self, lsb: Mapping[str, float], samples: int) -> None:
        self._lsb, self._samples = lsb, samples
        self._steps = deque[Step](maxlen=BEFORE + GAP + AFTER)

    def feed(self, step: Step, valve: Valve | None, *, fit: bool, turned: bool = False) -> str:
        """Takes a step of a stage that needs the valve at an end; `fit`: nothing is touched. Gives the channel that
        has jumped alone, empty for none. What lies before a gap counts for nothing. `turned`: a hand may still open the
        valve, which moves pressure and hardly any flow.
        """
        if not fit or valve not in COMPANIONS or (self._steps and step.number != self._steps[-1].number + 1):
            self._steps.clear()
        if not fit or valve not in COMPANIONS:
            return ""
        self._steps.append(step)
        if len(self._steps) < BEFORE + GAP + AFTER:
            return ""
        return self._alone(COMPANIONS[valve], passed_over="pressure" if turned and valve is Valve.OPEN else "")

    def _alone(self, companions: dict[str, dict[str, float]], passed_over: str) -> str:
        for name, others in companions.items():
            if name == passed_over or not self._differs(name):
                continue
            jump = self._change(name)
            if jump.is_jump and all(self._change(o).below(share * abs(jump.value)) for o, share in others.items()):
                return name
        return ""

    def _differs(self, name: str) -> bool:
        """Whether a channel's first and last step differ by as much as half of a jump: nearly never, and cheap."""
        first, last = _value(self._steps[0], name), _value(self._steps[-1], name)
        return abs(last - first) > 0.5 * LEAST[name] * abs(first)

    def _change(self, name: str) -> Change:
        values = np.array([_value(s, name) for s in self._steps])
        before, after = values[:BEFORE], values[-AFTER:]
        first, second = float(before.mean()), float(after.mean())
        if not (first > 0.0 and second > 0.0):
            return Change(math.nan, math.nan)
        lsb, smaller = self._lsb.get(name, 0.0), min(first, second)
        error = math.hypot(before.std(ddof=1) / math.sqrt(BEFORE), after.std(ddof=1) / math.sqrt(AFTER))
        error += hidden(before, lsb, self._samples) + hidden(after, lsb, self._samples)
        least = max(LEAST[name], COUNTS * lsb / smaller, RESTING * max(_drift(before), _drift(after)))
        return Change(math.log(second / first), error / smaller, least)


def _value(step: Step, name: str) -> float:
    value: float = step.flow.value if name == "flow" else getattr(step, name)
    return value


def _drift(values: Floats) -> float:
    """The share by which the second half of some values differs from the first; infinite where that is nothing."""
    half = len(values) // 2
    first, second = float(values[:half].mean()), float(values[-half:].mean())
    return abs(second / first - 1.0) if first else math.inf
