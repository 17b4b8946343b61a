"""The valve's way from one end to the other, step by step, and to a pressure in between."""

from daq.measure.convert import BITS, Column
from daq.measure.steps import Step
from daq.procedure.plan import Drive

NEAR_SHARE = 0.005
NEAR_PA = 1e3
"""A pressure to pause at is reached within this share of it, or within so much."""


class Ramp:
    """Where the valve is told to be: `position` from 0 (shut) to 1 (open). `settled`: it holds the pressure asked for."""

    def __init__(self, drive: Drive, position: float) -> None:
        self.position, self.settled = position, False
        self._drive = drive
        self._before: float | None = None

    def close(self, step: Step, dt: float) -> float:
        """Closes further, by a step of `dt` seconds."""
        return self._move(step, dt, -1.0)

    def open(self, step: Step, dt: float) -> float:
        """Opens further."""
        return self._move(step, dt, 1.0)

    def hold_at(self, step: Step, dt: float, pressure: float) -> float:
        """Goes towards the position at which pressure is as asked, and stays there."""
        off = pressure - step.pressure
        near = max(NEAR_SHARE * pressure, NEAR_PA)
        self.settled = abs(off) <= near
        if self.settled or step.faulty & BITS[Column.PRESSURE]:
            return self.position
        return self._move(step, dt, -1.0 if off > 0 else 1.0, min(1.0, abs(off) / (0.1 * pressure)))

    def _move(self, step: Step, dt: float, way: float, share: float = 1.0) -> float:
        if step.faulty & BITS[Column.PRESSURE] or dt <= 0.0:
            return self.position
        rate = 0.0 if self._before is None else abs(step.pressure - self._before) / dt
        self._before = step.pressure
        slow = min(1.0, self._drive.pressure_rate / rate) if rate > 0.0 else 1.0
        moved = way * share * slow * dt / self._drive.travel
        self.position = min(1.0, max(0.0, self.position + moved))
        return self.position
