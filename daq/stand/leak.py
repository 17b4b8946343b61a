"""Watching a blanked-off line: until it is under pressure and left alone, then for as long as its leak takes to see."""

import asyncio
import math
from collections.abc import Callable
from enum import StrEnum

import numpy as np

from daq.measure.channels import Channels
from daq.measure.convert import BITS, Column
from daq.measure.errors import LeakError, MeasureError
from daq.measure.leak import LeakFound, leak_of
from daq.measure.steps import Measuring, Step
from daq.procedure.plan import Stand
from daq.procedure.signals import POWERED_V
from daq.stand.errors import StandError
from drivers.block import Block, DeviceReset, Link, LinkChange
from drivers.device import Device

LEAST_SHARE = 0.2
"""Share of the transducer's range that the line must be pumped up to: with less, what it loses hides in the noise."""
LEFT_ALONE_S = 10.0
"""Pressure must not have risen for so long: by then nobody pumps, and a hose has done most of its stretching. Common
practice, no source."""
WAIT_S = 300.0
"""So long the line may take to be pumped up and left alone."""


class Phase(StrEnum):
    """How far a watch has come."""

    WAITING = "waiting"
    HOLDING = "holding"
    RECORDING = "recording"
    DONE = "done"


def least_pressure(stand: Stand) -> float:
    """What a line must be pumped up to for its leak to be seen, Pa."""
    p = stand.channels.pressure
    return p.rest + LEAST_SHARE * (p.high - max(p.low, p.rest))


class LeakWatch:
    """Takes the steps of a stand, `phase` says how far it has come, `found` gives the leak at the end.

    It is watched for `record_s` seconds once it has been pumped up to `least` (Pa) and left alone.
    """

    def __init__(self, stand: Stand, lsb: float, record_s: float) -> None:
        self.least = least_pressure(stand)
        self.record_s = record_s
        self.phase = Phase.WAITING
        self._channels: Channels = stand.channels
        self._most, self._lsb = stand.limits.pressure, lsb
        self._began: float | None = None
        self._since = self._top = 0.0
        self._highest = -math.inf
        self._edges = 0
        self._steps: list[Step] = []

    def feed(self, step: Step) -> None:
        """Takes a step.

        Raises:
            LeakError: what keeps a leak from being found, and what to do.
        """
        if self.phase is Phase.DONE:
            return
        self._began = step.t if self._began is None else self._began
        self._highest = max(self._highest, step.pressure)
        self._refuse_unsafe(step)
        if self.phase is Phase.RECORDING:
            self._record(step)
        else:
            self._wait(step)

    @property
    def left_s(self) -> float:
        """Seconds of recording that are left."""
        recorded = self._steps[-1].t - self._steps[0].t if self._steps else 0.0
        return self.record_s - recorded

    def found(self) -> LeakFound:
        """The leak, once all is recorded.

        Raises:
            LeakError: the record shows none.
        """
        t, pressure, warm = (
            np.array([getattr(s, name) for s in self._steps]) for name in ("t", "pressure", "temperature")
        )
        tenth = max(len(warm) // 10, 1)
        p = self._channels.pressure
        fitted = self._channels.temperature is not None and bool(np.isfinite(warm).all())
        return leak_of(
            t,
            pressure,
            rest=p.rest,
            lsb=self._lsb,
            thermal=p.thermal,
            kelvins=float(warm[-tenth:].mean() - warm[:tenth].mean()) if fitted else math.nan,
            temperature=float(warm.mean()) if fitted else None,
        )

    def _refuse_unsafe(self, step: Step) -> None:
        """What must not be, in whichever phase."""
        if step.faulty & BITS[Column.PRESSURE]:
            raise LeakError(
                "channel pressure: expected a signal within its valid span, found it outside; look at transducer and "
                "cable, then measure again"
            )
        if step.top > self._most:
            raise LeakError(
                f"pressure: expected at most {_kpa(self._most)}, limits.pressure, found {_kpa(step.top)}; let the "
                "pressure down now"
            )
        if step.voltage > POWERED_V:
            raise LeakError(
                f"supply: expected it off, found {step.voltage:.1f} V at the terminals; switch it off and take the "
                "pump from the line: its check valve leaks too"
            )

    def _wait(self, step: Step) -> None:
        assert self._began is not None
        if step.t - self._began > WAIT_S + LEFT_ALONE_S:
            raise LeakError(
                f"pressure: expected {_kpa(self.least)} or more, left alone for {LEFT_ALONE_S:g} s, within "
                f"{WAIT_S:g} s, found {_kpa(self._highest)} at most, or never at rest; tighten what leaks, shut valve "
                "and hand pump, then measure again"
            )
        if step.pressure < self.least:
            self.phase = Phase.WAITING
        elif self.phase is Phase.WAITING or step.pressure > self._top + self._channels.floor.pressure:
            self.phase, self._top, self._since = Phase.HOLDING, step.pressure, step.t
        elif step.t - self._since >= LEFT_ALONE_S:
            self.phase, self._steps, self._edges = Phase.RECORDING, [step], step.edges

    def _record(self, step: Step) -> None:
        if step.lost:
            raise LeakError(
                f"line to the device: expected every scan for {self.record_s:g} s, found some lost; look at cable and "
                "baud rate, then measure again"
            )
        if step.edges != self._edges:
            raise LeakError(
                "flowmeter: expected no pulse with the valve shut, found the meter turning; shut the valve, then "
                "measure again"
            )
        self._steps.append(step)
        if self.left_s <= 0.0:
            self.phase = Phase.DONE


async def watch_leak(
    device: Device, stand: Stand, record_s: float, say: Callable[[LeakWatch, Step], None]
) -> LeakFound:
    """Watches an open device until its stand's leak is found; `say` hears of each step. Power is never asked for.

    Raises:
        StandError: what kept the leak from being found, and what to do.
    """
    try:
        measuring = Measuring(stand.channels, device.identity)
        watch = LeakWatch(stand, float(measuring.converter.lsb[Column.PRESSURE]), record_s)
        async for event in device.events():
            if isinstance(event, DeviceReset):
                raise LeakError(f"device {device.address}: has restarted ({event.reason}); look at its supply")
            if isinstance(event, LinkChange) and event.link is not Link.UP:
                raise LeakError(f"device {device.address}: {event.reason}; look at its power and cable")
            if isinstance(event, Block):
                for step in measuring.feed(event):
                    watch.feed(step)
                    say(watch, step)
                await asyncio.sleep(0)  # a simulation never waits, and somebody may want to interrupt it
            if watch.phase is Phase.DONE:
                return watch.found()
    except MeasureError as error:
        raise StandError(f"stand {stand.site}/{stand.name}: {error}") from error
    raise StandError(f"device {device.address}: gone before the leak was seen; look at its cable")


def _kpa(pressure: float) -> str:
    return f"{pressure / 1e3:.1f} kPa"
