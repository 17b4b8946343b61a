"""Where a driven valve is told to be, step by step: as quickly as pressure allows, whatever the valve is like.

Valves are far from linear: most of the flow's change comes in a small part of the travel, and where that part lies no
two valves agree. So nothing here knows a valve. How far pressure moves for the travel made is seen as it happens, and
sets the speed; what is not seen yet, because all of it comes late, is bounded by how quickly any valve can steepen.
"""

import math

from daq.measure.steps import STEP_S, Step
from daq.procedure.plan import Drive
from daq.procedure.ramp_watch import GAP_S, Watch

SPARE = 0.8
"""With the unit running the valve takes this share of full speed at most: where an actuator is slower than stated, the
command runs ahead of it, and a pressure that comes up late finds the valve told to be far too near shut."""
AIMED = 0.9
"""The share of the permitted rate that is aimed at; the rest is for what noise and delay do."""
REACTION_S = 0.15
"""Pressure keeps rising for so long after the valve is told to stand; in this time it may rise by `overshoot`."""
STEEPENS = 10.0
"""Pressure against a valve steepens with travel by at most this, divided by the travel that is left. For a needle whose
opening goes with the square of its travel it is 5; twice that, as a valve may be shut before its travel ends."""
LOOK_S = 0.5
"""What is known of steepness is so old by the time the valve obeys."""
STEEPEST = 3.0
"""Where an opening valve has not yet moved pressure it may do so suddenly, as a relief valve or regulator shuts: by at
most its pressure times this, divided by the travel made, between what a needle does (4) and a linear valve (2)."""
GROPES = 0.06
"""Before the late meter can tell what flows, such a valve opens by this share of its travel in a second at most."""
GROWS = 1.2
"""Speed grows by so much a step at most …"""
BEGINS = 0.01
"""… and by this share of full speed."""
OVER = 1.2, 1.5
"""Where pressure changes by more than so many times what was wanted the valve slows down; by the second it stands."""
FIRST = 0.1
"""The travel made counts as at least this much there: a valve that lets so much through any sooner is far too large."""
LAST = 0.003
"""The travel left is never taken as less than this."""
BINS = 100
"""So finely is remembered how quickly the valve could close, for opening it again."""
NEAR = 0.005, 1e3
"""A pressure is held when it is within this share of it, or within so many Pa where that is more …"""
STAYS = 2.5
"""… and as long as it stays within so many times that."""
NEARS_S = 0.6
"""The rate at which a held pressure is neared would reach it in this time."""
QUIET_S = 1.0
"""So long the valve stands before pressure is looked at again."""
TRIM = 0.6
"""The share of what is missing that one trim makes good."""
AFAR = 10.0
"""A pressure so many times further off than it may be is neared anew."""


