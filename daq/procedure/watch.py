"""A reading stage's window: opens when everything holds still, starts anew when anything spoils it."""

import math
from collections.abc import Collection, Mapping

from daq.measure.convert import BITS, Column
from daq.measure.flow import Flow
from daq.measure.steady import Detector
from daq.measure.steps import Step
from daq.procedure.plan import Reading as Settings

SMALL_S = 5.0
"""A flow below the meter's table is known to be small, and not that it stays so: a unit that cavitates, or a meter that
runs down, ticks there for a moment. It must have been small for so long, as long as a unit may run without any flow.
Common practice, no source."""
BESIDE_S = 3.0
"""So long a channel that nothing is required of may hold a window up, once all else has come to rest: by then what a
valve, a hose or a rotor does after a change is over (common practice, no source)."""


def _below_table(flow: Flow) -> bool:
    return math.isnan(flow.value) and math.isfinite(flow.high)


SHARED_ENDS = -0.5
"""Autocorrelation of the steps of a meter with unequal vanes: two neighbours share an edge, so one has more by what
the other has less."""
_COLUMN = {"pressure": Column.PRESSURE, "voltage": Column.VOLTAGE, "current": Column.CURRENT}


class Watch:
    """Feeds the steady-state detectors of the channels that a stage names and counts its looks.

    `tolerances` is by channel (`flow`, `pressure`, `current`, `voltage`): the slope over a window that is still steady;
    `lsb` is the converter's step by channel. Those `beside` are named because what the stage reads could still be on
    its way while they move; nothing is required of them, so they hold a window up for BESIDE_S and no longer.
    A window begins at the step after everything was found steady and is never back-dated. A look is due at each
    multiple of the shortest window, and once at the time that `ask` was told; `looks` counts them, those at windows
    that were spoilt since included.
    """

    def __init__(
        self,
        tolerances: Mapping[str, float],
        settings: Settings,
        lsb: Mapping[str, float],
        beside: Collection[str] = (),
    ) -> None:
        self._settings = settings
        self._beside = frozenset(beside)
        self._rested_at: float | None = None
        self._detectors = {
            name: Detector(window_s=settings.settle, tolerance=tolerance, lsb=lsb.get(name, 0.0))
            for name, tolerance in tolerances.items()
        }
        # The flow as the meter shows it, beside the flow that drove the meter: to take a lag out amplifies what is no
        # flow, such as unequal vanes, and a lagging meter that shows no change has nothing left to follow.
        self._shown = Detector(
            window_s=settings.settle,
            tolerance=tolerances.get("flow", 0.0),
            lsb=lsb.get("flow", 0.0),
            lowest_phi=SHARED_ENDS,
        )
        self._named = sum(BITS[_COLUMN[n]] for n in self._detectors if n in _COLUMN)
        self._steady = dict.fromkeys(self._detectors, False)
        self.steps: list[Step] = []
        self.looks = 0
        self._small_since: float | None = None
        self._in_window = 0
        self._asked = math.inf

    @property
    def exhausted(self) -> bool:
        """Whether a requirement that is decided on has had all its looks."""
        return self.looks >= self._settings.looks

    @property
    def at_longest(self) -> bool:
        """Whether the next look's window would be longer than a window may be."""
        return (self._in_window + 1) * self._settings.window > self._settings.longest + 1e-6

    @property
    def unsteady(self) -> str:
        """A channel that does not hold still and must, empty where all do."""
        return next((name for name, steady in self._steady.items() if not steady and name not in self._beside), "")

    @property
    def restless(self) -> frozenset[str]:
        """The channels that nothing is required of and that do not hold still."""
        return frozenset(name for name in self._beside if not self._steady[name])

    @property
    def begun(self) -> bool:
        return bool(self.steps)

    def ask(self, t: float) -> None:
        """A look at this window is due at `t` seconds as well, whatever its length is then."""
        self._asked = t

    def restart(self) -> None:
        """Throws the window away: nothing from before may enter a reading any more."""
        for name, detector in self._detectors.items():
            detector.reset()
            self._steady[name] = False
        self._shown.reset()
        self._small_since = None
        self._rested_at = None
        self._close()

    def listen(self, step: Step) -> None:
        """Takes a step before the stage begins: the detectors learn whether channels are steady, no window opens."""
        if step.lost or step.faulty & self._named:
            self.restart()
        else:
            self._detect(step)

    def feed(self, step: Step, fit: bool, *, look: bool = True) -> bool:
        """Takes a step; True where a look at `steps` is due, and not without `look`. `fit`: power, valve and
        conditions are as needed."""
        if not fit or step.lost or step.faulty & self._named:
            self.restart()
            return False
        self._detect(step)
        if not self._at_rest(step.t):
            self._close()
            return False
        if not self.steps:
            self.steps.append(step)
            return False
        self.steps.append(step)
        whole = step.t - self.steps[0].t >= (self._in_window + 1) * self._settings.window - 1e-6
        asked = step.t >= self._asked - 1e-6
        if not look or not (whole or asked):
            return False
        self._in_window += whole
        self._asked = math.inf if asked else self._asked
        self.looks += 1
        return True

    def window(self) -> list[Step]:
        """The steps of the window: those after the one that found everything steady."""
        return self.steps[1:]

    def _at_rest(self, t: float) -> bool:
        """Whether everything holds still that must, and what is beside it does or has been waited for."""
        if self.unsteady:
            self._rested_at = None
            return False
        self._rested_at = t if self._rested_at is None else self._rested_at
        return not self.restless or t - self._rested_at >= BESIDE_S - 1e-6

    def _close(self) -> None:
        if self.steps:
            self.steps = []
            self._in_window = 0
            self._asked = math.inf

    def _detect(self, step: Step) -> None:
        for name, detector in self._detectors.items():
            if name == "flow":
                self._steady[name] = self._flow_steady(step, detector)
            else:
                self._steady[name] = detector.feed(step.t, getattr(step, name))

    def _flow_steady(self, step: Step, detector: Detector) -> bool:
        if step.flow.silent:
            self._forget_flow(detector)  # a line laid across the silence would be about something else
            self._small_since = None
            return True
        closed = step.flow_step
        if closed is not None and not _below_table(closed.flow):
            self._small_since = None
            driven = detector.feed(closed.t, closed.driving)
            return self._shown.feed(closed.t, closed.flow.value) or driven
        if closed is not None and self._small_since is None:
            self._forget_flow(detector)
            self._small_since = step.t
        if self._small_since is not None:
            return step.t - self._small_since >= SMALL_S
        return self._steady["flow"] and not math.isnan(step.flow.value)

    def _forget_flow(self, detector: Detector) -> None:
        detector.reset()
        self._shown.reset()
