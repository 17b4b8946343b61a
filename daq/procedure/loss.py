"""What was there and is gone while a unit runs, as no unit alone makes it: a hose that slipped, a lead, no fluid.

A unit that has pumped in this run and then gives neither flow nor pressure may have failed; it may as well have lost
its hose, its plug or its fluid, and no signal tells which. So it is void, and stopped soon: a pump that runs dry is
spoiled in seconds, a hose that is off sprays. Behind a shut valve a unit holds at least what it pushed through the open
line, so that less is nothing to read a shutoff from.
"""

from dataclasses import dataclass

from daq.measure.channels import Channels
from daq.measure.convert import BITS, Column
from daq.measure.steps import Step
from daq.measure.sudden import most_lost
from daq.procedure.guards import OFF, Breach

HELD = 50e3
"""Only from a pressure (Pa) above this a fall is taken for a loss at once: less is what air in an open line does."""
SURE_S, COASTS_S = 1.0, 3.0
"""So long nothing flows after such a fall, once the meter has run down, for which it has so long: a valve that was
opened would show flow that goes on. Common practice, no source."""
LEFT = 0.1
"""Share of the pressure that may be left of it."""
SHARE = 0.5
"""Less than this share of what a unit showed before is no pressure of its own."""
GONE = "no flow, no pressure"
"""Why nothing is read."""


@dataclass(slots=True)
class _Fall:
    """A fall from `before` (Pa) at `t` (s). Nothing flowed since `quiet` (s), the meter's count then being `edges`."""

    t: float
    before: float
    quiet: float
    edges: int


class Loss:
    """Looks at every step of one run. `pumped`: the unit was seen to pump in it."""

    def __init__(self, channels: Channels, no_flow_s: float, current_floor: float) -> None:
        self._pressure, self._no_flow_s, self._current_floor = channels.pressure, no_flow_s, current_floor
        self._last: Step | None = None
        self._fall: _Fall | None = None
        self._most = 0.0
        self._edges = 0
        self._sign_at = 0.0
        self._ran = False
        self.pumped = False

    def worked(self, step: Step) -> bool:
        """Whether the unit was seen to work before in this run, and a step without flow may come of something else:
        one that ran, and through which no current goes now, may have lost a lead."""
        return self.pumped or (self._ran and abs(step.current) < self._current_floor)

    def feed(self, step: Step, *, wet: bool, opened: bool) -> Breach | None:
        """Takes a step; `wet`: power is on and the unit in fluid; `opened`: the stage needs the valve open. The breach
        blames no unit."""
        self._ran |= step.current >= self._current_floor
        before, self._last = self._last, step
        if not wet or step.faulty & BITS[Column.PRESSURE]:
            self._fall, self._sign_at, self._edges = None, step.t, step.edges
            self._last = None
            return None
        flows = step.edges != self._edges or not step.flow.silent
        self._edges = step.edges
        if before is not None:
            self._most = max(self._most, min(before.pressure, step.pressure))  # what two steps have, no spike
            self._see_fall(before, step)
        self.pumped |= step.flow.value == step.flow.value or self._most > 2.0 * self._pressure.line_tolerance
        if flows or not self.gone(step, opened=opened):
            self._sign_at = step.t
        if self._fall is not None and step.t - self._fall.quiet >= SURE_S:
            text = f"{OFF}pressure is gone at once, and nothing flows; look at hose and plug, and whether it sprays"
            return Breach("pressure_lost", "pressure lost at once", text)
        if step.t - self._sign_at >= self._no_flow_s:
            text = f"{OFF}the unit pumped and gives nothing any more; look at hose, plug, leads, return line and fluid"
            return Breach("flow_ended", "flow ended", text)
        return None

    def gone(self, step: Step, *, opened: bool) -> bool:
        """Whether a step shows neither flow nor pressure of a unit that has pumped before."""
        none = step.flow.silent and step.pressure <= self._pressure.line_tolerance
        less = self._most > self._pressure.line_tolerance and step.pressure < SHARE * self._most
        return self.pumped and none and (opened or less)

    def _see_fall(self, before: Step, step: Step) -> None:
        fall = self._fall
        if fall is not None:
            if step.edges != fall.edges:
                fall.quiet, fall.edges = step.t, step.edges
            held = step.pressure > max(LEFT * fall.before, self._pressure.line_tolerance)
            if held or fall.quiet - fall.t > COASTS_S:
                self._fall = None
            return
        at_once = before.pressure - step.pressure > most_lost(self._pressure, before.pressure, step.t - before.t)
        # a fall that straddles two steps ends in the second
        if at_once and before.pressure > HELD:
            self._fall = _Fall(step.t, before.pressure, step.t, step.edges)
