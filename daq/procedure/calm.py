"""Whether a steady window stands for its stage, or is a lull in something that comes and goes.

Air makes flow, pressure and current go up and down by turns; between two turns all of it may stand still for seconds.
So a window is held against what the stage showed before it. A channel that came from below and stays is a unit that
primes, however slowly. One that was there before and has been elsewhere since comes and goes: then the calm must
outlast by far the longest lull that was seen, or it is one more of them. Flow that was higher before has fallen, and is
waited for too: no unit primes downwards.
"""

import math
from dataclasses import dataclass, field
from statistics import fmean, stdev

from daq.measure.steps import Step

GROUP_S = 0.25
"""Values are looked at as means over so long: a spike is no turn, and a slug of air takes longer than this."""
RUN_UP_S = 1.0
"""What the first second shows is the run-up: the hose relaxes, the motor comes to speed. Common practice, no source."""
SHARE = {"flow": 0.02, "pressure": 0.04, "current": 0.02}
"""A turn moves a channel by more than this share. A reading of flow is uncertain by about 1 %; pressure in the open
line goes with the square of flow; lost prime lowers the current by 5 %. Common practice, no source."""
SCATTERS = 4.0
"""It also is more than so many standard deviations of the window's own steps."""
RESTLESS = 0.06
"""A flow whose steps scatter by more than this share of their mean does not stand still; unequal vanes make less of the
steps of a meter. Common practice, no source."""
CALM_S, LULLS = 3.0, 2.0
"""After a turn calm must last so long, and so many times the longest lull. Common practice, no source."""
FAILS_S, FAILS_TWICE_S = 5.0, 3.5
"""A flow that is too small is held against a unit once it was seen for so long, as long as one may run without any; for
less, and each time, where the run opens the valve twice and no channel has turned: a flow that is enough the second
time, or comes and goes, takes the first finding back. Common practice, no source."""
AWAY_S = 1.0
"""What was not as needed for so long ends what is remembered: it was another state of the stand."""
NO_FLOW_YET = "no flow yet"
"""The one reason that may be a turn itself: in a slug of air nothing turns the meter."""


@dataclass(slots=True)
class _Channel:
    """Means of groups, each with the time (s) at which it ended."""

    means: list[tuple[float, float]] = field(default_factory=list)
    open_at: float | None = None
    values: list[float] = field(default_factory=list)

    def take(self, t: float, value: float) -> None:
        if self.open_at is None:
            self.open_at = t
        self.values.append(value)
        if t - self.open_at >= GROUP_S:
            self.means.append((t, sum(self.values) / len(self.values)))
            self.open_at, self.values = t, []


class Calm:
    """Remembers a stage from when all was as needed. `names` are the channels to look at; `resolutions` are converter
    steps in SI by channel, and a change of one is none."""

    def __init__(self, names: tuple[str, ...], resolutions: dict[str, float]) -> None:
        self._names, self._resolutions = names, resolutions
        self._forget()

    def _forget(self) -> None:
        self._channels = {name: _Channel() for name in self._names}
        self._since: float | None = None
        self._fit_at = 0.0

    def feed(self, step: Step, unfit: str) -> None:
        """Takes a step of a stage; `unfit` says what keeps it out of a window."""
        if self._since is None:
            if unfit:
                return
            self._since = step.t
        elif unfit and unfit != NO_FLOW_YET:
            if step.t - self._fit_at >= AWAY_S:
                self._forget()
            return
        self._fit_at = step.t
        if step.t - self._since < RUN_UP_S:
            return
        for name, channel in self._channels.items():
            value = _shown(step, name)
            if value is not None:
                channel.take(step.t, value)

    def lasts(self, window: list[Step]) -> float:
        """Seconds from the newest turn of any channel, or from the stage's beginning, to the window's end; infinite
        where nothing is looked at."""
        if not self._names or self._since is None:
            return 0.0 if self._names else math.inf
        return window[-1].t - max(self._turned(window), default=self._since)

    def unbroken(self, window: list[Step]) -> bool:
        """Whether no channel has turned since the stage's beginning."""
        return not self._turned(window)

    def _turned(self, window: list[Step]) -> list[float]:
        return [last for name in self._names if (last := self._lulls(name, window)[1]) is not None]

    def turns(self, window: list[Step]) -> str:
        """The channel that comes and goes, so that the window may be a lull; empty for none."""
        return next((name for name in self._names if self._comes_and_goes(name, window)), "")

    def _comes_and_goes(self, name: str, window: list[Step]) -> bool:
        if name == "flow" and _restless(window):
            return True
        longest, last = self._lulls(name, window)
        return last is not None and window[-1].t - last < max(CALM_S, LULLS * longest)

    def _lulls(self, name: str, window: list[Step]) -> tuple[float, float | None]:
        values = [v for s in window if (v := _shown(s, name)) is not None]
        if not values:
            return 0.0, None
        mean = sum(values) / len(values)
        scatter = (sum((v - mean) ** 2 for v in values) / max(len(values) - 1, 1)) ** 0.5
        near = max(SHARE[name] * abs(mean), SCATTERS * scatter, 1.5 * self._resolutions.get(name, 0.0))
        return _longest_lull(self._channels[name].means, mean, near, fell=name == "flow")


def _restless(window: list[Step]) -> bool:
    """Whether the flow of a window scatters as only one that comes and goes does."""
    values = [v for s in window if (v := _shown(s, "flow")) is not None]
    return len(values) > 1 and stdev(values) > RESTLESS * abs(fmean(values))


def _longest_lull(
    means: list[tuple[float, float]], mean: float, near: float, *, fell: bool
) -> tuple[float, float | None]:
    """The longest lull at this mean before the newest turn (s), and when that turn ended (None: there was none).

    `fell`: a value above, before the mean was ever reached, is a turn as well.
    """
    longest, began, last = 0.0, None, None
    for t, value in means:
        if abs(value - mean) <= near:
            began = t if began is None else began
        elif began is not None or last is not None or (fell and value > mean):
            longest = max(longest, t - began) if began is not None else longest
            began, last = None, t
    return longest, last


def _shown(step: Step, name: str) -> float | None:
    """What a step shows of a channel; of flow what the meter closed with it, 0 while it is silent, None in between."""
    if name != "flow":
        value: float = getattr(step, name)
        return value
    if step.flow.silent:
        return 0.0
    if step.flow_step is None or step.flow_step.flow.out_of_range:
        return None
    flow = step.flow_step.flow
    return 0.5 * flow.high if math.isnan(flow.value) else flow.value  # below the table no more is known
