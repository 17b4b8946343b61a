"""Checks of one run's signals against each other, which cost nothing: each can make a run void, none can pass or fail
a unit. What a channel shows at rest stands in `rests`, what it shows in the same state twice in `consistency`."""

import math

from daq.measure.convert import BITS, Column
from daq.measure.references import Disagreement
from daq.measure.steps import Step
from daq.procedure.effects import Alarm
from daq.procedure.fitness import FAULTY
from daq.procedure.guards import OFF_AND_OPEN

CONTRADICT = "signals contradict"
"""Why a run is void two of whose channels cannot both be right."""
MOST_EFFICIENCY = 0.6
"""Share of the electrical power that comes out as pressure and flow, at most: brushed pumps give 0.05 to 0.35, and no
motor and no pump of the trade is better than 0.8 each. Common practice, no source."""
BALANCE_S = 1.0
"""Powers are compared by their means over so long, in which a meter's lag counts for little."""
RUN_UP_S = 1.0
"""So long after power-on what is turned is still being speeded up."""
_NEEDED = BITS[Column.PRESSURE] | BITS[Column.VOLTAGE] | BITS[Column.CURRENT]


def faulty(found: Disagreement) -> str:
    """Why a run is void whose reference cannot be believed."""
    return f"{found.name}{FAULTY}"


def reference_alarm(found: Disagreement, stage: str, *, by_hand: bool) -> Alarm:
    """The alarm of a reference that cannot be believed; `by_hand` where a person has power and valve in hand."""
    spoilt = ", ".join(found.channels)
    text = f"stage {stage}: {found.name}: {found.text}; without it {spoilt} cannot be believed"
    return Alarm("reference_faulty", "stop", text, f"{OFF_AND_OPEN if by_hand else ''}{found.do}")


def contradiction_alarm(found: str, stage: str, *, by_hand: bool) -> Alarm:
    """The alarm of channels that contradict each other."""
    do = "check the channels named against a known value: one of them is wrong"
    return Alarm("channels_disagree", "stop", f"stage {stage}: {found}", f"{OFF_AND_OPEN if by_hand else ''}{do}")


class Balance:
    """Compares hydraulic with electrical power, step by step. `rest` is what an empty line shows, Pa."""

    def __init__(self, rest: float, step_s: float) -> None:
        self._rest, self._whole = rest, max(1, round(BALANCE_S / step_s))
        self._begin()

    def _begin(self) -> None:
        self._steps, self._out, self._in = 0, 0.0, 0.0

    def feed(self, step: Step, on_for: float | None) -> str:
        """Takes a step, `on_for` seconds after power-on (None: off). Gives what cannot be; empty for nothing."""
        known = not (step.lost or step.faulty & _NEEDED or math.isnan(step.flow.value))
        if on_for is None or on_for < RUN_UP_S or not known:
            self._begin()
            return ""
        self._steps += 1
        self._out += max(step.pressure - self._rest, 0.0) * step.flow.value
        self._in += max(step.voltage * step.current, 0.0)
        if self._steps < self._whole:
            return ""
        out, into = self._out / self._steps, self._in / self._steps
        self._begin()
        if out <= MOST_EFFICIENCY * into:
            return ""
        most = f"expected at most {MOST_EFFICIENCY:.0%} of that"
        return f"pressure × flow is {out:.1f} W, voltage × current {into:.1f} W: {most}"
