"""What channels show without power against what they showed before: a zero that moved in the run moved readings too.

Whenever power is off no current flows, and terminals have the voltage that they had before the first power-on. Once it
is off for good with the line open, pressure is none. None of it asks anything of a person.
"""

from collections import deque
from math import inf

from daq.measure.channels import Channels
from daq.measure.convert import BITS, Column
from daq.measure.steps import Step

MEAN_S = 0.5
"""A rest is told by means over so long."""
SETTLED_S = {Column.CURRENT: 0.5, Column.VOLTAGE: 6.0}
"""So long after power-off a channel is at rest. A current ends at once; a motor that runs down holds its terminals up
(common practice, no source)."""
LAST_S = 2.0
"""A run that is over waits so long for the pressure of its open line to settle."""
SENSED_V = 1.0
"""Terminals with more than this are sensed on the supply's side of the switch."""
REGULATION = 0.01
"""A supply without load keeps its voltage within this share. Common practice, no source."""


class Rests:
    """Follows one run. `lsb` is the converter's step in SI by channel."""

    def __init__(self, channels: Channels, lsb: dict[str, float]) -> None:
        self._channels, self._lsb = channels, lsb
        self._newest: deque[Step] = deque()
        self._volts_before: float | None = None

    def feed(self, step: Step, off_for: float | None) -> str:
        """Takes a step, `off_for` seconds after power went off (None: it is on; inf: it never was). Gives the channel
        that is not what it was without power; empty for none."""
        if off_for is None:
            self._newest.clear()
            return ""
        self._newest.append(step)
        while self._newest[0].t <= step.t - MEAN_S:
            self._newest.popleft()
        if step.t - self._newest[0].t < 0.8 * MEAN_S:
            return ""
        if off_for == inf:
            if not self._spoilt(Column.VOLTAGE):
                self._volts_before = self._mean("voltage")
            return ""
        return self._moved(off_for)

    def _moved(self, off_for: float) -> str:
        told = {c: off_for >= settled and not self._spoilt(c) for c, settled in SETTLED_S.items()}
        most = self._channels.shunt.zero_limit + self._lsb.get("current", 0.0)
        if told[Column.CURRENT] and abs(self._mean("current")) > most:
            return "current"
        before, now = self._volts_before, self._mean("voltage")
        if before is None or not told[Column.VOLTAGE] or (abs(before) < SENSED_V) is not (abs(now) < SENSED_V):
            return ""
        most = 3.0 * self._channels.floor.voltage + REGULATION * abs(before) + self._lsb.get("voltage", 0.0)
        return "voltage" if abs(now - before) > most else ""

    def pressure_at_end(self, seconds: float, limit: float) -> bool | None:
        """Tells whether pressure is back at its zero within `limit` (Pa), `seconds` after power went off for good with
        the line open; None while it still moves."""
        if self._spoilt(Column.PRESSURE):
            return True  # told where it was found; nothing can be compared
        shown = [s.pressure for s in self._newest]
        whole = len(self._newest) > 1 and self._newest[-1].t - self._newest[0].t >= 0.8 * MEAN_S
        still = whole and max(shown) - min(shown) <= 2.0 * self._channels.floor.pressure
        if not still and seconds < LAST_S:
            return None
        return abs(self._mean("pressure")) <= limit + self._lsb.get("pressure", 0.0)

    def _spoilt(self, column: Column) -> bool:
        return any(s.lost or s.faulty & BITS[column] for s in self._newest)

    def _mean(self, channel: str) -> float:
        return float(sum(getattr(s, channel) for s in self._newest) / len(self._newest))
