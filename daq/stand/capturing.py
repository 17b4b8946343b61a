"""The fast captures that a run asks for, beside the loop that takes the device's events."""

import asyncio
from collections.abc import Callable

from daq.procedure.effects import CaptureWanted
from drivers.device import Device, DriverError


class Capturing:
    """At most one capture at a time. What it gives comes to the run among the device's events, live as in a replay;
    `failed` hears why a device gave none, which no run ends for."""

    def __init__(self, failed: Callable[[str], None]) -> None:
        self._failed = failed
        self._task: asyncio.Task[None] | None = None

    def begin(self, device: Device, wanted: CaptureWanted) -> None:
        """Asks the device, in a task of its own; one that is under way is given up."""
        self.cancel()
        self._task = asyncio.create_task(self._capture(device, wanted), name="capture")

    async def _capture(self, device: Device, wanted: CaptureWanted) -> None:
        try:
            await device.capture(wanted.role, wanted.rate_hz, wanted.total)
        except DriverError as error:
            self._failed(str(error))

    def cancel(self) -> None:
        """Nobody waits for a capture any more."""
        if self._task is not None:
            self._task.cancel()
            self._task = None