class Ramp:
    """One valve. Each call takes the newest step, in order, and gives the position to command: 0 shut … 1 open.

    It never moves faster than `drive.travel` allows, stands still while pressure or flow cannot be believed (a flow of
    which only an interval is known can be), and moves only when it is called: calls may pause, and begin anew a few
    steps after. `position` is what was given last; `settled` says that `hold` has its pressure and the valve stands.

    The actuator must take no longer from end to end than `drive.travel` says, or little longer.
    """

    def __init__(self, drive: Drive, position: float = 1.0) -> None:
        self._fastest = 1.0 / drive.travel
        self._top = SPARE * self._fastest
        self._rate = AIMED * min(drive.pressure_rate, drive.overshoot / REACTION_S)
        self._watch = Watch()
        self._closing: bool | None = None
        self._speed = 0.0
        self._moved = False  # whether pressure has answered since the valve turned round
        self._closed_at: dict[int, float] = {}
        self._t = -math.inf
        self._held: float | None = None
        self._stood_at: float | None = None
        self.position = position
        self.settled = False

    @property
    def shut(self) -> bool:
        return self.position == 0.0

    @property
    def opened(self) -> bool:
        return self.position == 1.0

    def close(self, step: Step) -> float:
        """Towards shut, with the unit running: pressure rises no quicker than permitted."""
        return self._travel(step, closing=True)

    def open(self, step: Step) -> float:
        """Towards open, with the unit running: pressure falls no quicker than permitted."""
        return self._travel(step, closing=False)

    def go(self, step: Step, goal: float) -> float:
        """Towards `goal` at full speed, whatever pressure does: for a unit without power."""
        since, self._t = step.t - self._t, step.t
        self._leave()
        self._watch = Watch()
        most = self._fastest * (since if 0.0 < since <= GAP_S else 0.0)
        gap = min(max(goal, 0.0), 1.0) - self.position
        self.position += min(max(gap, -most), most)
        return self.position

    def hold(self, step: Step, pressure: float) -> float:
        """Towards where the unit gives `pressure` (Pa), then stands there, trimmed now and then.

        A pressure that the unit cannot give ends with the valve at one end of its travel, not settled.
        """
        self._t = step.t
        if pressure != self._held:
            self._leave()
            self._held = pressure
        if not self._watch.feed(step, self.position):
            self._speed, self.settled = 0.0, False
            self._stood_at = None if self._stood_at is None else step.t
        elif self._stood_at is None:
            self._near(step, pressure)
        else:
            self._keep(step, pressure)
        return self.position

    # Travelling.

    def _travel(self, step: Step, *, closing: bool) -> float:
        self._t = step.t
        self._leave()
        if self._watch.feed(step, self.position):
            self._advance(step, closing, self._rate)
        else:
            self._speed = 0.0
        return self.position

    def _leave(self) -> None:
        self._held = self._stood_at = None
        self.settled = False

    def _advance(self, step: Step, closing: bool, wanted: float) -> None:
        """Moves for one step so that pressure changes by `wanted` (Pa/s)."""
        if closing is not self._closing:
            self._turn(closing)
        if self.position == (0.0 if closing else 1.0):
            return
        seen = self._watch.rate if closing else -self._watch.rate
        self._moved |= seen > 0.3 * self._rate
        if closing:
            self._remember()
            speed = min(self._quickest(wanted), self._top)
        else:
            speed = self._quickest_opening(step, wanted)
        low, high = OVER
        speed *= min(1.0, max(0.0, (high * wanted - seen) / ((high - low) * wanted)))
        self._speed = min(speed, GROWS * self._speed + BEGINS * self._top)
        way = self._speed * min(self._watch.gap, 2.0 * STEP_S)
        self.position = max(0.0, self.position - way) if closing else min(1.0, self.position + way)

    def _turn(self, closing: bool) -> None:
        self._closing, self._speed, self._moved = closing, 0.0, False
        self._watch.forget()

    def _quickest(self, wanted: float) -> float:
        """The closing speed at which pressure rises by `wanted`, with the steepness that it will have: the root of
        speed × steepness × (1 + STEEPENS × speed × LOOK_S ÷ travel left) = wanted."""
        steep = self._watch.steepness
        if steep == 0.0:
            return self._top
        bend = STEEPENS * LOOK_S / max(self.position, LAST)
        ratio = wanted / steep
        return 2.0 * ratio / (1.0 + math.sqrt(1.0 + 4.0 * bend * ratio))

    def _quickest_opening(self, step: Step, wanted: float) -> float:
        """The opening speed at which pressure falls by `wanted`. A valve only flattens as it opens, once pressure has
        answered. Before, it opens no faster than it could close there; where it has not closed yet, the steepest that
        it may be is reckoned with once the meter can tell the flow."""
        steep, top = self._watch.steepness, self._ahead()
        if top is None and not self._moved:
            top = min(GROPES, self._top)
            if step.flow.value == step.flow.value:
                steep = max(steep, STEEPEST * step.pressure / max(self.position, FIRST))
        elif top is not None:
            top *= math.sqrt(wanted / self._rate)
        top = self._top if top is None else top
        return min(wanted / steep, top) if steep > 0.0 else top

    # What closing has shown.

    def _remember(self) -> None:
        self._closed_at[int(BINS * self.position)] = min(self._quickest(self._rate), self._top)

    def _ahead(self) -> float | None:
        """The slowest that the valve could close where an opening one will soon be, None where it has not."""
        first = int(BINS * self.position) - 1
        last = int(BINS * (self.position + self._speed * LOOK_S)) + 2
        return min((self._closed_at[k] for k in range(first, last + 1) if k in self._closed_at), default=None)

    # Holding.

    def _near(self, step: Step, pressure: float) -> None:
        missing = pressure - self._watch.soon
        if abs(missing) <= 0.5 * _within(pressure):
            self._speed, self._stood_at = 0.0, step.t
            return
        self._advance(step, missing > 0.0, min(self._rate, abs(missing) / NEARS_S))

    def _keep(self, step: Step, pressure: float) -> None:
        assert self._stood_at is not None
        if step.t - self._stood_at < QUIET_S:
            return
        missing = pressure - self._watch.pressure
        if abs(missing) <= _within(pressure) * (STAYS if self.settled else 1.0):
            self.settled = True
            return
        self.settled = False
        steep = self._watch.steepness
        if abs(missing) > AFAR * _within(pressure) or steep == 0.0:
            self._stood_at = None
            return
        most = self._top * self._watch.gap
        self.position = min(max(self.position - min(max(TRIM * missing / steep, -most), most), 0.0), 1.0)
        self._stood_at = step.t


def _within(pressure: float) -> float:
    share, least = NEAR
    return max(share * pressure, least)
