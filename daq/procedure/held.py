"""Whether pressure that is left is the unit's: all was as it should be at power-off, the valve stayed shut, and nothing
was let out faster than a unit can leak."""

from collections.abc import Sequence
from dataclasses import dataclass

from daq.measure.channels import PressureInput
from daq.measure.residual import RUN_DOWN_S
from daq.measure.steps import Step
from daq.measure.sudden import lost_at_once
from daq.procedure.fitness import SETTLE_S, Fitness, Place
from daq.procedure.table import Valve

BEFORE_S = 0.5
"""So long before power-off pressure is what the unit then has to hold: under a supply that sags it is less."""
EDGES = 2
"""One edge may be a vane that trembles at the pick-up; what the hose gives back is not much more."""
LEFT = 0.1
"""A pump that runs down behind a check valve that does not close still holds this share of its pressure over the first
whole step after power-off; less is left where it was taken off with its power. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Held:
    """What a run knows of the time after power-off, at `off_at` (s of the run): its stage, its steps, each `step_s`
    long, and when a position sensor last saw the valve not shut (−∞: never)."""

    stage: str
    steps: Sequence[Step]
    step_s: float
    off_at: float
    unshut_at: float


def why_not_held(held: Held, fitness: Fitness, pressure: PressureInput) -> str:
    """What makes the steps tell nothing of a unit that was switched off, a few words; empty for nothing. The step in
    which the switch opened is only in part under power.

    Flow after power-off comes from a valve that was opened, or runs back through the meter: pulses tell no direction,
    so no unit is blamed.
    """
    last = held.off_at - held.step_s + 1e-6
    before = [s for s in held.steps if held.off_at - BEFORE_S - held.step_s < s.t <= last]
    if not before:
        return "power-off not seen"
    shut = Place(held.stage, 2.0 * SETTLE_S, Valve.SHUT, Valve.SHUT, Valve.SHUT)
    why = next((found for s in before if (found := fitness.why_not(s, shut))), "")
    after = [s for s in held.steps if s.t > held.off_at]
    return why or _opened(held, before[-1], after) or _let_out(held, before[-1], after, pressure)


def _opened(held: Held, before: Step, after: Sequence[Step]) -> str:
    if held.unshut_at > held.off_at - BEFORE_S:
        return "valve not shut"
    flowed = any(not s.flow.silent for s in after) or (bool(after) and after[-1].edges - before.edges >= EDGES)
    return "flow after power-off: was the valve opened?" if flowed else ""


def _let_out(held: Held, before: Step, after: Sequence[Step], pressure: PressureInput) -> str:
    run_down = [s for s in after if s.t >= held.off_at + RUN_DOWN_S]
    whole = [s for s in after if s.t >= held.off_at + 2.0 * held.step_s]
    with_its_power = bool(whole) and whole[0].pressure < LEFT * before.pressure
    if with_its_power or lost_at_once(pressure, run_down) is not None:
        return "pressure lost at once: was the unit taken off?"
    return ""
