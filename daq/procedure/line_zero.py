"""The zero of one run: found at rest before the first power-on, in force once the line was shown open.

A rest proves that pressure stands still, not that it is none: a line behind a shut valve may hold a small pressure for
minutes. So a rest gives a candidate only. It becomes the zero when the line is known to be open while pressure is still
what it was at rest: by the device's position sensor, by a driven valve that has been told to be open for its whole
travel, or by a person's word. Failing that, the first free flow shows it: a valve that is open right after power-on,
while pressure did not move from the rest to power-on, was open then. A person's word that the first free flow
contradicts counts for nothing; then the calibrated zero stands, with the largest shift allowed as its doubt.
"""

from collections import deque
from collections.abc import Mapping
from dataclasses import replace
from math import hypot

from daq.measure.channels import Channels
from daq.measure.convert import Zero
from daq.measure.steps import Step
from daq.measure.uncertainty import ROOT_3
from daq.measure.zero import AtRest
from daq.procedure.asking import PATIENCE_S
from daq.procedure.table import Valve

NOW_S = 0.5
"""Pressure now is a mean over so long."""
PARTLY = 2
"""Steps that may have been under power in part when it is seen to be on."""
SENSED, TOLD, CONFIRMED = "sensed", "told", "confirmed"
"""How a line is known to be open: by a position sensor, by a driven valve that had its time, by a person."""


class LineZero:
    """`lsb` is the converter's step in SI by channel. `rested`: there is a candidate or a zero. `shifted` names the
    channel whose rest lies beyond its limit. `shown` says how the line was shown open, empty while it was not."""

    def __init__(self, channels: Channels, lsb: Mapping[str, float]) -> None:
        self._calibrated, self._still = Zero.calibrated(channels), channels.floor.pressure + lsb.get("pressure", 0.0)
        self._rest = AtRest(channels, lsb)
        self._now: deque[tuple[float, float]] = deque()
        self._candidate: Zero | None = None
        self._shut_for = 0.0
        self._before = 0.0
        self._over = False
        self.shown = ""

    @property
    def shifted(self) -> str | None:
        return self._rest.shifted

    @property
    def rested(self) -> bool:
        return self._candidate is not None

    def rest(self, step: Step, line_open: bool | None, how: str) -> Zero | None:
        """Takes a step without power; gives the zero at the moment when it comes into force. After the first power-on
        there is no rest any more.

        `line_open` is None where nothing tells; `how` says in a word what tells.
        """
        self._now.append((step.t, step.pressure))
        while self._now[0][0] <= step.t - NOW_S:
            self._now.popleft()
        if self.shown or self._over:
            return None
        if line_open is False:
            self._disturbed()
            return None
        self._rest.feed(step)
        self._candidate = self._rest.zero
        return self._in_force(how) if line_open and self._candidate is not None else None

    def powered(self) -> Zero | None:
        """Power came on with this step: if pressure has moved since the rest, that of a line which only a person's word
        calls open was none. Gives the calibrated zero where one was in force."""
        self._over = True
        for _ in range(min(PARTLY, len(self._now))):
            self._now.pop()
        sure = self.shown in (SENSED, TOLD)
        return None if self._candidate is None or sure or self._moved() is not None else self._dropped()

    def first_free_flow(self, step: Step, valve: Valve | None) -> Zero | None:
        """Takes a step of the first free flow that was reached without a person being asked to move the valve; `valve`
        is by the signals. Gives the zero where it comes into force, or the calibrated one where it was none.

        Flow shows the line open, however far: a valve that is ajar holds no pressure back for the seconds of a rest.
        """
        dt, self._before = step.t - (self._before or step.t), step.t
        if self._candidate is None:
            return None
        self._shut_for = self._shut_for + dt if valve is Valve.SHUT else 0.0
        if self._shut_for >= PATIENCE_S:  # now the valve is asked to be opened
            return self._dropped()
        return None if self.shown or step.flow.silent else self._in_force("seen at the first free flow")

    def _in_force(self, how: str) -> Zero | None:
        zero = self._candidate
        assert zero is not None, "only a rest gives a zero"
        moved = self._moved()
        if moved is None:
            self._disturbed()
            return None
        self.shown = how
        self._now.clear()
        return replace(zero, pressure_doubt=hypot(zero.pressure_doubt, moved / ROOT_3))

    def _dropped(self) -> Zero | None:
        """No candidate any more, and no zero that rests on a person's word: then the calibrated one."""
        self._candidate = None
        if self.shown != CONFIRMED:
            return None
        self.shown = ""
        return self._calibrated

    def _moved(self) -> float | None:
        """How far pressure has moved since its rest, Pa; None for further than what counts as still."""
        assert self._candidate is not None, "only a rest gives a zero"
        if not self._now:
            return 0.0  # power came right behind the rest
        at_rest = 0.0 if self.shown else self._candidate.pressure  # steps are against the zero once it is in force
        off = abs(sum(p for _, p in self._now) / len(self._now) - at_rest)
        return off if off <= self._still else None

    def _disturbed(self) -> None:
        self._candidate = None
        self._rest.disturb()
