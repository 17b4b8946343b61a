"""Whether pressure that is left is the unit's: all was as it should be at power-off, and the valve stayed shut."""

from collections.abc import Sequence

from daq.measure.steps import Step
from daq.procedure.fitness import SETTLE_S, Fitness, Place
from daq.procedure.table import Valve

BEFORE_S = 0.5
"""So long before power-off pressure is what the unit then has to hold: under a supply that sags it is less."""


def why_not_held(steps: Sequence[Step], off_at: float, step_s: float, fitness: Fitness, stage: str) -> str:
    """What makes the steps of a run tell nothing of a unit that was switched off at `off_at`, a few words; empty for
    nothing. `step_s` is the length of a step; the one in which the switch opened is only in part under power.

    Flow after power-off comes from a valve that somebody opened, or runs back through the meter: pulses tell no
    direction, so nobody is blamed.
    """
    last = off_at - step_s + 1e-6
    before = [s for s in steps if off_at - BEFORE_S - step_s < s.t <= last]
    if not before:
        return "power-off not seen"
    shut = Place(stage, 2.0 * SETTLE_S, Valve.SHUT, Valve.SHUT, Valve.SHUT)
    why = next((found for s in before if (found := fitness.why_not(s, shut))), "")
    flowed = any(s.t > off_at and not s.flow.silent for s in steps)
    return why or ("flow after power-off: was the valve opened?" if flowed else "")
